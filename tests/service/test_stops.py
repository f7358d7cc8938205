"""What ends a job, told alike on every door: REST and command line; the cases are files."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from models.packs.stops import STOPS
from tests.cases.packs import history_of_case
from training.files.families import load_families

FAMILIES = load_families()
CASES = [json.loads(line) for line in Path("tests/cases/bench/stops.jsonl").read_text().splitlines()]
COSTS = {"currency": "EUR", "stranding": 600, "day_off_road": 60, "capital_per_day": 0.5, "return_value": 900}
OFFER = {"supplier": "North Quay Stores", "currency": "EUR", "price": 1450, "usual_days": 3}
STATUS = 3
FIGURES = ("survival", "good_for", "charge", "missing", "steps", "plans", "table", "get_there", "offers", "sentences")
"""Parts of the answers that hold amounts, currents, durations, gains or promises."""

EVERY_DOOR = ("forecast", "topup-plan", "what-if", "recheck", "release", "orders")
ROUTES = {
    "forecast": "/v1/forecasts",
    "topup-plan": "/v1/topup-plans",
    "what-if": "/v1/what-if",
    "recheck": "/v1/recheck",
    "release": "/v1/release",
    "orders": "/v1/orders",
}


def asked_at(door: str, history: dict) -> dict:
    case = {"history": history}
    if door == "release":
        return {"case": case, "in_days": 7}
    return {"case": case, "costs": COSTS, "offers": [OFFER]} if door == "orders" else case


def told(client, problem_in, door: str, history: dict) -> list[str]:
    """Codes of the stops that a door answers with; none if it answers with figures."""
    response = client.post(ROUTES[door], json=asked_at(door, history))
    if response.status_code == 200:
        assert any(part in response.json() for part in FIGURES), "or else nothing could be withheld"
        return []
    document = problem_in(response, 409)
    assert document["type"] == "urn:tideover:problem:stop"
    assert document["detail"].startswith("STOP: ")
    assert not set(FIGURES) & set(document)
    assert len(document["cautions"]) > 5
    assert all(stop["text"].endswith(".") and stop["instead"] and stop["source"] for stop in document["stops"])
    assert all(stop["by_look"] == ("(inspected)" in stop["instead"]) for stop in document["stops"])
    return [stop["code"] for stop in document["stops"]]


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_each_case_is_stopped_as_its_file_says(client, problem_in, case):
    history = history_of_case(case["pack"], FAMILIES)
    if case["forecast"] is not None:
        assert told(client, problem_in, "forecast", history) == case["forecast"]
    if case["plan"] is not None:
        assert told(client, problem_in, "topup-plan", history) == case["plan"]


def first_cases() -> dict[str, dict]:
    """The first case of each code, one that is topped up where there is any."""
    found: dict[str, dict] = {}
    for case in sorted(CASES, key=lambda case: case["pack"].get("charge", {}) is None):
        for code in (case["plan"] or case["forecast"] or [])[:1]:
            found.setdefault(code, case)
    return found


def test_every_row_of_the_table_has_a_case():
    seen = {code for case in CASES for code in (case["forecast"] or []) + (case["plan"] or [])}
    assert seen == {rule.code for rule in STOPS}
    assert all(rule.source and rule.instead.endswith(".") for rule in STOPS)


@pytest.mark.parametrize("code", [rule.code for rule in STOPS if rule.ends == "everything"])
def test_a_stop_shows_at_every_door_and_withholds_its_figures(client, problem_in, tideover, code):
    case = next(case for case in CASES if code in (case["forecast"] or []))
    history = history_of_case(case["pack"], FAMILIES)
    for door in EVERY_DOOR:
        codes = told(client, problem_in, door, history)
        assert code in codes, door
        sent = json.dumps(asked_at(door, history))
        command = (door, "--case", "-") if door in ("release", "orders") else (door, "-")
        ran = tideover(*command, input=sent)
        assert ran.exit_code == STATUS, (door, ran.output)
        lines = ran.stdout.splitlines()
        assert lines[0].startswith("STOP: ")
        assert "Cautions" in lines
        assert not any(word in ran.stdout for word in ("good for", "Put in", "100 still hold", "packs hold at least"))
        as_json = json.loads(tideover(*command, "--json", input=sent).stdout)
        assert [stop["code"] for stop in as_json["stops"]] == codes


@pytest.mark.parametrize("code", ["lithium", "too-cold", "too-hot"])
def test_what_ends_charging_alone_leaves_the_forecast_and_takes_the_charge_out_of_what_if(
    client, problem_in, tideover, code
):
    case = next(c for c in CASES if c["forecast"] == [] and c["plan"] == [code])
    history = history_of_case(case["pack"], FAMILIES)
    assert told(client, problem_in, "forecast", history) == []
    assert told(client, problem_in, "topup-plan", history) == [code]
    assert tideover("topup-plan", "-", input=json.dumps({"history": history})).exit_code == STATUS
    given = client.post("/v1/what-if", json={"history": history}).json()
    assert not any(plan["plan"]["topped_blocks"] for plan in given["plans"])
    assert "no-charging" in [flag["code"] for flag in given["flags"]]
    only = [{"name": "charged again", "topped_blocks": 1}]
    refused = problem_in(client.post("/v1/what-if", json={"history": history, "plans": only}), 409)
    assert code in [stop["code"] for stop in refused["stops"]]


def test_the_cautions_of_lithium_are_not_those_of_an_alkaline_cell(client):
    pack = {"family": "loess-28", "peers_cell_v": 3.85}
    lithium = client.post("/v1/forecasts", json={"history": history_of_case(pack, FAMILIES)}).json()["cautions"]
    alkaline = client.post("/v1/forecasts", json={"history": history_of_case({"family": "marl-28"}, FAMILIES)})
    assert "caustic" not in " ".join(lithium)
    assert "caustic" in " ".join(alkaline.json()["cautions"])
    assert any("toxic" in caution for caution in lithium)
    assert not any("1.5 V" in caution for caution in lithium)

"""What has to be looked at before any figure: told by REST and the command line alike. The cases are files."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from tests.cases.packs import history_of_case
from training.files.families import load_families

FAMILIES = load_families()
CASES = [json.loads(line) for line in Path("tests/cases/bench/grave.jsonl").read_text().splitlines()]


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_each_case_is_told_as_its_file_says(client, case):
    history = history_of_case(case["pack"], FAMILIES)
    response = client.post("/v1/forecasts", json={"history": history})
    assert response.status_code == 200, response.text
    grave = [flag for flag in response.json()["flags"] if flag["grave"]]
    assert [flag["code"] for flag in grave] == case["grave"]


def without(history: dict, wrong: dict) -> dict:
    return {**history, "readings": [reading for reading in history["readings"] if reading != wrong]}


def wrong_in(history: dict, pack: dict) -> dict:
    (one,) = pack["readings"]
    return next(r for r in history["readings"] if r["block_v"] == one["block_v"] and r["state"] == one["state"])


@pytest.mark.parametrize(
    "case", [c for c in CASES if c["grave"] == ["reading-not-used"]], ids=lambda case: case["name"]
)
def test_no_figure_rests_on_a_reading_that_cannot_be_true(client, tideover, case):
    history = history_of_case(case["pack"], FAMILIES)
    wrong = wrong_in(history, case["pack"])
    at = max(reading["time"] for reading in history["readings"])
    for door, route in (("forecast", "/v1/forecasts"), ("what-if", "/v1/what-if"), ("recheck", "/v1/recheck")):
        told = client.post(route, json={"history": history, "at": at}).json()
        assert "reading-not-used" in [flag["code"] for flag in told["flags"]], door
        if door == "forecast":
            clean = client.post(route, json={"history": without(history, wrong), "at": at}).json()
            assert told["survival"] == clean["survival"]
            assert told["withheld_by"] == ["reading-not-used"]
            assert clean["withheld_by"] == []
        ran = tideover(door, "-", input=json.dumps({"history": history}))
        assert ran.exit_code == 0, ran.output
        assert "not used" in " ".join(ran.stdout.split())


def test_a_block_that_does_not_sink_under_load_is_left_out_of_that_reading(client):
    pack = {"family": "marl-28", "load_v": 2.5}
    history = history_of_case(pack, FAMILIES)
    told = client.post("/v1/forecasts", json={"history": history}).json()
    (flag,) = [flag for flag in told["flags"] if flag["grave"]]
    assert flag["code"] == "reading-not-used"
    assert flag["text"].startswith("Block 5 of the reading under load of ")
    load = next(reading for reading in history["readings"] if reading["state"] == "discharge")
    load["block_v"][4] = None
    assert client.post("/v1/forecasts", json={"history": history}).json()["survival"] == told["survival"]


def test_the_top_up_plan_leaves_it_out_too_and_says_so(client):
    pack = {"family": "marl-28", "charge": None}
    history = history_of_case(pack, FAMILIES)
    clean = client.post("/v1/topup-plans", json={"history": history}).json()
    wrong = {**history["readings"][0], "time": history["readings"][1]["time"], "current_a": 30.0}
    wrong["block_v"] = [volts - 1.0 if block == 4 else volts for block, volts in enumerate(wrong["block_v"])]
    history["readings"].append(wrong)
    told = client.post("/v1/topup-plans", json={"history": history}).json()
    assert told["missing"] == clean["missing"]
    assert told["concerns"][0]["code"] == "reading-not-used"


def test_an_overcharge_is_said_in_ampere_hours(client):
    history = history_of_case({"family": "marl-28", "charge": {"charge_ah": 4.0}}, FAMILIES)
    (flag,) = [f for f in client.post("/v1/forecasts", json={"history": history}).json()["flags"] if f["grave"]]
    assert flag["text"].startswith("Put in 4.0 Ah, about 1.8 Ah was missing: the block may be overcharged, or")


@pytest.mark.parametrize(
    ("pack", "code"),
    [
        ({"family": "gravel-14", "charge": {"charge_ah": 5.0, "duration_h": 8}}, "overcharge"),
        ({"family": "gravel-14", "rest_v": -0.2, "charge": {"charge_ah": 1.1}, "after_v": -0.57}, "block-not-risen"),
    ],
)
def test_no_charge_is_told_or_weighed_under_a_grave_warning_until_somebody_looked(client, tideover, pack, code):
    history = history_of_case(pack, FAMILIES)
    assert code in codes_of(client, pack)
    stopped = client.post("/v1/topup-plans", json={"history": history})
    assert stopped.status_code == 409, stopped.text
    assert code in [stop["code"] for stop in stopped.json()["stops"]]
    ran = tideover("topup-plan", "-", input=json.dumps({"history": history}))
    assert ran.exit_code == 3
    assert "Put in about" not in ran.output
    weighed = client.post("/v1/what-if", json={"history": history}).json()
    assert weighed["plans"] == [], "days that the forecast withholds"
    assert "No further charge is weighed until that has been looked at." in weighed["first"]
    assert "topping charge" not in json.dumps(weighed["sentences"])
    last = history["readings"][-1]
    looked = {**last, "time": (datetime.fromisoformat(last["time"]) + timedelta(days=1)).isoformat()}
    history["readings"].append({**looked, "inspected": "sound"})
    by_look = code != "block-not-risen"  # where the charge went only volts show
    assert (client.post("/v1/topup-plans", json={"history": history}).status_code == 200) == by_look
    history["readings"][-1]["inspected"] = "cells"
    assert client.post("/v1/topup-plans", json={"history": history}).status_code == 200
    again = client.post("/v1/what-if", json={"history": history}).json()
    # A block that still rests below where its charge began is held by `charge-used-up`.
    assert bool([plan for plan in again["plans"] if plan["plan"]["topped_blocks"]]) == by_look


def test_what_is_grave_leads_and_the_cautions_come_before_the_figures(tideover):
    for charge, before in (({"charge_ah": 4.0}, True), ({}, False)):
        history = history_of_case({"family": "marl-28", "charge": charge}, FAMILIES)
        ran = tideover("forecast", "-", input=json.dumps({"history": history}))
        lines = ran.stdout.splitlines()
        assert lines[2].startswith("Do not go by these figures until this has been looked at: Put in") == before
        drawn = [place for place, line in enumerate(lines) if line.startswith("day   share still holding")]
        assert bool(drawn) != before
        told = drawn[0] if drawn else lines.index("No day and no chance is told before that is seen to.")
        assert (lines.index("Cautions") < told) == before


@pytest.mark.parametrize(("hours", "flagged"), [(0.2, True), (0.9, True), (1.1, False), (17.0, False)])
def test_a_reading_taken_minutes_after_the_charge_is_named_and_asked_for_again(client, hours, flagged):
    history = history_of_case({"family": "marl-28", "after_h": hours}, FAMILIES)
    answer = client.post("/v1/forecasts", json={"history": history}).json()
    assert ("read-too-soon" in [flag["code"] for flag in answer["flags"]]) == flagged
    assert ("some hours after the charge" in answer["lead"][2]) == flagged


@pytest.mark.parametrize(
    ("pack", "code"),
    [
        ({"temperature_c": 3.0, "usage": {"ambient_c": 25}}, "plan-against-temperature"),
        ({"temperature_c": 44.0}, "plan-against-temperature"),
        ({"usage": {"ambient_c": 41}}, "heat"),
        ({"usage": {"parked_days_in_30": 12}}, "stands"),
    ],
)
def test_what_a_plan_hides_is_said(client, pack, code):
    codes = codes_of(client, {"family": "marl-28", **pack})
    assert code in codes


@pytest.mark.parametrize(
    "pack",
    [
        {"temperature_c": 21.0, "usage": {"ambient_c": -5}},  # read in the workshop
        {"temperature_c": 24.0},
        {"temperature_c": 3.0, "usage": {"ambient_c": None}},  # then the pack's own counts
        {"usage": {"ambient_c": 33, "parked_days_in_30": 4}},
    ],
)
def test_an_ordinary_plan_is_left_alone(client, pack):
    codes = codes_of(client, {"family": "marl-28", **pack})
    assert not {"plan-against-temperature", "heat", "stands"} & set(codes)


def codes_of(client, pack: dict) -> list[str]:
    answer = client.post("/v1/forecasts", json={"history": history_of_case(pack, FAMILIES)}).json()
    return [flag["code"] for flag in answer["flags"]]


def test_without_a_plan_the_temperature_of_the_pack_counts(client):
    def curve(pack: dict) -> list[float]:
        return client.post("/v1/forecasts", json={"history": history_of_case(pack, FAMILIES)}).json()["survival"]

    mild, warm = ({"family": "marl-28", "temperature_c": c, "usage": {"ambient_c": None}} for c in (8.0, 30.0))
    assert curve(warm) != curve(mild)
    assert curve(warm) == curve({**warm, "usage": {"ambient_c": 30.0}})


@pytest.mark.parametrize(
    ("work", "words"),
    [
        ({"charged_part": "module"}, "one module"),
        ({"also_done": "module-swapped"}, "swapped"),
        ({"also_done": "bars-cleaned"}, "bars were cleaned"),
        ({"also_done": "pack-reconditioned"}, "reconditioned"),
        ({"charged_part": "block"}, None),
    ],
)
def test_work_that_no_figure_rests_on_is_named(client, work, words):
    plain = client.post("/v1/forecasts", json={"history": history_of_case({"family": "marl-28"}, FAMILIES)}).json()
    history = history_of_case({"family": "marl-28", "charge": work}, FAMILIES)
    told = client.post("/v1/forecasts", json={"history": history}).json()
    assert told["survival"] == plain["survival"]
    said = [flag["text"] for flag in told["flags"] if flag["code"] == "work-not-used"]
    assert len(said) == (words is not None)
    assert all(words in text for text in said)


def test_an_end_voltage_metered_at_the_supply_moves_nothing_and_is_named(client):
    def told(end_v: float | None, at: str | None) -> dict:
        charge = {"end_v": end_v} | ({} if at is None else {"end_v_at": at})
        history = history_of_case({"family": "marl-28", "charge": charge}, FAMILIES)
        return client.post("/v1/forecasts", json={"history": history}).json()

    without = told(None, None)["survival"]
    assert told(16.7, None)["survival"] == told(16.7, "block")["survival"] != without
    for end_v in (16.1, 16.7):
        answer = told(end_v, "supply")
        assert answer["survival"] == without
        assert "work-not-used" in [flag["code"] for flag in answer["flags"]]


def test_an_explained_forecast_says_what_a_tenth_of_a_volt_would_make_of_it(client):
    pack = {"family": "marl-28"}
    sent = {"history": history_of_case(pack, FAMILIES), "explain": True}
    answer = client.post("/v1/forecasts", json=sent).json()
    for place, volts in enumerate((-0.1, 0.1)):
        history = history_of_case(pack, FAMILIES)
        newest = history["readings"][-1]
        newest["block_v"][4] = round(newest["block_v"][4] + volts, 3)
        other = client.post("/v1/forecasts", json={"history": history}).json()
        assert answer["explanation"]["read_off_days"][place] == pytest.approx(other["restricted_mean_days"], abs=1e-6)
    assert any("0.1 V lower" in sentence for sentence in answer["explanation"]["sentences"])
    unread = {"history": history_of_case({**pack, "after_v": None, "load_share": None}, FAMILIES), "explain": True}
    explained = client.post("/v1/forecasts", json=unread).json()["explanation"]
    assert (explained["read_off_days"], explained["sentences"]) == (None, []), "withheld before it is read"


def test_no_day_rests_on_a_reading_that_leaves_the_charged_block_out(client, tideover):
    """A week later all blocks but the charged one were read, and days were promised from that reading on."""
    history = history_of_case({"family": "gravel-14"}, FAMILIES)
    newest = history["readings"][-1]
    later = newest | {
        "time": (datetime.fromisoformat(newest["time"]) + timedelta(days=7)).isoformat(),
        "block_v": [*newest["block_v"][:4], None, *newest["block_v"][5:]],
    }
    assert client.post("/v1/forecasts", json={"history": history}).json()["withheld_by"] == []
    left_out = {"history": history | {"readings": [*history["readings"], later]}}
    response = client.post("/v1/forecasts", json=left_out)
    assert response.status_code == 200, response.text
    told = response.json()
    assert told["withheld_by"] == ["no-rest-after"]
    assert {promise["days"] for promise in told["good_for"]} == {None}
    (said,) = [flag["text"] for flag in told["flags"] if flag["code"] == "no-rest-after"]
    assert said.startswith("Block 5, which was charged, was not read when the others were read, last on ")
    assert told["lead"][0].startswith("Do not let it go yet: nothing tells how each charged block stands now.")
    lines = client.post(
        "/v1/forecasts/batch", content=json.dumps(left_out), headers={"Content-Type": "application/x-ndjson"}
    )
    assert json.loads(lines.text.splitlines()[-1])["forecast"]["withheld_by"] == ["no-rest-after"]
    assert client.post("/v1/what-if", json=left_out).json()["plans"] == []
    for door in ("forecast", "what-if", "recheck"):
        ran = tideover(door, "-", input=json.dumps(left_out))
        assert "nothing tells how each charged block stands now" in " ".join(ran.stdout.split()), door

"""A pack that was last read long ago, asked about without a moment: every door says so first, or refuses."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from tests.cases.packs import history_of_case
from tests.service.conftest import AT_THE_BENCH
from training.files.families import load_families

FAMILIES = load_families()
COSTS = {"currency": "EUR", "stranding": 600, "day_off_road": 60, "capital_per_day": 0.5, "return_value": 900}
OFFER = {"supplier": "North Quay Stores", "currency": "EUR", "price": 1450, "usual_days": 3}
FIRST = "Do not go by these figures until this has been looked at: Its newest record is of 2026-03-03"


@pytest.fixture
def history() -> dict:
    return history_of_case({"family": "gravel-14"}, FAMILIES)


@pytest.fixture
def later(monkeypatch, client):
    """Move the clock of commands and service on by some days."""

    def move(days: float) -> None:
        now = AT_THE_BENCH + timedelta(days=days)
        monkeypatch.setattr("service.core.clock.now_utc", lambda: now)
        client.app.state.clock = lambda: now

    yield move
    client.app.state.clock = lambda: AT_THE_BENCH


def asked(door: str, case: dict) -> tuple[str, dict]:
    if door == "release":
        return "/v1/release", {"case": case, "in_days": 7}
    if door == "orders":
        return "/v1/orders", {"case": case, "costs": COSTS, "offers": [OFFER]}
    return {"forecast": "/v1/forecasts", "topup-plan": "/v1/topup-plans"}.get(door, f"/v1/{door}"), case


def first_of(door: str, told: dict) -> str:
    part = {"forecast": "lead", "topup-plan": "sentences"}.get(door, "first")
    return told[part][0]


@pytest.mark.parametrize("days", [5, 90])
@pytest.mark.parametrize("door", ["forecast", "what-if", "recheck", "orders", "topup-plan", "release"])
def test_it_says_from_when_it_is_first_or_refuses(client, tideover, later, problem_in, history, door, days):
    """Asked months after the only reading, each answered as of then, without a word."""
    later(days)
    refuses = days > 30 and door in ("topup-plan", "release", "orders")
    address, body = asked(door, {"history": history})
    response = client.post(address, json=body)
    sent = ("--case", "-") if door in ("release", "orders") else ("-",)
    ran = tideover(door, *sent, input=json.dumps(body))
    if refuses:
        assert "more than 30 days ago" in problem_in(response, 409)["detail"]
        assert ran.exit_code == 2
        assert "more than 30 days ago" in ran.stderr
        assert "Ah" not in ran.stdout
        return
    assert response.status_code == 200, response.text
    assert first_of(door, response.json()).startswith(FIRST)
    if door == "what-if":
        assert response.json()["plans"] == [], "what is not to be gone by is not told"
        assert "of 100 still hold" not in response.text + ran.stdout
    assert ran.exit_code == 0, ran.stderr
    assert FIRST.split(": ")[0] in ran.stdout
    # A moment that was chosen is answered as of then: what files of the past are read for.
    chosen = max(reading["time"] for reading in history["readings"])
    address, body = asked(door, {"history": history, "at": chosen})
    response = client.post(address, json=body)
    assert response.status_code == 200, response.text
    assert "newest record" not in json.dumps(response.json())


def test_each_line_of_a_batch_is_flagged_too(client, later, history):
    later(5)
    sent = "\n".join(
        json.dumps(line) for line in ({"history": history}, {"history": history, "at": history["topups"][0]["time"]})
    )
    answer = client.post("/v1/forecasts/batch", content=sent, headers={"Content-Type": "application/x-ndjson"})
    told = [json.loads(line) for line in answer.text.splitlines()][1:]
    assert [line["forecast"]["flags"][0]["code"] == "not-of-today" for line in told] == [True, False]


@pytest.mark.parametrize("door", ["release", "recheck", "what-if"])
def test_what_is_dated_counts_from_now(client, history, door):
    """Eight days after the newest entry a day of last week was promised, and a reading planned for one."""
    address, body = asked(door, {"history": history})
    told = client.post(address, json=body).json()
    today = AT_THE_BENCH.date().isoformat()
    said = f"All days here count from today, {today}. Something was last entered on"
    assert any(line.startswith(said) for line in told["first"])
    if door == "release":
        assert told["as_of"][:10] == today
        assert told["good_until"] is None or told["good_until"][:10] >= today
        dated = [words for words in told["conditions"] if words.startswith("Promise")]
        assert all(told["good_until"][:10] in words for words in dated)
    else:
        assert told["origin"][:10] == today
        assert door == "what-if" or told["recheck_at"] is None or told["recheck_at"][:10] > today


@pytest.mark.parametrize("door", ["what-if", "recheck", "release", "forecast"])
def test_an_outcome_of_today_is_no_reading_of_today(client, later, problem_in, history, door):
    """Noted as still running, readings of months ago were answered without a word of their age."""
    later(20)
    address, body = asked(
        door,
        {"history": {**history, "outcomes": [{"time": client.app.state.clock().isoformat(), "kind": "running"}]}},
    )
    response = client.post(address, json=body)
    assert response.status_code == 200, response.text
    assert first_of(door, response.json()).startswith(FIRST)


def test_within_ten_days_nothing_is_said(client, history):
    told = client.post("/v1/forecasts", json={"history": history}).json()
    assert "not-of-today" not in [flag["code"] for flag in told["flags"]]

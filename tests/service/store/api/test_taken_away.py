"""The next forecast says what a correction or withdrawal took away of the record, and why a danger went."""

from __future__ import annotations

import pytest
from sqlalchemy import select

from service.core.logs import make_log
from service.jobs.worker import Worker
from service.store.schema import IssuedForecast
from training.files.families import load_families

PACK = "MB-VAN-07"
VOLTS = [12.9] * 14


@pytest.fixture
def out(filled):
    """The van of the worked examples, out on its top-up, a day after its forecast was kept."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    filled.app.state.clock.forward(minutes=1)
    assert forecast(filled)["inputs_digest"]
    filled.app.state.clock.forward(days=1)
    return filled


def forecast(client) -> dict:
    response = client.post(f"/v1/packs/{PACK}/forecasts", json={})
    assert response.status_code == 201, response.text
    client.app.state.clock.forward(minutes=1)
    return response.json()["answer"]


def corrected(answer: dict) -> list[str]:
    found = [flag for flag in answer["flags"] if flag["code"] == "record-corrected"]
    assert not any(flag["grave"] for flag in found)
    return [flag["text"] for flag in found]


def added(client, **more) -> int:
    reading = {"pack_id": PACK, "time": "2026-03-13T08:00:00Z", "state": "rest", "block_v": VOLTS, **more}
    made = client.post("/v1/readings", json=reading, headers={"Sure": "*"})
    assert made.status_code == 201, made.text
    return made.json()["id"]


def test_a_charge_that_was_corrected_is_said_with_both_figures_and_the_reason_once(out):
    change = {"charge_ah": 0.9}
    assert out.patch("/v1/topups/1?reason=misread+display", json=change, headers={"Sure": "*"}).status_code == 200
    out.app.state.clock.forward(minutes=1)
    said = corrected(forecast(out))
    assert len(said) == 1
    assert "since the last forecast" in said[0]
    assert "charge put in (Ah) from 1.1 to 0.9" in said[0]
    assert "misread display" in said[0]
    assert corrected(forecast(out)) == said, "asked again of the same record"
    added(out)
    assert corrected(forecast(out)) == [], "the forecast before this one said it"


def test_what_was_entered_and_taken_back_between_two_forecasts_is_not_said(out):
    number = added(out)
    assert out.delete(f"/v1/readings/{number}?reason=of+another+van").status_code == 204
    assert corrected(forecast(out)) == []


def test_what_reads_again_as_the_forecast_knew_it_is_not_said(out):
    for charge in (0.9, 1.1):
        change = {"charge_ah": charge}
        assert out.patch("/v1/topups/1?reason=none", json=change, headers={"Sure": "*"}).status_code == 200
        out.app.state.clock.forward(minutes=1)
    assert corrected(forecast(out)) == []


@pytest.mark.parametrize("known", [True, False])
def test_a_danger_withdrawn_has_its_reason_shown_even_if_no_forecast_knew_of_it(filled, known):
    filled.delete("/v1/outcomes/1?reason=a+slip")
    if known:
        forecast(filled)
    number = added(filled, temperature_c=77)
    filled.app.state.clock.forward(minutes=1)
    assert filled.delete(f"/v1/readings/{number}?reason=the+probe+lay+on+the+exhaust").status_code == 204
    filled.app.state.clock.forward(minutes=1)
    (said,) = corrected(forecast(filled))
    assert "77 °C" in said
    assert "the probe lay on the exhaust" in said
    assert ("since the last forecast" in said) is known


def test_code_look_and_reading_that_went_are_said_and_no_more_than_five_one_by_one(out):
    numbers = [added(out, time=f"2026-03-13T0{hour}:00:00Z", code="P0A80", code_state="pending") for hour in range(7)]
    forecast(out)
    out.app.state.clock.forward(minutes=1)
    assert (
        out.patch(f"/v1/readings/{numbers[0]}?reason=typed", json={"code": None, "code_state": None}).status_code == 200
    )
    for number in numbers[1:]:
        assert out.delete(f"/v1/readings/{number}?reason=double").status_code == 204
    out.app.state.clock.forward(minutes=1)
    (said,) = corrected(forecast(out))
    assert "fault code from P0A80 to not noted" in said
    assert said.count("was withdrawn (reason: double)") == 3
    assert "3 more are on record." in said


def test_pages_scoring_what_if_recheck_and_plan_say_it_as_well(out, store, clock, settings):
    assert out.patch("/v1/topups/1?reason=misread", json={"charge_ah": 0.9}, headers={"Sure": "*"}).status_code == 200
    out.app.state.clock.forward(minutes=1)
    part = "charge put in (Ah) from 1.1 to 0.9"
    added(out, block_v=[12.6 if block == 5 else 12.9 for block in range(1, 15)])
    clock.forward(minutes=1)
    assert part in out.get(f"/bench/units/{PACK}").text
    for question in ("what-if", "recheck", "topup-plan"):
        response = out.post(f"/v1/packs/{PACK}/{question}", json={})
        assert response.status_code == 200, (question, response.text)
        assert part in response.text, question
    out.post("/v1/jobs/scoring", json={})
    Worker(store, settings, load_families(None), clock, make_log("error")).run(once=True)
    with store.reading() as session:
        kept = session.scalars(select(IssuedForecast).order_by(IssuedForecast.id.desc())).first()
    assert part in " ".join(flag["text"] for flag in kept.answer["flags"])

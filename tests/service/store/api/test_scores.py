"""Scores of open cases: what a forecast says, from now on, kept with each issue and brought to a day by the job."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import pytest

from models.base.day_grid import DAYS, survival_at
from models.decisions.fleet_costs import FleetCosts
from service.core.logs import make_log
from service.core.refusals import Conflict, NoSuchRecord
from service.decisions.basis.open_cases import open_case, open_cases, without_forecast
from service.forecasting.issued.scores import OLDEST_DAYS, packed, unpacked
from service.jobs.worker import Worker
from service.pages.bench.finding import described
from service.store.schema import IssuedForecast, Score
from tests.studies.waiting import rank_by_waiting
from training.files.families import load_families

ISSUE = "/v1/packs/MB-VAN-07/forecasts"


@pytest.fixture
def out(filled):
    """The worked examples, the van still out on its top-up and forecast."""
    filled.delete("/v1/outcomes/1?reason=a+slip")
    assert filled.post(ISSUE, json={}).status_code == 201
    return filled


def test_curves_come_back_to_the_last_digit():
    rng = np.random.default_rng(1)
    some = [rng.random((3, len(DAYS))) for _ in range(4)]
    assert (unpacked([packed(*curves) for curves in some]) == np.stack(some, axis=1)).all()


def test_a_case_is_read_from_now_on_as_its_forecast_reads_for_a_pack_that_has_held(out, store, clock):
    answer = out.get("/v1/issued-forecasts/1").json()["answer"]
    with store.reading() as session:
        case = open_case(session, "MB-VAN-07", clock())
    (one,) = case.cases
    curve = np.array([answer["survival"]])
    inside = DAYS + one.days_since <= DAYS[-1]
    expected = survival_at(curve, DAYS[inside] + one.days_since)[0] / survival_at(curve, one.days_since)
    assert case.survival[0, inside] == pytest.approx(expected)
    assert one.name == "MB-VAN-07"
    assert (case.band_low <= case.band_high).all()


def test_a_forecast_has_one_last_promised_day_in_the_ranking_and_at_the_bench(out, store, clock):
    """The ranking kept parts of days that sheet, bench and calendar drop."""
    volts = [12.9] * 4 + [13.2] + [12.9] * 9
    reading = {"pack_id": "MB-VAN-07", "time": clock().isoformat(), "state": "rest", "block_v": volts}
    assert out.post("/v1/readings", json=reading).status_code == 201
    issued = out.post(ISSUE, json={}).json()
    promised = next(p["days"] for p in issued["answer"]["good_for"] if p["confidence"] == 0.9)
    assert promised % 1
    last = datetime.fromisoformat(issued["origin"]) + timedelta(days=int(promised))
    (item,) = out.get("/v1/fleet/ranking").json()["items"]
    assert datetime.fromisoformat(item["good_until"]) == last
    with store.reading() as session:
        assert described(session, ["MB-VAN-07"], load_families(None))[0].good_until == last


def test_a_forecast_of_another_use_leaves_the_score_alone(out, store):
    out.post(ISSUE, json={"usage": {"km_per_day": 1}})
    with store.reading() as session:
        assert session.get_one(Score, "MB-VAN-07").forecast_id == 1
    out.post(ISSUE, json={})
    with store.reading() as session:
        assert session.get_one(Score, "MB-VAN-07").forecast_id == 3


def test_the_job_lets_a_forecast_stand_until_something_new_is_known(out, store, clock, settings):
    worker = Worker(store, settings, load_families(None), clock, make_log("error"))

    def scored():
        at = out.post("/v1/jobs/scoring", json={}).headers["Location"]
        worker.run(once=True)
        return out.get(at).json()["result"]

    assert scored() == {"forecasts": 0, "standing": 1, "ranked": 1, "left_out": []}
    clock.forward(days=1)
    assert scored()["standing"] == 1
    with store.reading() as session:
        score = session.get_one(Score, "MB-VAN-07")
        assert score.as_of == clock()
        cases = open_cases(session, clock())
        costs = FleetCosts("EUR", 1400, 180, 250, 0.5, 900, 600)
        ranking = rank_by_waiting(cases.promised, costs)
        assert score.week_return == pytest.approx(float(ranking.return_chance[0]))
        assert 670 * score.week_return - 0.5 * score.week_wait_days == pytest.approx(float(ranking.week_cost[0]))
    out.patch("/v1/topups/1", json={"charge_ah": 1.2})
    assert scored()["forecasts"] == 1
    clock.forward(days=15)
    assert scored()["forecasts"] == 1
    with store.reading() as session:
        assert session.get_one(Score, "MB-VAN-07").origin == clock(), "from now, after all the days it has held"
    out.post("/v1/outcomes", json={"pack_id": "MB-VAN-07", "time": clock().isoformat(), "kind": "returned"})
    assert scored()["ranked"] == 0
    with store.reading() as session:
        assert session.get(Score, "MB-VAN-07") is None


def test_the_job_drops_what_is_no_open_case_any_more(out, store, clock, settings):
    clock.forward(hours=1)
    assert out.delete("/v1/topups/1").status_code == 204
    out.post("/v1/jobs/scoring", json={})
    Worker(store, settings, load_families(None), clock, make_log("error")).run(once=True)
    with store.reading() as session:
        assert session.get(Score, "MB-VAN-07") is None


def test_what_cannot_be_decided_on_is_told_with_what_to_do(out, store, clock):
    with store.reading() as session:
        assert without_forecast(session, clock(), 10) == ([], 0)
        with pytest.raises(NoSuchRecord):
            open_case(session, "nobody", clock())
        late = clock() + timedelta(days=OLDEST_DAYS + 20)
        with pytest.raises(Conflict, match="no reading of pack MB-VAN-07 since 2026-03-02"):
            open_case(session, "MB-VAN-07", late)
        ((one,), count) = without_forecast(session, late, 10)
        assert (one.pack_id, count) == ("MB-VAN-07", 1)
    out.post("/v1/packs", json={"id": "MB-CAB-03", "family": "gravel-14"})
    out.post("/v1/topups", json={"pack_id": "MB-CAB-03", "time": "2026-03-10T12:00:00Z", "blocks": [3]})
    with store.reading() as session:
        (found, count) = without_forecast(session, clock(), 10)
        assert [one.pack_id for one in found] == ["MB-CAB-03"]
        with pytest.raises(Conflict, match="no forecast of pack MB-CAB-03"):
            open_case(session, "MB-CAB-03", clock())
    out.post("/v1/outcomes", json={"pack_id": "MB-VAN-07", "time": clock().isoformat(), "kind": "replaced"})
    with store.reading() as session:
        with pytest.raises(Conflict, match="ended on 2026-03-14"):
            open_case(session, "MB-VAN-07", clock())
        assert len(open_cases(session, clock())) == 0
        assert session.query(IssuedForecast).count() == 1

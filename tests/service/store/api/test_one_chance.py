"""The chance that a fault is back is one number, whoever asks: counter, ranking, returns, plan and release."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

VAN = "/v1/packs/MB-VAN-07"
RANKED = {"currency": "EUR", "planned_work": 300, "return_work": 300, "stranding": 600, "capital_per_day": 0.5}


@pytest.fixture
def out(filled):
    """The worked examples, the van still out on its top-up and forecast, its pack to be had in seven days."""
    filled.delete(f"/v1/outcomes/{filled.get('/v1/outcomes').json()['items'][0]['id']}?reason=a+slip")
    (offer,) = filled.get("/v1/offers").json()["items"]
    week = {"usual_days": 7, "earliest_days": 7, "latest_days": 7}
    assert filled.patch(f"/v1/offers/{offer['id']}", json=week).status_code == 200
    (order,) = filled.get("/v1/deliveries").json()["items"]
    assert filled.delete(f"/v1/deliveries/{order['id']}").status_code == 204
    return filled


def test_a_pack_that_nobody_read_for_weeks_has_one_chance(out, clock):
    """The counter said 45 %, the ranking 20 % and the returns 7 % of one van that was silent for 25 days."""
    clock.now = datetime(2026, 3, 3, 9, 0, tzinfo=UTC)
    read = {"pack_id": "MB-VAN-07", "time": "2026-03-02T18:30:00Z", "state": "rest", "block_v": [12.9] * 14}
    assert out.post("/v1/readings", json=read).status_code == 201
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    chances = []
    for day in (3, 6, 28):
        clock.now = datetime(2026, 3, day, 9, 0, tzinfo=UTC)
        (item,) = out.get("/v1/fleet/ranking", params=RANKED).json()["items"]
        returns = out.get("/v1/fleet/returns", params={"weeks": 1}).json()
        (entry,) = out.post("/v1/orders/queue", json={}).json()["entries"]
        (offer,) = out.post(f"{VAN}/orders", json={}).json()["offers"]
        release = out.post(f"{VAN}/release", json={"in_days": 7}).json()
        plan = out.post("/v1/fleet/plan", json={"slots": [1], "pack": 1450, "costs": {**RANKED, "return_value": 900}})
        (risk,) = [one["risk"] for one in [*plan.json()["left"], *plan.json()["weeks"][0]["planned"]]]
        one = pytest.approx(item["week_return"])
        told = (returns["weeks"][0]["mean"], entry["fault_first_today"], offer["fault_first_today"], risk[0])
        assert list(told) == [one] * 4
        assert release["get_there"] in (None, pytest.approx(1 - item["week_return"])), "none where it is not let go"
        chances.append(item["week_return"])
    assert chances == sorted(chances), "what nobody has seen since is not taken to hold"
    said = "counts from when the pack was last seen to hold"
    assert any(said in line for line in returns["assumptions"])
    assert any(said in line for line in release["basis"])


def test_of_a_pack_unread_for_a_month_no_list_tells_a_figure(out, clock, problem_in):
    """Scored by night, a pack that was silent for years was decided on as if it had been seen that day."""
    clock.now = datetime(2026, 5, 1, 9, 0, tzinfo=UTC)
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    ranking = out.get("/v1/fleet/ranking", params=RANKED).json()
    (item,) = ranking["items"]
    assert (item["week_return"], item["week_cost"]) == (None, None)
    assert "MB-VAN-07 (2026-03-02)" in " ".join(ranking["first"])
    returns = out.get("/v1/fleet/returns", params={"weeks": 1}).json()
    assert returns["vehicles"] == 0
    assert "MB-VAN-07 (2026-03-02)" in " ".join(returns["first"])
    queue = out.post("/v1/orders/queue", json={}).json()
    assert queue["entries"] == []
    (left,) = queue["left_out"]
    assert "It has not been read since 2026-03-02" in left["reason"]
    document = problem_in(out.post(f"{VAN}/orders", json={}), 409)
    assert "no reading of pack MB-VAN-07 since 2026-03-02" in document["detail"]
    assert 'data-says="back in a week">–<' in out.get("/fleet").text
    volts = [12.9] * 4 + [13.2] + [12.9] * 9
    reading = {"pack_id": "MB-VAN-07", "time": "2026-05-01T08:30:00Z", "state": "rest", "block_v": volts}
    assert out.post("/v1/readings", json=reading).status_code == 201
    (left,) = out.post("/v1/orders/queue", json={}).json()["left_out"]
    assert "no forecast of it is kept" in left["reason"], "it was read: a forecast is what it wants"
    assert out.post(f"{VAN}/forecasts", json={}).status_code == 201
    assert len(out.post("/v1/orders/queue", json={}).json()["entries"]) == 1

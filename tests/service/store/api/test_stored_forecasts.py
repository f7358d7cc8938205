"""Forecasts from the stored history: the same figures as when the history is sent along, kept as issued."""

from __future__ import annotations

from datetime import UTC, datetime

from service.store.schema import IssuedForecast
from tests.service.store.backends import ON_SQLITE

pytestmark = ON_SQLITE

ISSUE = "/v1/packs/MB-VAN-07/forecasts"


def store_history(api, case):
    history = case["history"]
    names = ("id", "family", "age_years", "odometer_km")
    api.post("/v1/packs", json={name: history["pack_id" if name == "id" else name] for name in names})
    for kind in ("readings", "topups", "usage", "outcomes"):
        for fact in history.get(kind, ()):
            response = api.post(f"/v1/{kind}", json={"pack_id": history["pack_id"], **fact})
            assert response.status_code == 201, response.text


def test_stored_and_sent_histories_give_the_same_forecast(api, van_case):
    store_history(api, van_case)
    assert api.get("/v1/packs/MB-VAN-07/history").status_code == 200
    sent = api.post("/v1/forecasts", json=van_case).json()
    response = api.post(ISSUE, json={"replacement_in_days": van_case["replacement_in_days"]})
    assert response.status_code == 201, response.text
    assert response.json()["answer"] == sent
    assert response.json()["inputs_digest"] == sent["inputs_digest"]
    history = api.get("/v1/packs/MB-VAN-07/history").json()
    assert api.post("/v1/forecasts", json={**van_case, "history": history}).json() == sent


def test_a_forecast_stays_as_it_was_issued(api, van_case, clock):
    store_history(api, van_case)
    issued = api.post(ISSUE, json={"usage": {"km_per_day": 8}})
    clock.forward(days=1)
    api.patch("/v1/topups/1", json={"charge_ah": 0.9})
    newer = api.post(ISSUE, json={"confidence": [0.8]})
    assert newer.json()["inputs_digest"] != issued.json()["inputs_digest"]
    kept = api.get(issued.headers["Location"]).json()
    assert any("that this forecast does not know" in said for said in kept.pop("first")) is False
    assert kept == {name: value for name, value in issued.json().items() if name != "first"}
    assert [g["confidence"] for g in newer.json()["answer"]["good_for"]] == [0.8, 0.9]
    assert newer.json()["good_for_days"] == (newer.json()["answer"]["good_for"][1]["days"] or 0.0)
    listed = api.get("/v1/issued-forecasts?pack_id=MB-VAN-07").json()["items"]
    assert [entry["id"] for entry in listed] == [issued.json()["id"], newer.json()["id"]]
    assert issued.json()["answer"]["lead"][0] in listed[0].pop("first"), "nobody read it after the charge"
    assert listed[0].items() <= issued.json().items()
    assert api.get("/v1/issued-forecasts?since=2026-03-15T00:00:00Z").json()["items"] == listed[1:]


def test_the_recheck_day_is_kept_with_a_forecast_over_rest(api, van_case, clock):
    """It was kept from a page's release sheet alone, so that the calendar lacked it for programs."""
    clock.now = datetime(2026, 3, 4, 9, 0, tzinfo=UTC)
    store_history(api, van_case)
    name = van_case["history"]["pack_id"]
    issued = api.post(f"/v1/packs/{name}/forecasts", json={}).json()
    plan = api.post(f"/v1/packs/{name}/recheck", json={"at": issued["origin"]}).json()
    assert issued["recheck_at"] == plan["recheck_at"]
    assert "recheck_at" in plan
    (listed,) = api.get("/v1/issued-forecasts", params={"pack_id": name}).json()["items"]
    assert listed["recheck_at"] == plan["recheck_at"]


def test_a_repeated_request_issues_one_forecast(api, van_case, store, clock):
    store_history(api, van_case)
    first, again = (api.post(ISSUE, json={}, headers={"Idempotency-Key": "k"}) for _ in range(2))
    assert first.content == again.content
    with store.reading() as session:
        assert session.query(IssuedForecast).count() == 1


def test_what_cannot_be_forecast_is_said(api, problem_in, filled):
    for asked in ({"at": "2026-03-14T00:00:00Z"}, {}):
        assert "The fault came back on 2026-03-" in problem_in(filled.post(ISSUE, json=asked), 422)["detail"]
    missing = problem_in(filled.post("/v1/packs/MB-VN-07/forecasts", json={}), 404)
    assert missing["detail"] == "There is no pack MB-VN-07. The nearest names are MB-VAN-07."
    filled.post("/v1/packs", json={"id": "MB-CAB-03", "family": "gravel-14"})
    assert (
        "no reading and no top-up" in problem_in(filled.post("/v1/packs/MB-CAB-03/forecasts", json={}), 409)["detail"]
    )
    problem_in(filled.get("/v1/packs/MB-CAB-03/history"), 409)
    problem_in(filled.get("/v1/issued-forecasts/1"), 404)


def test_a_stored_forecast_can_be_explained_as_one_that_is_sent(api, van_case):
    store_history(api, van_case)
    sent = api.post("/v1/forecasts", json={**van_case, "explain": True}).json()
    asked = {"explain": True, "replacement_in_days": van_case["replacement_in_days"]}
    issued = api.post(ISSUE, json=asked).json()
    assert issued["answer"] == sent
    assert issued["answer"]["explanation"]["contributions"]
    assert api.get(f"/v1/issued-forecasts/{issued['id']}").json()["asked"]["explain"]
    assert api.post(ISSUE, json={}).json()["answer"]["explanation"] is None

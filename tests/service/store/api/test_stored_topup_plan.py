"""A top-up plan of a stored pack: the same as when its history is sent along, for those who may."""

from __future__ import annotations

import pytest

from service.forecasting.topup_plan.examples import STORED
from service.records.subjects.readings import READINGS
from tests.service.store.backends import ON_SQLITE

pytestmark = ON_SQLITE

PLAN = "/v1/packs/MB-VAN-07/topup-plan"


def store_history(api, history):
    api.post("/v1/packs", json={"id": history["pack_id"], **{k: history[k] for k in ("family", "age_years")}})
    for kind in ("readings", "topups", "usage", "outcomes"):
        for fact in history.get(kind, ()):
            response = api.post(f"/v1/{kind}", json={"pack_id": history["pack_id"], **fact})
            assert response.status_code == 201, response.text


def test_who_may_ask(filled, keys, problem_in):
    problem_in(filled.post(PLAN, json={}), 401)
    problem_in(filled.post(PLAN, json={}, headers=keys["read-only"]), 403)
    of_the_reading = {"at": READINGS.example["time"]}
    for role in ("bench", "parts", "fleet", "admin"):
        assert filled.post(PLAN, json=of_the_reading, headers=keys[role]).status_code == 200
        came_back = problem_in(filled.post(PLAN, json={}, headers=keys[role]), 422)
        assert "before the fault came back" in came_back["detail"]


def test_stored_and_sent_histories_give_the_same_plan(api, van_case):
    store_history(api, van_case["history"])
    stored = api.post(PLAN, json={"ambient_c": 12})
    assert stored.status_code == 200, stored.text
    history = api.get("/v1/packs/MB-VAN-07/history").json()
    assert api.post("/v1/topup-plans", json={"history": history, "ambient_c": 12}).json() == stored.json()
    assert stored.json()["comparison"]["findings"]


@pytest.mark.parametrize("name", STORED)
def test_the_examples_work(api, van_case, name):
    store_history(api, van_case["history"])
    assert api.post(PLAN, json=STORED[name]["value"]).status_code == 200


def test_what_cannot_be_planned_is_said(api, problem_in):
    problem_in(api.post(PLAN, json={}), 404)
    api.post("/v1/packs", json={"id": "MB-VAN-07", "family": "gravel-14"})
    assert "no reading and no top-up yet" in problem_in(api.post(PLAN, json={}), 409)["detail"]

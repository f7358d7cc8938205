"""What if and recheck of a stored pack: the same as when its history is sent along, for those who may ask."""

from __future__ import annotations

import pytest

from service.forecasting.recheck.examples import STORED as RECHECK
from service.forecasting.what_if.examples import STORED as WHAT_IF
from tests.service.store.backends import ON_SQLITE

pytestmark = ON_SQLITE

PACK = "/v1/packs/MB-VAN-07"
EXAMPLES = [("what-if", name) for name in WHAT_IF] + [("recheck", name) for name in RECHECK]


@pytest.fixture
def stored(api, van_case):
    """The van of the worked example, fact by fact."""
    history = van_case["history"]
    api.post("/v1/packs", json={"id": history["pack_id"], **{k: history[k] for k in ("family", "age_years")}})
    for kind in ("readings", "topups", "usage", "outcomes"):
        for fact in history.get(kind, ()):
            response = api.post(f"/v1/{kind}", json={"pack_id": history["pack_id"], **fact})
            assert response.status_code == 201, response.text
    return api


@pytest.mark.parametrize("question", ["what-if", "recheck"])
def test_who_may_ask(filled, keys, problem_in, question):
    problem_in(filled.post(f"{PACK}/{question}", json={}), 401)
    before_it_came_back = {"at": filled.get(f"{PACK}/history", headers=keys["admin"]).json()["topups"][-1]["time"]}
    for role in ("bench", "parts", "fleet", "admin", "read-only"):
        asked = filled.post(f"{PACK}/{question}", json=before_it_came_back, headers=keys[role])
        assert asked.status_code == 200


@pytest.mark.parametrize(("question", "name"), EXAMPLES)
def test_stored_and_sent_histories_give_the_same_answer(stored, question, name):
    asked = {"what-if": WHAT_IF, "recheck": RECHECK}[question][name]["value"]
    history = stored.get(f"{PACK}/history").json()
    told = stored.post(f"{PACK}/{question}", json=asked)
    assert told.status_code == 200, told.text
    assert stored.post(f"/v1/{question}", json={"history": history, **asked}).json() == told.json()


@pytest.mark.parametrize("question", ["what-if", "recheck"])
def test_what_cannot_be_answered_is_said(api, problem_in, question):
    problem_in(api.post(f"{PACK}/{question}", json={}), 404)
    api.post("/v1/packs", json={"id": "MB-VAN-07", "family": "gravel-14"})
    assert "Record the top-up first" in problem_in(api.post(f"{PACK}/{question}", json={}), 409)["detail"]

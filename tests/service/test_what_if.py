"""What if and recheck over REST, command line and Python: one answer, its cautions with it."""

from __future__ import annotations

import json
from copy import copy
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest
from fastapi.testclient import TestClient

from models.base.threads import thread_limit
from models.interventions.plans import USUAL_PLANS, Plan
from models.packs.history import PackHistory
from service.app import create_app
from service.core.cautions import all_cautions
from service.forecasting.model.learning import store_trained
from service.forecasting.recheck.examples import sent_examples as recheck_examples
from service.forecasting.what_if.examples import sent_examples as what_if_examples
from service.forecasting.what_if.sentences import sentence_of
from tests.cases.packs import history_of_case
from tests.service.conftest import AT_THE_BENCH
from training.files.families import load_families
from training.registry import ModelRegistry

ROUTES = {"/v1/what-if": what_if_examples, "/v1/recheck": recheck_examples}


@pytest.fixture
def asked(van_case) -> dict:
    return {"history": van_case["history"]}


@pytest.mark.parametrize("route", ROUTES)
def test_every_example_of_the_openapi_document_works(client, route):
    schema = client.get("/openapi.json").json()
    examples = schema["paths"][route]["post"]["requestBody"]["content"]["application/json"]["examples"]
    assert set(examples) == set(ROUTES[route]())
    for example in examples.values():
        response = client.post(route, json=example["value"])
        assert response.status_code == 200, response.text
        assert response.json()["cautions"] == all_cautions("nimh")


@pytest.mark.parametrize("command", ["what-if", "recheck"])
def test_rest_and_command_line_agree_to_the_digit(client, tideover, asked, command):
    over_rest = client.post(f"/v1/{command}", json=asked).json()
    ran = tideover(command, "-", "--json", input=json.dumps(asked))
    assert ran.exit_code == 0, ran.stderr
    assert json.loads(ran.stdout) == over_rest
    printed = tideover(command, "-", input=json.dumps(asked)).stdout
    assert all(line in printed for line in (*over_rest["sentences"], *all_cautions("nimh")))


def test_python_agrees_to_the_digit(client, source, asked):
    history = PackHistory.model_validate(asked["history"])
    forecaster = source.current().model
    plans = client.post("/v1/what-if", json=asked).json()
    recheck = client.post("/v1/recheck", json={**asked, "risk": 0.3}).json()
    with thread_limit(1):
        what_if = forecaster.what_if(history, at=AT_THE_BENCH)
        plan = forecaster.recheck_plan(history, 0.3, AT_THE_BENCH)
    assert [p["survival"] for p in plans["plans"]] == [p.survival.tolist() for p in what_if.plans]
    assert [p["gained_days"] for p in plans["plans"]] == [p.gained_days for p in what_if.plans]
    assert recheck["day"] == plan.day
    assert [row["good_for_days"] for row in recheck["table"]] == [row.good_for_days for row in plan.table]


def test_the_present_plan_is_the_forecast_itself(client, asked):
    """Also where the case changes the planned use."""
    asked = {**asked, "at": asked["history"]["readings"][-1]["time"]}
    for usage in ({}, {"usage": {"km_per_day": 8}}):
        plans = client.post("/v1/what-if", json=asked | usage).json()["plans"]
        forecast = client.post("/v1/forecasts", json=asked | usage).json()
        assert plans[0]["survival"] == forecast["survival"]
        assert plans[0]["verdict"] == "as planned"
        assert plans[0]["mean_days"] == pytest.approx(forecast["restricted_mean_days"])


def test_usual_plans_are_compared_unless_others_are_named(client, asked):
    usual = client.post("/v1/what-if", json=asked).json()["plans"]
    assert [p["plan"]["name"] for p in usual[1:]] == [plan.name for plan in USUAL_PLANS]
    assert [p["opens_pack"] for p in usual[1:]] == [plan.touches_pack for plan in USUAL_PLANS]
    own = {**asked, "plans": [{"name": "by bus", "km_share": 0}]}
    assert [p["plan"]["name"] for p in client.post("/v1/what-if", json=own).json()["plans"]] == ["as planned", "by bus"]


def test_recheck_day_and_date_belong_together(client, asked):
    read = max(reading["time"] for reading in asked["history"]["readings"])
    told = client.post("/v1/recheck", json={**asked, "risk": 0.3, "at": read}).json()
    apart = datetime.fromisoformat(told["recheck_at"]) - datetime.fromisoformat(told["origin"])
    assert apart.days == told["day"]
    assert sum(row["share"] for row in told["table"]) == pytest.approx(1)
    assert {day["day"]: day["worth_days"] for day in told["candidates"]}[told["day"]] == told["worth_days"]


@pytest.mark.parametrize(
    ("plans", "said"),
    [
        ([], "at least 1"),
        ([{"name": "x"}, {"name": "x"}], "more than one plan 'x'"),
        ([{"name": "x", "swap_block": True, "replace_pack": True}], "Make a plan of each."),
        ([{"name": "x", "stored_ah": 1.0}], "Set topped_blocks to 1 or 2"),
        ([{"name": "x", "km_share": 9}], "This is more than 5."),
        ([{"name": f"x{i}"} for i in range(21)], "at most 20"),
    ],
)
def test_plans_that_are_none_are_said(client, problem_in, asked, plans, said):
    assert said in str(problem_in(client.post("/v1/what-if", json={**asked, "plans": plans}), 422))


@pytest.mark.parametrize("risk", [0, 0.001, 0.7, 1])
def test_a_risk_out_of_range_is_said(client, problem_in, asked, risk):
    assert problem_in(client.post("/v1/recheck", json={**asked, "risk": risk}), 422)["problems"][0]["where"] == "risk"


@pytest.mark.parametrize("route", ROUTES)
def test_a_family_without_simulated_packs_is_refused_in_words(client, problem_in, asked, route):
    known = {f["name"]: f for f in client.get("/v1/families").json()["families"]}
    mine = {**known[asked["history"]["family"]], "peak_current_a": 71.0}
    document = problem_in(client.post(route, json={**asked, "family": mine}), 409)
    assert "holds no simulated packs" in str(document)


@pytest.mark.parametrize("route", ROUTES)
def test_a_model_without_a_bank_is_refused_in_words(settings, tmp_path, small_trained, asked, problem_in, route):
    """As a model that was stored before there were banks."""
    older = copy(small_trained.forecaster)
    del older.bank
    older.model_id = "older"
    registry = ModelRegistry(tmp_path / "models")
    made = datetime(2026, 3, 2, tzinfo=UTC)
    store_trained(registry, replace(small_trained, forecaster=older), families=(), created=made)
    changed = settings.model_copy(update={"home": tmp_path})
    with TestClient(create_app(changed), base_url="http://127.0.0.1") as client:
        assert client.post("/v1/forecasts", json=asked).status_code == 200
        assert "Train again" in str(problem_in(client.post(route, json=asked), 409))


@pytest.mark.parametrize("command", ["topup-plan", "what-if", "recheck"])
def test_one_case_file_serves_every_question(tideover, van_case, command):
    plain = tideover(command, "-", "--json", input=json.dumps({"history": van_case["history"]}))
    asked = {**van_case, "replacement_in_days": 7, "explain": True}
    ran = tideover(command, "-", "--json", input=json.dumps(asked))
    assert ran.exit_code == 0, ran.stderr
    assert ran.stdout == plain.stdout
    assert "Not used here: replacement_in_days, explain." in ran.stderr
    typo = tideover(command, "-", "--json", input=json.dumps({**asked, "replacement_in_dais": 7}))
    assert typo.exit_code == 2
    assert "replacement_in_dais" in typo.stderr


def test_the_forecast_takes_the_case_file_of_the_others_too(tideover, van_case):
    plain = tideover("forecast", "-", "--json", input=json.dumps(van_case))
    ran = tideover("forecast", "-", "--json", input=json.dumps({**van_case, "risk": 0.2, "block": 3}))
    assert (ran.exit_code, ran.stdout) == (0, plain.stdout), ran.stderr
    assert "Not used here: risk, block." in ran.stderr


def test_where_heat_seems_to_help_the_reason_is_given(small_trained):
    history = PackHistory.model_validate(history_of_case({"family": "marl-28"}, load_families()))
    plans = [Plan("cooler", cooler_k=5.0), Plan("warmer", cooler_k=-5.0)]
    answer = small_trained.forecaster.what_if(history, plans, family=load_families()["marl-28"])
    for plan, seems in (("cooler", "shorter"), ("warmer", "longer")):
        told = answer.of(plan)
        assert "sink less under load" in sentence_of(replace(told, verdict=seems), answer)
        other = {"shorter": "longer", "longer": "shorter"}[seems]
        assert "sink less under load" not in sentence_of(replace(told, verdict=other), answer)


@pytest.mark.parametrize(("share", "told"), [(1.0, "99 of 100 still hold"), (0.996, "99 of 100"), (0.567, "56 of 100")])
def test_no_share_that_holds_is_rounded_up_or_told_as_certain(small_trained, share, told):
    """A replaced pack was told to hold in "100 of 100"."""
    history = PackHistory.model_validate(history_of_case({"family": "marl-28"}, load_families()))
    answer = small_trained.forecaster.what_if(
        history, [Plan("cooler", cooler_k=5.0)], family=load_families()["marl-28"]
    )
    plan = answer.of("cooler")
    flat = replace(plan, survival=np.full_like(plan.survival, share), verdict="as planned")
    assert told in sentence_of(flat, answer)

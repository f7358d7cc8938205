"""POST /v1/forecasts and `tideover forecast`: one answer, whichever way it is asked for."""

from __future__ import annotations

import copy
import json
from datetime import datetime, timedelta

import numpy as np
import pytest

from models.base.day_grid import DAYS
from models.base.threads import thread_limit
from models.packs.history import PackHistory, UsagePlan
from models.packs.tables import tables_from_histories
from service.core.cautions import all_cautions
from service.forecasting.forecasts.examples import request_examples
from service.forecasting.forecasts.schemas import EvidenceFlag, ForecastFigures
from service.forecasting.forecasts.sentences import sentences_of
from tests.cases.packs import history_of_case
from training.files.families import load_families
from training.files.tables import write_tables

POST = "/v1/forecasts"
COSTS = {"currency": "EUR", "stranding": 600, "day_off_road": 60, "capital_per_day": 0.5, "return_value": 900}
OFFER = {"supplier": "North Quay Stores", "currency": "EUR", "price": 1450, "usual_days": 3}
FAMILIES = load_families()
CASES = [
    {"name": f"{name} {sorted(more)}", "pack": {"family": name, **more}}
    for name in ("marl-28", "flint-40", "loess-28")
    for more in ({}, {"holds": [20, 9, 4]}, {"charge": {"blocks": [5, 6]}})
]


@pytest.fixture(scope="module")
def example_answer(client):
    case = request_examples()["waiting_for_a_pack"]["value"]
    response = client.post(POST, json=case)
    assert response.status_code == 200, response.text
    return response.json()


def test_answer_is_a_distribution_on_the_day_grid(example_answer):
    survival, low, high = (np.array(example_answer[name]) for name in ("survival", "band_low", "band_high"))
    assert example_answer["days"] == DAYS.tolist()
    assert survival[0] == 1
    assert np.all(np.diff(survival) <= 0)
    assert np.all((survival >= 0) & (low <= survival + 1e-12) & (survival <= high + 1e-12) & (high <= 1))
    days = [point["day"] for point in example_answer["return_days"] if point["day"] is not None]
    assert days == sorted(days)
    promised = [promise["days"] for promise in example_answer["good_for"]]
    assert promised == sorted(promised, reverse=True), "the surer, the shorter"
    assert 0 < example_answer["restricted_mean_days"] <= 90
    assert sum(example_answer["kinds"].values()) == pytest.approx(1)


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_no_day_is_told_past_the_curves_own_for_the_same_risk(client, tideover, case):
    history = history_of_case(case["pack"], FAMILIES)
    answer = client.post(POST, json={"history": history, "confidence": [0.75, 0.9]}).json()
    back = {point["returned"]: point["day"] for point in answer["return_days"]}
    if answer["withheld_by"]:
        assert ({promise["days"] for promise in answer["good_for"]}, back) == ({None}, {})
    for promise in [] if answer["withheld_by"] else answer["good_for"]:
        own = back[{0.75: 0.25, 0.9: 0.1}[promise["confidence"]]]
        assert promise["days"] <= (answer["horizon_days"] if own is None else own) + 1e-9
    asked = {"history": history, "at": answer["origin"]}  # without a moment it counts from now
    recheck = json.loads(tideover("recheck", "-", "--json", input=json.dumps(asked)).stdout)
    assert recheck["limit_day"] == pytest.approx(answer["good_for"][1]["days"]), "one risk, one day; none withheld"


def test_restricted_mean_lies_between_the_sums_of_the_curve(example_answer):
    """The area under a falling curve lies between its right and left Riemann sums."""
    survival, width = np.array(example_answer["survival"]), np.diff(DAYS)
    assert survival[1:] @ width <= example_answer["restricted_mean_days"] <= survival[:-1] @ width


def test_the_wait_for_the_replacement_is_read_off_the_curve(example_answer):
    wait = example_answer["until_replacement"]
    assert wait["days"] == 7
    on_grid = DAYS.tolist().index(7)
    assert 0 < wait["hold_probability"] <= example_answer["survival"][on_grid] + 1e-12
    assert wait["band_low"] <= wait["hold_probability"] <= wait["band_high"]


@pytest.mark.parametrize("later", [0, 6, 12])
def test_the_wait_for_the_replacement_is_the_chance_of_a_release_and_agrees_with_the_days_promised(client, later):
    """Asked days after the last reading, 90 in 100 stood beside not even one day."""
    history = history_of_case({"family": "gravel-14"}, FAMILIES)
    newest = max(datetime.fromisoformat(reading["time"]) for reading in history["readings"])
    case = {"history": history, "at": (newest + timedelta(days=later)).isoformat()}
    for days in (1, 2, 4, 8, 16):
        told = client.post("/v1/forecasts", json={**case, "replacement_in_days": days}).json()
        wait = told["until_replacement"]
        release = client.post("/v1/release", json={"case": case, "in_days": days}).json()
        (promise,) = [one["days"] for one in told["good_for"] if one["confidence"] == 0.9]
        assert (release["get_there"] is None) == (promise < 1), "no chance beside that it must not go"
        assert release["get_there"] in (None, pytest.approx(wait["hold_probability"], abs=1e-9))
        assert (wait["hold_probability"] >= 0.9) == (promise >= days), (promise, wait)


def test_cautions_and_identity_come_with_every_answer(example_answer, client):
    assert example_answer["cautions"] == all_cautions("nimh")
    assert example_answer["model_id"] == client.get("/v1/model").json()["model_id"]
    assert len(example_answer["inputs_digest"]) == 64


def test_beyond_the_horizon_is_said_and_nothing_is_infinite(client, van_case):
    response = client.post(POST, json=van_case)
    for point in response.json()["return_days"]:
        assert point["beyond_horizon"] == (point["day"] is None)
    for word in ("Infinity", "NaN", "inf"):
        assert word not in response.text


@pytest.mark.parametrize("name", request_examples())
def test_every_example_of_the_openapi_document_works(client, name):
    schema = client.get("/openapi.json").json()
    examples = schema["paths"][POST]["post"]["requestBody"]["content"]["application/json"]["examples"]
    assert set(examples) == set(request_examples())
    response = client.post(POST, json=examples[name]["value"])
    assert response.status_code == 200, response.text


def test_rest_command_line_and_python_agree_to_the_digit(client, tideover, source, van_case, tmp_path):
    over_rest = client.post(POST, json=van_case).json()
    path = tmp_path / "case.json"
    path.write_text(json.dumps(van_case))
    ran = tideover("forecast", str(path), "--json")
    assert ran.exit_code == 0, ran.stderr
    assert json.loads(ran.stdout) == over_rest
    assert json.loads(tideover("forecast", "-", "--json", input=json.dumps(van_case)).stdout) == over_rest
    with thread_limit(1):
        forecast = source.current().model.forecast(PackHistory.model_validate(van_case["history"]))
    assert forecast.survival.tolist() == over_rest["survival"]
    assert forecast.good_for(0.9) == over_rest["good_for"][1]["days"]
    assert forecast.quantile(0.5) == over_rest["return_days"][2]["day"]
    assert forecast.restricted_mean() == over_rest["restricted_mean_days"]
    assert forecast.inputs_digest == over_rest["inputs_digest"]


def test_the_case_that_comes_along_is_the_worked_example(tideover, repository, van_case):
    path = repository / "data" / "synthetic" / "case.json"
    assert json.loads(path.read_text()) == van_case
    assert tideover("forecast", path).exit_code == 0


def test_a_slip_in_a_packs_name_is_answered_with_names_like_it(tideover, repository):
    ran = tideover("forecast", "--data", repository / "data" / "synthetic", "--pack", "MB-VN-15")
    assert ran.exit_code == 2
    assert "Did you mean MB-VAN-15" in ran.stderr


def test_explanation_is_given_on_request_and_is_the_same_everywhere(client, tideover, source, van_case, tmp_path):
    plain = client.post(POST, json=van_case).json()
    assert plain["explanation"] is None
    over_rest = client.post(POST, json=van_case | {"explain": True}).json()
    told = over_rest.pop("explanation")
    assert over_rest == {name: value for name, value in plain.items() if name != "explanation"}
    total = told["reference_days"] + sum(part["days"] for part in told["contributions"])
    assert total == pytest.approx(over_rest["restricted_mean_days"], abs=1e-9)
    sizes = [abs(part["days"]) for part in told["contributions"]]
    assert sizes == sorted(sizes, reverse=True)
    known = [part for part in told["contributions"] if part["known"]]
    # The first tells of a pack of which nothing is known, the last of a reading off by a tenth of a volt.
    assert len(told["sentences"]) == 2 + len(known)
    assert len(told["to_measure"]) == len(told["contributions"]) - len(known)
    worth = [part["worth_days"] for part in told["contributions"] if not part["known"]]
    assert all(days > 0 for days in worth)
    assert all(part["worth_days"] is None for part in known)
    assert "while holding" not in [part["evidence"] for part in known]
    assert len(told["similar"]) == 5
    assert all(pack["invented"] and "invented" in pack["sentence"] for pack in told["similar"])
    path = tmp_path / "case.json"
    path.write_text(json.dumps(van_case))
    ran = tideover("forecast", path, "--explain", "--json")
    assert ran.exit_code == 0, ran.stderr
    assert json.loads(ran.stdout)["explanation"] == told
    with thread_limit(1):
        here = source.current().model.explain(PackHistory.model_validate(van_case["history"]))
    assert {c.evidence: c.days for c in here.contributions} == {c["evidence"]: c["days"] for c in told["contributions"]}
    assert [pack.pack_id for pack in here.similar] == [pack["pack_id"] for pack in told["similar"]]


def test_printed_explanation_says_it_all_and_a_plain_answer_none_of_it(client, tideover, van_case, tmp_path):
    told = client.post(POST, json=van_case | {"explain": True}).json()["explanation"]
    path = tmp_path / "case.json"
    path.write_text(json.dumps(van_case))
    lines = tideover("forecast", path, "--explain").stdout.splitlines()
    plain = tideover("forecast", path).stdout.splitlines()
    said = [*told["sentences"], *told["to_measure"], *(pack["sentence"] for pack in told["similar"])]
    assert len(said) >= 12
    for sentence in said:
        assert f"- {sentence}" in lines
        assert f"- {sentence}" not in plain
    assert lines.index("Cautions") < lines.index("What moves it") < lines.index("Past packs most like it")
    cautions = lines.index("Cautions") + 1
    assert lines[cautions : cautions + 2] == [f"- {caution}" for caution in all_cautions("nimh")[:2]]


def test_folder_of_tables_gives_the_same_answer_as_the_case_file(client, tideover, van_case, tmp_path):
    history = PackHistory.model_validate(van_case["history"])
    other = history.model_copy(update={"pack_id": "MB-CAB-03", "readings": history.readings[:1]})
    for suffix in ("csv", "parquet"):
        folder = tmp_path / suffix
        write_tables(tables_from_histories([other, history], load_families()), folder, suffix=suffix)
        ran = tideover("forecast", "--data", folder, "--pack", history.pack_id, "--replacement-in-days", "7", "--json")
        assert ran.exit_code == 0, ran.stderr
        assert json.loads(ran.stdout) == client.post(POST, json=van_case).json()


def test_options_take_the_place_of_fields(client, tideover, van_case, tmp_path):
    path = tmp_path / "case.json"
    path.write_text(json.dumps(van_case))
    at = "2026-03-05T10:00:00+00:00"
    ran = tideover(
        *("forecast", path, "--km-per-day", "5", "--ambient-c", "-4", "--at", at),
        *("--replacement-in-days", "3", "--confidence", "0.9", "--json"),
    )
    assert ran.exit_code == 0, ran.stderr
    changed = van_case | {
        "usage": {"km_per_day": 5, "ambient_c": -4},
        "at": at,
        "replacement_in_days": 3,
        "confidence": [0.9],
    }
    assert json.loads(ran.stdout) == client.post(POST, json=changed).json()


def test_inline_family_forecasts_like_the_shipped_one_it_copies(client, van_case):
    shipped = load_families()[van_case["history"]["family"]]
    copied = shipped.model_dump(mode="json") | {"name": "bay-own"}
    case = copy.deepcopy(van_case) | {"family": copied}
    case["history"]["family"] = "bay-own"
    response = client.post(POST, json=case)
    assert response.status_code == 200, response.text
    assert response.json()["survival"] == client.post(POST, json=van_case).json()["survival"]


def test_a_later_moment_counts_its_days_from_there(client, van_case):
    later = client.post(POST, json=van_case | {"at": "2026-03-07T12:50:00+02:00"}).json()
    assert later["origin"].startswith("2026-03-07T")
    assert later["days_held"] == pytest.approx(4 + 22 / 24, abs=1e-6)


def test_printed_answer_reads_sentences_first_and_cautions_always(tideover, van_case, example_answer, tmp_path):
    path = tmp_path / "case.json"
    path.write_text(json.dumps(van_case))
    ran = tideover("forecast", path)
    assert ran.exit_code == 0, ran.stderr
    lines = ran.stdout.splitlines()
    assert lines[0].startswith("Pack MB-VAN-07 (gravel-14), from 2026-03-03 06:10")
    count = len(example_answer["sentences"])
    assert lines[2:5] == example_answer["lead"]
    assert lines[6 : 6 + count] == example_answer["sentences"]
    for caution in all_cautions("nimh"):
        assert f"- {caution}" in lines
    (week,) = [line for line in lines if line.startswith("  7   ")]
    assert f"{example_answer['survival'][example_answer['days'].index(7.0)]:4.0%}" in week
    assert example_answer["model_id"] in lines[-1]


@pytest.mark.parametrize(
    ("arguments", "where", "what"),
    [
        (["forecast"], "forecast", "not clear which pack is meant"),
        (["forecast", "nowhere.json"], "nowhere.json", "cannot be read: No such file"),
        (["forecast", "--data", "nowhere", "--pack", "x"], "nowhere", "holds no packs.csv"),
    ],
)
def test_bad_command_line_is_told_with_status_2(tideover, arguments, where, what):
    ran = tideover(*arguments)
    assert ran.exit_code == 2
    assert ran.stderr.startswith(f"where: {where}\nwhat:  ")
    assert what in ran.stderr


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"{", "This is not JSON"),
        (b"[]", "no JSON object"),
        (b"{\xff}", "not UTF-8"),
        (b'{"replacement_in_days": 7, "history": {}, "replacement_in_days": 60}', "stands twice in one object"),
    ],
)
def test_unreadable_case_file_is_told_with_status_2(tideover, tmp_path, content, what):
    path = tmp_path / "case.json"
    path.write_bytes(content)
    ran = tideover("forecast", path)
    assert ran.exit_code == 2
    assert what in ran.stderr
    assert "case.json" in ran.stderr.splitlines()[0]
    assert "Traceback" not in ran.stderr


def test_pack_that_is_not_in_the_tables_is_told(tideover, van_case, tmp_path):
    history = PackHistory.model_validate(van_case["history"])
    write_tables(tables_from_histories([history], load_families()), tmp_path)
    ran = tideover("forecast", "--data", tmp_path, "--pack", "MB-VAN-99")
    assert ran.exit_code == 2
    assert "There is no pack 'MB-VAN-99'" in ran.stderr
    assert "MB-VAN-07" in ran.stderr


def test_a_value_far_beyond_anything_seen_is_flagged_and_read_as_unknown(client, van_case):
    case = copy.deepcopy(van_case)
    case["history"]["odometer_km"] = 5e6
    flags = client.post(POST, json=case).json()["flags"]
    assert any(flag["code"] == "out-of-range" and "odometer" in flag["text"] for flag in flags)


@pytest.mark.parametrize(
    ("change", "where", "what"),
    [
        ({"at": "2001-01-01T00:00:00Z"}, "at", "before every reading and top-up"),
        ({"at": "2026-03-02T08:20:00Z"}, "history.topups", "no top-up is recorded"),
    ],
)
def test_moment_at_which_nothing_holds_is_refused(client, problem_in, van_case, change, where, what):
    part = problem_in(client.post(POST, json=van_case | change), 422)["problems"][0]
    assert part["where"] == where
    assert what in part["what"]


def test_pack_that_came_back_is_not_forecast_and_nothing_is_decided_on_it(client, tideover, problem_in, van_case):
    case = copy.deepcopy(van_case)
    case["history"]["outcomes"] = [{"time": "2026-03-09T10:00:00Z", "kind": "returned", "code": "P0A80"}]
    for moment in ({"at": "2026-03-10T10:00:00Z"}, {}):
        part = problem_in(client.post(POST, json=case | moment), 422)["problems"][0]
        assert part["where"] == "history.outcomes[0]"
        assert part["what"].startswith("The fault came back on 2026-03-09")
    ran = tideover("forecast", "-", input=json.dumps(case))
    assert ran.exit_code == 2
    assert "The fault came back on 2026-03-09" in " ".join(ran.stderr.split())
    before = client.post(POST, json=case | {"at": "2026-03-05T10:00:00Z"}).json()
    assert before["flags"][0]["code"] == "ended-since"
    case["at"] = "2026-03-05T10:00:00Z"
    case.pop("replacement_in_days", None)
    for route, asked in (
        ("/v1/release", {"case": case, "in_days": 7}),
        ("/v1/orders", {"case": case, "costs": COSTS, "offers": [OFFER]}),
    ):
        part = problem_in(client.post(route, json=asked), 422)["problems"][0]
        assert part["what"].startswith("The fault came back on 2026-03-09")


def test_usage_plan_is_a_what_if(client, van_case):
    """More driving, all else equal, must not change the evidence digest silently: the inputs differ, so does it."""
    plain = client.post(POST, json=van_case).json()
    parked = client.post(POST, json=van_case | {"usage": UsagePlan(km_per_day=0).model_dump(mode="json")}).json()
    assert plain["inputs_digest"] != parked["inputs_digest"]
    assert plain["survival"] != parked["survival"]


def test_no_day_is_said_beside_a_grave_warning(example_answer):
    """The sentences said "nine in ten such packs hold at least 1 day" after not to go by the figures."""
    figures = ForecastFigures.model_validate({n: example_answer[n] for n in ForecastFigures.model_fields})
    flag = EvidenceFlag(code="hot-pack", text="It is hot.", grave=True)
    plain, warned = sentences_of(figures), sentences_of(figures.model_copy(update={"flags": [flag]}))
    assert any("such packs hold" in said for said in plain)
    assert warned[0].startswith("Do not go by these figures")
    assert not any("such packs hold" in said or "are back by" in said for said in warned)

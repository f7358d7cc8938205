"""What people were told, scored over the store: the same from Python, REST and the command line."""

from __future__ import annotations

import json
import shutil
from datetime import timedelta

import pytest

from service.exchange.imports.loading import import_files
from service.forecasting.track_record.inputs import drift_of
from service.forecasting.track_record.reading import live_record
from service.records.versions import Writer
from service.store.schema import IssuedForecast, Outcome, TopUp
from tests.service.invented_told import tell
from training.files.families import load_families
from training.files.tables import write_tables
from training.simulation.cohort import CohortPlan, simulate_cohort

FAMILIES = load_families(None)


@pytest.fixture
def told_store(store, clock):
    """Two hundred forecasts of one curve, issued over eight months, all ended; a third were replaced. Invented."""
    tell(store, 200, clock.now - timedelta(days=60))
    return store


def without_moment(record):
    """The command line reads the clock of the machine; every forecast has ended, so that only `until` tells."""
    return {**record, "told": {**record["told"], "until": ""}}


def test_python_rest_and_command_line_tell_the_same(api, told_store, clock, home, tmp_path, tideover, database):
    with told_store.reading() as session:
        python = live_record(session, clock()).model_dump(mode="json")
    rest = api.get("/v1/live-record")
    assert rest.status_code == 200, rest.text
    assert rest.json() == python
    calibration = api.get("/v1/calibration").json()
    assert calibration["told"] == python["told"]
    page = api.get("/v1/calibration.html").text
    for sentence in python["sentences"]:
        assert sentence in page
    shutil.copytree(home / "models", tmp_path / "models")
    env = {"TIDEOVER_HOME": str(tmp_path)} | ({"TIDEOVER_DATABASE": database} if database else {})
    ran = tideover("live-record", "--json", env=env)
    assert ran.exit_code == 0, ran.stderr
    assert without_moment(json.loads(ran.stdout)) == without_moment(python)
    shown = tideover("live-record", env=env).stdout
    assert python["alarm"]["sentence"] in shown
    assert "all months" in shown
    report = json.loads(tideover("report", "--from-store", "--json", env=env).stdout)
    assert without_moment(report) == without_moment(calibration)


def test_counts_and_verdicts_are_those_of_the_record(api, told_store):
    told = api.get("/v1/live-record").json()
    whole, months = told["told"]["whole"], told["told"]["months"]
    assert (whole["forecasts"], whole["settled"]) == (200, 200)
    assert sum(month["forecasts"] for month in months) == 200
    assert 8 <= len(months) <= 9
    assert whole["verdict"] == "agrees"
    assert {month["verdict"] for month in months} <= {"agrees", "more returned", "fewer returned", "too few"}
    alarm = told["alarm"]
    with told_store.reading() as session:
        assert alarm["returns"] == session.query(Outcome).filter_by(kind="returned").count()
    assert alarm["false_alarms_a_year"] == 0.05
    assert alarm["alarm_at"] == pytest.approx(20)
    assert not alarm["raised"]
    assert "at most 5 of 100 years" in alarm["sentence"]


def test_an_outcome_taken_back_makes_its_forecast_open_again(api, told_store, clock):
    """And one of another day grid is not scored on this one."""
    with told_store.writing() as session:
        odd = session.get(IssuedForecast, 1)
        odd.answer = {**odd.answer, "grid_version": "0", "survival": [1.0]}
    assert api.get("/v1/live-record").json()["told"]["whole"]["forecasts"] == 199
    clock.forward(days=-120)
    before = api.get("/v1/live-record").json()["told"]["whole"]
    with told_store.reading() as session:
        ended = session.query(Outcome).filter(Outcome.time < clock.now).order_by(Outcome.time.desc()).first()
    assert clock.now - ended.time < timedelta(days=60)
    assert api.delete(f"/v1/outcomes/{ended.id}?reason=a+slip").status_code == 204
    assert api.get("/v1/live-record").json()["told"]["whole"]["settled"] == before["settled"] - 1


def test_an_empty_store_says_what_will_count(api):
    found = api.get("/v1/live-record").json()
    assert found["told"] is None
    assert "No forecast has been stored yet" in found["sentences"][0]
    assert api.get("/v1/calibration").json()["told"] is None


@pytest.fixture(scope="module")
def hot_folder(tmp_path_factory):
    """A hotter place. Invented."""
    folder = tmp_path_factory.mktemp("hot")
    write_tables(simulate_cohort(CohortPlan(80, 31, places=("reed-delta",), years=1)).tables, folder)
    return folder


def test_a_hotter_place_shows_as_drift_the_same_everywhere(
    api, store, clock, hot_folder, source, tideover, home, tmp_path, database
):
    few = api.get("/v1/drift").json()
    assert few["features"] == []
    assert "30 are needed" in few["sentences"][0]
    assert import_files(store, hot_folder, FAMILIES, Writer("test", clock())).stored
    with store.reading() as session:
        clock.now = max(time for (time,) in session.query(TopUp.time)) + timedelta(days=1)
        model = source.current().model
        python = drift_of(session, model, FAMILIES, clock(), threads=1).model_dump(mode="json")
    rest = api.get("/v1/drift").json()
    assert rest == python
    drifted = {feature["feature"]: feature for feature in rest["features"] if feature["drifted"]}
    assert drifted["ambient_c"]["median_now"] > drifted["ambient_c"]["median_then"] + 5
    assert rest["packs_then"] == len(model.past.values)
    assert 30 <= rest["packs_now"] <= 80
    assert any("in training and is" in sentence for sentence in rest["sentences"])
    shutil.copytree(home / "models", tmp_path / "models")
    env = {"TIDEOVER_HOME": str(tmp_path)} | ({"TIDEOVER_DATABASE": database} if database else {})
    # By the clock of the machine nothing in this record is recent.
    later = json.loads(tideover("drift", "--json", env=env).stdout)
    assert (later["model_id"], later["packs_now"]) == (rest["model_id"], 0)
    assert later["sentences"][0] in tideover("drift", env=env).stdout


def test_drift_is_blind_to_what_comes_later(api, store, clock, hot_folder, source):
    import_files(store, hot_folder, FAMILIES, Writer("test", clock()))
    with store.reading() as session:
        times = sorted(time for (time,) in session.query(Outcome.time))
        at = times[len(times) // 2]
        before = drift_of(session, source.current().model, FAMILIES, at, threads=1)
    with store.writing() as session:
        session.query(Outcome).filter(Outcome.time > at).delete()
    with store.reading() as session:
        assert drift_of(session, source.current().model, FAMILIES, at, threads=1) == before

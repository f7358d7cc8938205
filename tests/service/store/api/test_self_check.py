"""The nightly self-check: frozen cases, alarm and drift, told by job, command, metrics and doctor."""

from __future__ import annotations

import copy
import json
import shutil

import pytest
from prometheus_client.parser import text_string_to_metric_families

from service.core.logs import make_log
from service.forecasting.track_record.self_check import SAME, frozen_forecasts, largest_difference
from service.jobs.worker import Worker
from service.operation.doctor import examine
from service.store.schema import Job
from tests.service.store.backends import ON_SQLITE
from training.files.families import load_families

CHECK = "/v1/jobs/self-checks"
FAMILIES = load_families(None)


@pytest.fixture
def check(api, store, clock, settings):
    """Have the service checked by a worker, and return what came of it."""

    def run():
        started = api.post(CHECK, json={})
        assert started.status_code == 202
        Worker(store, settings, FAMILIES, clock, make_log("error")).run(once=True)
        return api.get(started.headers["Location"]).json()

    return run


def gauges(api):
    return {
        sample.name: sample.value
        for family in text_string_to_metric_families(api.get("/metrics").text)
        for sample in family.samples
        if not sample.labels
    }


def spoil(store, change):
    """Change what the first check kept, as if the service had told something else then."""
    with store.writing() as session:
        job = session.query(Job).filter(Job.kind == "self-check").order_by(Job.id).first()
        result = copy.deepcopy(job.result)
        change(result)
        job.result = result


def test_the_first_check_keeps_what_later_ones_are_compared_with(api, check, clock):
    first = check()["result"]
    assert first["sound"]
    assert first["difference"] is None
    assert len(first["cases"]) == 4
    clock.forward(days=1)
    again = check()["result"]
    assert again["sound"]
    assert again["difference"] <= SAME
    assert "Every case kept for comparison (4) is forecast as it was at first." in again["sentences"]
    told = gauges(api)
    assert told["tideover_self_check_sound"] == 1
    assert told["tideover_self_check_timestamp_seconds"] == clock.now.timestamp()
    assert told["tideover_live_record_alarm"] == 0
    assert told["tideover_model_made_timestamp_seconds"] > 1.7e9


@pytest.mark.parametrize(
    "change",
    [
        lambda told: told["cases"]["driven_less"]["survival"].__setitem__(5, 0.5),
        lambda told: told["cases"]["driven_less"]["good_for"].__setitem__(0, 89.0),
        lambda told: told["cases"].__setitem__("gone", told["cases"]["driven_less"]),
    ],
    ids=["a probability", "a promise", "a case that is told no more"],
)
def test_a_forecast_that_comes_out_otherwise_is_an_alarm(api, check, store, change):
    check()
    spoil(store, change)
    found = check()["result"]
    assert not found["sound"]
    assert found["difference"] > SAME
    assert found["sentences"][0].startswith("ALARM: the case ")
    assert gauges(api)["tideover_self_check_sound"] == 0


def test_another_model_is_not_compared_with_the_one_before(check, store):
    check()
    spoil(store, lambda told: told.__setitem__("payload_sha256", "0" * 64))
    assert check()["result"]["difference"] is None


def test_a_case_of_which_the_program_asks_something_else_now_is_passed_over(source):
    told = frozen_forecasts(source.current(), FAMILIES, threads=1)
    other = copy.deepcopy(told)
    other["driven_less"] |= {"inputs_digest": "another", "survival": [1.0]}
    assert largest_difference(told, other) == (0.0, "")


def test_open_cases_and_the_queue_are_told(filled):
    assert gauges(filled)["tideover_open_cases"] == 0
    filled.delete("/v1/outcomes/1?reason=a+slip")
    filled.post("/v1/packs/MB-VAN-07/forecasts", json={})
    filled.post("/v1/jobs/scoring", json={})
    filled.app.state.clock.forward(minutes=5)
    told = gauges(filled)
    assert (told["tideover_open_cases"], told["tideover_job_waiting_seconds"]) == (1, 300)


@ON_SQLITE
def test_the_command_keeps_its_check_and_ends_with_1_on_a_change(tideover, home, tmp_path, store, settings, clock):
    shutil.copytree(home / "models", tmp_path / "models")
    own = {"env": {"TIDEOVER_HOME": str(tmp_path)}}
    first = tideover("self-check", "--json", **own)
    assert first.exit_code == 0, first.stderr
    assert json.loads(first.stdout)["sound"]
    assert "is forecast as it was at first" in tideover("self-check", **own).stdout
    spoil(store, lambda told: told["cases"]["driven_less"]["survival"].__setitem__(5, 0.5))
    failed = tideover("self-check", **own)
    assert failed.exit_code == 1
    assert "ALARM" in failed.stdout
    findings = [f for f in examine(settings.model_copy(update={"home": tmp_path}), clock.now) if "ALARM" in f.what]
    assert [finding.verdict for finding in findings] == ["bad"]

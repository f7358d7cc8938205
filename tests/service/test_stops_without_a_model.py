"""A fact that ends the job needs no model: it is told where none was ever trained."""

from __future__ import annotations

import json

import pytest
from fastapi.testclient import TestClient

from service.app import create_app
from tests.cases.packs import history_of_case
from tests.service.conftest import AT_THE_BENCH, LOCAL
from tests.service.test_stops import EVERY_DOOR, ROUTES, asked_at
from training.files.families import load_families

FAMILIES = load_families()


@pytest.fixture
def bare(settings, tmp_path):
    """A service in whose home no model lies."""
    with TestClient(
        create_app(settings.model_copy(update={"home": tmp_path}), clock=lambda: AT_THE_BENCH), base_url=LOCAL
    ) as client:
        yield client


@pytest.mark.parametrize("door", EVERY_DOOR)
def test_each_door_tells_a_stop_without_a_model(bare, problem_in, tideover, tmp_path, door):
    history = history_of_case({"family": "gravel-14", "charge": {"charge_ah": 6.0, "duration_h": 11.0}}, FAMILIES)
    document = problem_in(bare.post(ROUTES[door], json=asked_at(door, history)), 409)
    assert [stop["code"] for stop in document["stops"]] == ["overfilled"]
    command = (door, "--case", "-") if door in ("release", "orders") else (door, "-")
    sent = json.dumps(asked_at(door, history))
    ran = tideover(*command, input=sent, env={"TIDEOVER_HOME": str(tmp_path)})
    assert ran.exit_code == 3, ran.output
    assert ran.stdout.startswith("STOP: ")


def test_without_a_stop_it_still_says_that_there_is_no_model(bare, problem_in):
    history = history_of_case({"family": "gravel-14"}, FAMILIES)
    document = problem_in(bare.post("/v1/forecasts", json={"history": history}), 409)
    assert document["type"] == "urn:tideover:problem:model-refused"

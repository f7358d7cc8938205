"""Advice that holds: figures move the way physics has it; the cases are files, the tolerances their reasons."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import pytest

from tests.cases.packs import history_of_case
from training.files.families import load_families

FAMILIES = load_families()
CASES = [json.loads(line) for line in Path("tests/cases/bench/directions.jsonl").read_text().splitlines()]
SLACK = {"missing": 0.01, "mean days": 0.3}
"""By how much a figure may go the other way: a thousandth of rounding in the readings, and the estimate's own grain."""


def figure_of(client, case, pack) -> float:
    history = history_of_case(pack, FAMILIES)
    route = "/v1/topup-plans" if case["figure"] == "missing" else "/v1/forecasts"
    asked = {"history": history} | ({"block": 5} if case["figure"] == "missing" else {})
    response = client.post(route, json=asked)
    assert response.status_code == 200, response.text
    answer = response.json()
    return answer["missing"]["missing_ah"]["best"] if case["figure"] == "missing" else answer["restricted_mean_days"]


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_each_case_moves_as_its_file_says(client, case):
    ((name, values),) = case["vary"].items()
    figures = [figure_of(client, case, {**case["pack"], name: value}) for value in values]
    slack = SLACK[case["figure"]]
    sign = 1 if case["direction"] == "not less" else -1
    steps = [sign * (later - sooner) for sooner, later in pairwise(figures)]
    assert min(steps) >= -slack, figures
    assert sign * (figures[-1] - figures[0]) >= -slack

"""Advice that holds: figures move the way physics has it. The cases are files."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from models.base.day_grid import day_of_return
from tests.cases.packs import history_of_case
from training.files.families import load_families

FAMILIES = load_families()
CASES = [json.loads(line) for line in Path("tests/cases/bench/directions.jsonl").read_text().splitlines()]
SLACK = {"missing": 0.01, "mean days": 0.3, "promised days": 0.1, "days after each step": 0.3}
"""By how much a figure may go the other way, Ah and days: the grain of the estimate. Promised days are a sum over all
confidences; of a charge beyond what was missing the lower of two curves is told, so never more than if less went in."""


def figures_of(client, figure: str, pack: dict) -> list[float]:
    history = history_of_case(pack, FAMILIES)
    if figure in ("mean days", "promised days"):
        response = client.post("/v1/forecasts", json={"history": history})
    else:
        response = client.post("/v1/topup-plans", json={"history": history, "block": 5})
    assert response.status_code == 200, response.text
    answer = response.json()
    if figure == "days after each step":
        return [step["mean_days"] for step in answer["steps"]]
    # Of the curve, which moves whether or not a flag withholds its days.
    if figure == "promised days":
        survival, told = np.array(answer["survival"]), answer["told_levels"]
        days = [day_of_return(survival, told[round(100 * (1 - one["confidence"]))]) for one in answer["good_for"]]
        return [sum(answer["horizon_days"] if day is None else day for day in days)]
    if figure == "mean days":
        return [float(np.trapezoid(answer["survival"], answer["days"]))]
    return [answer["missing"]["missing_ah"]["best"]]


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_each_case_moves_as_its_file_says(client, case):
    ((name, values),) = case["vary"].items()
    packs = [{**case["pack"], name: value} for value in values]
    figures = [figure for pack in packs for figure in figures_of(client, case["figure"], pack)]
    assert len(figures) > 1
    sign = 1 if case["direction"] == "not less" else -1
    steps = [sign * (later - sooner) for sooner, later in pairwise(figures)]
    assert min(steps) >= -SLACK[case["figure"]], figures

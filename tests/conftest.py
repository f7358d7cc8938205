"""What tests of several packages share: one small cohort and one forecaster really trained on it, made once."""

from __future__ import annotations

import fcntl
from collections.abc import Callable
from pathlib import Path
from typing import Any

import joblib
import pytest

from training.files.families import load_families
from training.learning.fitting import FitSettings, Trained, train_forecaster
from training.simulation.bank import simulate_bank
from training.simulation.cohort import Cohort, CohortPlan, simulate_cohort

SMALL = FitSettings(members=2, rounds=60, epochs=12, workers=1, seed=0)
"""Enough to behave like a model in every respect but accuracy; a few seconds on one core."""


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory, worker_id: str) -> Callable[[str, Callable[[], Any]], Any]:
    """Make something costly in the first process of a run that asks for it; the others wait, and load the same."""
    own = tmp_path_factory.getbasetemp()
    folder = own if worker_id == "master" else own.parent

    def get(name: str, make: Callable[[], Any]) -> Any:
        path = folder / f"{name}.joblib"
        with path.with_suffix(".lock").open("w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not path.exists():
                joblib.dump(make(), path)
        return joblib.load(path)

    return get


@pytest.fixture(scope="session")
def small_cohort(made_once) -> Cohort:
    """A thousand simulated packs of the usual mix; invented."""
    return made_once("small-cohort", lambda: simulate_cohort(CohortPlan(packs=1000, seed=11)))


@pytest.fixture(scope="session")
def small_trained(made_once, small_cohort: Cohort) -> Trained:
    """A forecaster trained on `small_cohort`, with its report. Shared: tests must not change it."""
    return made_once(
        "small-trained",
        lambda: train_forecaster(
            small_cohort.tables,
            truth=small_cohort.truth,
            bank=simulate_bank(load_families(), seed=0, packs_per_family=60),
            settings=SMALL,
            made_at="2026-03-02T08:30+00:00",
        ),
    )


@pytest.fixture(scope="session")
def repository() -> Path:
    """The checkout."""
    return Path(__file__).parents[1]

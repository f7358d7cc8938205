"""What tests of several packages share: one small cohort and one forecaster really trained on it, made once."""

from __future__ import annotations

from pathlib import Path

import pytest

from training.bank import simulate_bank
from training.cohort import Cohort, CohortPlan, simulate_cohort
from training.families import load_families
from training.fitting import FitSettings, Trained, train_forecaster

SMALL = FitSettings(members=2, rounds=60, passes=12, workers=1, seed=0)
"""Enough to behave like a model in every respect but accuracy; a few seconds on one core."""


@pytest.fixture(scope="session")
def small_cohort() -> Cohort:
    """A thousand simulated packs of the usual mix; invented."""
    return simulate_cohort(CohortPlan(packs=1000, seed=11))


@pytest.fixture(scope="session")
def small_trained(small_cohort: Cohort) -> Trained:
    """A forecaster trained on `small_cohort`, with its report. Shared: tests must not change it."""
    return train_forecaster(
        small_cohort.tables,
        truth=small_cohort.truth,
        bank=simulate_bank(load_families(), seed=0, packs_per_family=60),
        settings=SMALL,
        made_at="2026-03-02T08:30+00:00",
    )


@pytest.fixture(scope="session")
def repository() -> Path:
    """The checkout."""
    return Path(__file__).parents[1]

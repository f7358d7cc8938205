"""What tests of learning share."""

from __future__ import annotations

import pytest

from models.packs.tables import HistoryTables
from training.simulation.cohort import CohortPlan, simulate_cohort


@pytest.fixture(scope="session")
def year_record(made_once) -> HistoryTables:
    """A year of a workshop. Invented; shared: tests must not change it."""
    return made_once("year-record", lambda: simulate_cohort(CohortPlan(300, 51, years=1)).tables)

"""What missing evidence would be worth: by hand with a known figure, and against what knowing it then does."""

from __future__ import annotations

import numpy as np
import pytest

from models.features.definitions import EVIDENCE
from models.features.derived import RawFeatures, derive
from models.features.raw import raw_features
from models.forecasts.value_of_information import ASKED, FEWEST, worth_of_missing
from training.learning.moments import moments_of, one_moment_a_pack
from training.simulation.cohort import CohortPlan, simulate_cohort


@pytest.fixture(scope="module")
def past(small_trained):
    return small_trained.forecaster.past


@pytest.fixture(scope="module")
def fresh() -> RawFeatures:
    """Packs that no model learned from."""
    tables = simulate_cohort(CohortPlan(packs=400, seed=908)).tables
    moments = moments_of(tables, np.random.default_rng(1))
    return raw_features(tables, moments.iloc[one_moment_a_pack(moments, np.random.default_rng(2))])


def without(raw: RawFeatures, row: int, *lost: str) -> RawFeatures:
    kept = {e: np.array([True]) for e in EVIDENCE if e not in lost}
    return raw.take(np.array([row])).only(kept)


def charge_days(X):
    """A figure in days that depends on the charge alone: what is not known is taken to be 0.3."""
    return 100 * X["charge_share"].fillna(0.3).to_numpy()


def test_by_hand_a_figure_that_depends_on_the_charge_alone(fresh, past):
    row = int(np.flatnonzero(fresh.holds("top-up") & fresh.holds("readings before"))[0])
    asked = without(fresh, row, "top-up", "planned use")
    x = derive(asked)
    found = worth_of_missing(asked, 0, x, "nobody", past, charge_days)
    nearest = past.nearest_with("top-up", x, "nobody", ASKED)
    assert len(nearest) == ASKED
    share = past.raw.columns["charge_share"][nearest]
    move = np.where(np.isnan(share), 0.0, 100 * (share - 0.3))
    assert found["top-up"] == pytest.approx(np.sqrt((move**2).mean()), rel=1e-12)
    assert found["planned use"] == 0


def test_only_what_is_missing_is_asked_for(fresh, past):
    for row in range(0, len(fresh.families.which), 40):
        asked = fresh.take(np.array([row]))
        found = worth_of_missing(asked, 0, derive(asked), "nobody", past, charge_days)
        assert set(found) == set(EVIDENCE) - asked.known(0)


def test_a_pack_is_not_asked_about_itself_and_others_had_the_evidence(fresh, past):
    x = derive(without(fresh, 3, "weather"))
    nearest = past.nearest_with("weather", x, "nobody", ASKED)
    assert past.raw.holds("weather")[nearest].all()
    first = past.packs["pack_id"][nearest[0]]
    assert nearest[0] not in past.nearest_with("weather", x, first, ASKED)
    lithium = past.names.index("lithium")
    assert (past.values[nearest, lithium] == x["lithium"].to_numpy()[0]).all()


def test_nothing_is_said_from_a_handful_of_packs(fresh, past):
    asked = without(fresh, 3, "weather")
    nearest = past.nearest_with("weather", derive(asked), "nobody", FEWEST - 1)
    hidden = {e: np.ones(len(past.values), dtype=bool) for e in EVIDENCE}
    hidden["weather"] = np.isin(np.arange(len(past.values)), nearest)
    poor = type(past)(**{**vars(past), "raw": past.raw.only(hidden)})
    assert "weather" not in worth_of_missing(asked, 0, derive(asked), "nobody", poor, charge_days)


@pytest.mark.parametrize("evidence", ["top-up", "readings after", "planned use", "weather"])
def test_recovery_the_worth_said_is_the_move_that_follows(fresh, past, small_trained, evidence):
    """Hide evidence that is known, ask what it would be worth, then look how far knowing it moves the forecast."""
    days = small_trained.forecaster.mean_days
    known = fresh.take(np.flatnonzero(fresh.holds(evidence))[:30])
    rows = len(known.families.which)
    hidden = known.only({e: np.ones(rows, dtype=bool) for e in EVIDENCE if e != evidence})
    X = derive(hidden)
    said = [worth_of_missing(hidden, i, X.iloc[[i]], "nobody", past, days)[evidence] for i in range(rows)]
    moved = days(derive(known)) - days(X)
    ratio = np.sqrt(np.mean(np.square(said)) / np.mean(np.square(moved)))
    assert 0.7 < ratio < 1.4

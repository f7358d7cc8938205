"""The rule of promotion: a worse model stays out, an equal one comes in, little evidence leaves it open."""

from __future__ import annotations

import copy

import numpy as np
import pytest
from scipy.stats import ttest_rel

from models.base.day_grid import DAYS
from models.packs.tables import from_days, to_days
from training.learning.back_test import BackTest
from training.learning.moments import moments_of, survival_rows
from training.learning.promotion import LEAST_PACKS, MARGIN, compare, judge, later_than


class Bent:
    """A recalibration that then multiplies every hazard: a model made worse on purpose."""

    def __init__(self, before, factor):
        self.before = before
        self.factor = factor

    def transform(self, survival, groups):
        return self.before.transform(survival, groups) ** self.factor


@pytest.fixture(scope="module")
def now(year_record):
    return from_days(np.array([to_days(year_record.outcomes["time"]).max()]))[0].to_pydatetime()


def bent(forecaster, factor):
    other = copy.copy(forecaster)
    other.recalibration = Bent(forecaster.recalibration, factor)
    return other


def test_a_model_is_no_worse_than_itself(small_trained, year_record, now):
    found = compare(small_trained.forecaster, small_trained.forecaster, year_record, now)
    assert found.verdict == "no worse"
    assert found.difference == found.high == 0.0
    assert found.packs > 250


@pytest.mark.parametrize("factor", [0.4, 3.0])
def test_a_worse_model_is_told_as_worse(small_trained, year_record, now, factor):
    found = compare(bent(small_trained.forecaster, factor), small_trained.forecaster, year_record, now)
    assert found.verdict == "worse"
    assert found.low > MARGIN
    assert found.sentence().startswith("The challenger is worse")
    back = compare(small_trained.forecaster, bent(small_trained.forecaster, factor), year_record, now)
    assert back.verdict == "no worse"
    assert back.difference == pytest.approx(-found.difference)


def test_little_evidence_leaves_it_open(small_trained, year_record, now):
    few = year_record.of_packs(year_record.packs["pack_id"].iloc[: LEAST_PACKS - 5])
    assert compare(small_trained.forecaster, small_trained.forecaster, few, now).verdict == "open"
    nothing = compare(small_trained.forecaster, small_trained.forecaster, year_record, now, since=now)
    assert (nothing.verdict, nothing.rows) == ("open", 0)
    assert "nothing can be compared" in nothing.sentence()


def test_only_moments_after_both_learned_count(small_trained, year_record, now):
    since = from_days(np.quantile(to_days(year_record.topups["time"]), [0.6]))[0].to_pydatetime()
    whole, late = (
        compare(small_trained.forecaster, small_trained.forecaster, year_record, now, since=s) for s in (None, since)
    )
    assert 0 < late.rows < 0.6 * whole.rows


@pytest.fixture(scope="module")
def row_a_pack(year_record):
    rows = survival_rows(year_record, moments_of(year_record, np.random.default_rng(0)))
    _, first = np.unique(rows.moments["pack_id"].to_numpy().astype(str), return_index=True)
    return rows.take(np.sort(first))


def made_up(rows, shift, packs, seed):
    """Invented: two candidates that differ by `shift` nats on average, one row a pack."""
    rows = rows.take(np.arange(packs))
    rng = np.random.default_rng(seed)
    current = np.exp(-np.outer(rng.uniform(0.02, 0.2, len(rows)), DAYS))
    bound = {0.9: np.ones(len(rows))}
    return BackTest(
        rows,
        np.zeros(len(rows), dtype=np.int64),
        {"current": current, "challenger": current ** np.exp(rng.normal(shift, 0.3, len(rows)))[:, None]},
        {"current": bound, "challenger": bound},
    )


def test_limits_are_those_of_a_paired_test(row_a_pack):
    """Reference: with one row a pack, scipy's paired t test; the normal limit differs from it by t against z."""
    tested = made_up(row_a_pack, 0.2, 250, 3)
    found = judge(tested, "challenger", "current")
    reference = ttest_rel(tested.surprise("challenger"), tested.surprise("current"))
    low, high = reference.confidence_interval(0.9)
    assert found.difference == pytest.approx((low + high) / 2)
    assert found.low == pytest.approx(low, abs=0.02 * (high - low))
    assert found.high == pytest.approx(high, abs=0.02 * (high - low))


def test_why_it_is_open_on_few_packs_is_said(row_a_pack):
    """ "It is open whether the challenger is worse" stood beside an interval that lies on one side of 0."""
    few = judge(made_up(row_a_pack, 0.2, 20, 3), "challenger", "current")
    assert few.verdict == "open"
    assert "fewer than 30 packs are too few to judge by: log score" in few.sentence()
    assert "too few" not in judge(made_up(row_a_pack, 0.2, 250, 3), "challenger", "current").sentence()


def test_later_than_keeps_rows_together(row_a_pack):
    tested = made_up(row_a_pack, 0.0, 100, 4)
    origin = tested.rows.moments["origin"]
    since = origin.quantile(0.5).to_pydatetime()
    part = later_than(tested, since)
    assert len(part.rows) == (origin > since).sum() == len(part.curves["current"])
    assert later_than(tested, origin.max().to_pydatetime()) is None
    assert later_than(tested, None) is tested

"""Time-ordered back-testing: nothing later than a cut can reach what is made or forecast at it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from models.base.day_grid import DAYS
from models.packs.tables import SECONDS_PER_DAY, from_days, to_days
from training.learning.back_test import back_test, cuts_of, known_by, log_score, paired_difference
from training.learning.fitting import data_digest
from training.learning.moments import moments_of, survival_rows


@pytest.fixture(scope="module")
def cut(year_record):
    return from_days(np.quantile(to_days(year_record.outcomes["time"]), [0.5]).round(2))[0].to_pydatetime()


def with_another_future(tables, cut):
    """The same record with everything after the cut changed: other voltages, charges, plans and fates, some gone."""
    late = pd.Timestamp(cut)
    readings, topups, usage, outcomes = (
        f.copy() for f in (tables.readings, tables.topups, tables.usage, tables.outcomes)
    )
    blocks = [c for c in readings if c.startswith("block_")]
    readings.loc[readings["time"] > late, blocks] += np.float32(0.5)
    topups.loc[topups["time"] > late, "charge_ah"] = 0.3
    usage.loc[usage["time"] > late, "km_per_day"] = 999.0
    after = outcomes["time"] > late
    outcomes.loc[after, "kind"] = "retired"
    outcomes.loc[after, "code"] = None
    outcomes = outcomes[~(after & (np.arange(len(outcomes)) % 3 == 0))].reset_index(drop=True)
    # A rest voltage read after the cut stands in a row of before it.
    read_late = topups["time"] + pd.to_timedelta(topups["rest_after_h"].astype(float).fillna(0), unit="h") > late
    topups.loc[read_late, "rest_after_v"] = 1.0
    return replace(tables, readings=readings, topups=topups, usage=usage, outcomes=outcomes)


def test_another_future_changes_nothing_that_was_known(year_record, cut):
    other = with_another_future(year_record, cut)
    assert data_digest(other) != data_digest(year_record)
    assert data_digest(known_by(other, cut)) == data_digest(known_by(year_record, cut))


def test_a_top_up_followed_by_another_without_an_outcome_had_come_back(year_record, cut):
    """Recovery: returns before a further top-up are struck out of a record; the fault counts as back by then."""
    known = known_by(year_record, cut)
    topups = pd.DataFrame({"pack_id": known.topups["pack_id"], "at": to_days(known.topups["time"])})
    last = topups.groupby("pack_id")["at"].max()
    ends = known.outcomes
    struck = (ends["kind"] == "returned") & (to_days(ends["time"]) < ends["pack_id"].map(last))
    # A charge within days of the other might be the same visit's.
    gap = topups.groupby("pack_id")["at"].diff()
    near = set(topups.loc[gap <= 4.5, "pack_id"])
    struck &= ~ends["pack_id"].isin(near)
    assert struck.sum() > 10
    found = known_by(replace(year_record, outcomes=ends[~struck].reset_index(drop=True)), cut).outcomes
    both = ends[struck].merge(found[found["kind"] == "returned"], on="pack_id", suffixes=("", "_found"))
    late = to_days(both["time_found"]) - to_days(both["time"])
    nearest = both.assign(late=late)[np.abs(late) < 3].groupby(["pack_id", "time"])["late"].min()
    assert len(nearest) == struck.sum()
    assert len(found) == len(ends)
    # A workshop reads the pack a day or two after the fault; never much before it.
    assert (nearest > -0.5).all()


def test_charges_of_one_visit_and_of_a_written_end_are_left_as_they_are(year_record, cut):
    known = known_by(year_record, cut)
    first = known.topups.groupby("pack_id").head(1)
    again = first.assign(time=first["time"] + pd.Timedelta(hours=2))
    twice = pd.concat([known.topups, again]).sort_values(["pack_id", "time"], kind="stable", ignore_index=True)
    assert data_digest(replace(known_by(replace(known, topups=twice), cut), topups=known.topups)) == data_digest(known)


def test_another_future_changes_no_forecast_made_before_it(year_record, cut, small_trained):
    """A maker that would use any leak: it answers with a model that encodes all it is handed in its model id."""
    cuts = cuts_of(year_record, cut, 2)
    assert len(cuts) == 2
    seen: list[list[str]] = []
    found = []
    for tables in (year_record, with_another_future(year_record, cut)):
        handed: list[str] = []

        def maker(known, _at, handed=handed):
            handed.append(data_digest(known))
            return small_trained.forecaster

        found.append(back_test(tables, cut, {"as it stands": maker}, cuts))
        seen.append(handed)
    assert seen[0] == seen[1]
    one, two = found
    np.testing.assert_array_equal(one.curves["as it stands"], two.curves["as it stands"])
    np.testing.assert_array_equal(one.rows.time, two.rows.time)
    np.testing.assert_array_equal(one.rows.event, two.rows.event)
    pd.testing.assert_frame_equal(one.rows.moments, two.rows.moments)


def test_open_topups_are_censored_at_the_cut(year_record, cut):
    known = known_by(year_record, cut)
    rows = survival_rows(known, moments_of(known, np.random.default_rng(0)))
    end = to_days(rows.moments["origin"]) + rows.time
    at = cut.timestamp() / SECONDS_PER_DAY
    assert np.all(end <= at + 1e-6)
    open_rows = np.abs(end - at) < 1e-6
    assert open_rows.sum() > 20
    assert not rows.event[open_rows].any()
    whole = survival_rows(year_record, rows.moments)
    late = to_days(whole.moments["origin"]) + whole.time > at + 1e-6
    # What was already settled by then is settled the same way with hindsight.
    np.testing.assert_allclose(rows.time[~late], whole.time[~late])
    np.testing.assert_array_equal(rows.event[~late], whole.event[~late])


def test_cuts_see_a_growing_share_of_the_outcomes(year_record):
    at = from_days(np.array([to_days(year_record.outcomes["time"]).max()]))[0].to_pydatetime()
    cuts = cuts_of(year_record, at, 3)
    counts = [(year_record.outcomes["time"] <= t).mean() for t in cuts]
    np.testing.assert_allclose(counts, [0.4, 0.6, 0.8], atol=0.01)
    assert cuts_of(known_by(year_record, cuts[0]).of_packs(year_record.packs["pack_id"].iloc[:1]), cuts[0]) == []


def test_every_window_lies_after_its_cut(year_record, cut, small_trained):
    cuts = cuts_of(year_record, cut, 2)
    found = back_test(year_record, cut, {"a": lambda *_: small_trained.forecaster}, cuts)
    origin = found.rows.moments["origin"]
    for number, (start, end) in enumerate(zip(cuts, [cuts[1], cut], strict=True)):
        inside = found.window == number
        assert inside.any()
        assert np.all((origin[inside] > start) & (origin[inside] <= end))


def test_log_score_prefers_the_truth():
    """Property: with the true curve the expected score is least, censored or not (a proper score)."""
    rng = np.random.default_rng(4)
    n = 40_000
    life, lost = rng.exponential(20.0, n), rng.exponential(30.0, n)
    time, event = np.minimum(life, lost), life <= lost
    scores = [log_score(np.tile(np.exp(-DAYS * f / 20.0), (n, 1)), time, event).mean() for f in (0.7, 1.0, 1.4)]
    assert np.argmin(scores) == 1
    # By hand: held to day 7 at a hazard of 0.1 a day.
    assert log_score(np.exp(-0.1 * DAYS)[None], np.array([7.0]), np.array([False]))[0] == pytest.approx(0.7)


def test_paired_difference_counts_packs():
    """Reference: statsmodels' cluster-robust error of a mean, with its correction m/(m−1)."""
    import statsmodels.api as sm

    rng = np.random.default_rng(2)
    packs = np.repeat(np.arange(40), rng.integers(1, 6, 40))
    gap = rng.normal(size=len(packs)) + rng.normal(size=40)[packs]
    found = paired_difference(gap, np.zeros(len(gap)), packs.astype(str))
    fit = sm.OLS(gap, np.ones(len(gap))).fit(
        cov_type="cluster", cov_kwds={"groups": packs, "use_correction": False}, use_t=False
    )
    assert found.mean == pytest.approx(float(fit.params[0]))
    assert found.standard_error == pytest.approx(float(fit.bse[0]) * np.sqrt(40 / 39))
    assert found.upper(0.95) == pytest.approx(found.mean + 1.6448536 * found.standard_error)

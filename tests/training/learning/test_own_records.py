"""Learning from an own record: repeatable, blind to the future, bold only as far as outcomes carry it."""

from __future__ import annotations

import copy
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.base.threads import thread_limit
from models.calibration.conformal import ConformalBound, ShrunkenBound
from models.calibration.record_reach import RecordReach
from models.forecasts.weakness_kind import KINDS
from models.packs.tables import from_days, side_by_side
from training.learning.back_test import back_test, known_by
from training.learning.moments import moments_of, survival_rows
from training.learning.own_records import (
    BEFORE,
    LEARNED,
    OwnRows,
    _two_digits,
    apart_from,
    learn_from_records,
    learned_forecaster,
    report_of,
    taught_by_sisters,
    what_was_learned,
)
from training.scoring import integrated_brier_score
from training.simulation.cohort import FIRST_DAY, CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

COUNTS = ((130, 51), (130, 52))
"""Packs and seeds of the sister workshops."""


def on_day(days):
    return from_days(np.array([FIRST_DAY + days]))[0].to_pydatetime()


KNOWN_DAYS = 120.0
"""Learned from, unless a test needs more: learning takes as long as there are outcomes."""
LATER = on_day(KNOWN_DAYS)
YEAR_END = on_day(365.0)


@pytest.fixture(scope="module")
def record(made_once):
    """A year at another place. Invented."""
    return made_once(
        "own-record", lambda: simulate_cohort(CohortPlan(260, 41, places=("cinder-flats",), years=1)).tables
    )


@pytest.fixture(scope="module")
def base(small_trained):
    return small_trained.forecaster


def on_one_thread(base, record, at=LATER):
    """Learn as the service does: sums made by several threads differ in their last digits, and trees with them."""
    with thread_limit(1):
        return learn_from_records(base, record, at)


@pytest.fixture(scope="module")
def learned(made_once, base, record):
    return made_once("own-learned", lambda: on_one_thread(base, record))


@pytest.fixture(scope="module")
def fresh():
    """Releases at that place, where nobody replaces anything: their truth is known."""
    habits = WorkshopHabits(replaces=False)
    tables = simulate_cohort(CohortPlan(400, 43, places=("cinder-flats",), years=1, habits=habits)).tables
    rows = survival_rows(tables, moments_of(tables, np.random.default_rng(1)))
    return rows.take((rows.moments["occasion"] == "release").to_numpy())


def test_the_same_record_and_seed_give_the_same_model_whatever_is_recorded_for_later(base, record, learned, fresh):
    late = record.outcomes["time"] > LATER
    assert late.any()
    outcomes = record.outcomes[~(late & (np.arange(len(late)) % 2 == 0))].reset_index(drop=True)
    outcomes.loc[outcomes["time"] > LATER, "kind"] = "returned"
    other = on_one_thread(base, replace(record, outcomes=outcomes))
    assert other.forecaster.model_id == learned.forecaster.model_id
    assert other.facts == learned.facts
    np.testing.assert_array_equal(other.forecaster.curves(fresh.X)[0], learned.forecaster.curves(fresh.X)[0])


def first_return(record):
    return record.outcomes.loc[record.outcomes["kind"] == "returned", "time"].min().to_pydatetime()


def test_a_record_learned_before_there_was_a_reach_is_learned_under_another_name(base, record, monkeypatch):
    """Under the same name the registry refused to learn it anew."""
    with_reach = on_one_thread(base, record, first_return(record)).forecaster
    assert with_reach.own is not None
    assert with_reach.own.reach is not None
    monkeypatch.setattr(RecordReach, "of", lambda *_: None)
    assert on_one_thread(base, record, first_return(record)).forecaster.model_id != with_reach.model_id


def test_what_was_learned_is_told(learned, record):
    assert [s.recipe for s in learned.standings] == [BEFORE, LEARNED]
    assert learned.facts["way"] == LEARNED
    assert [s["recipe"] for s in learned.facts["back_test"]] == [BEFORE, LEARNED]
    assert f"learned from {learned.facts['recorded_fates']} outcomes" in learned.why
    assert "as fast as assumed" in learned.why
    running = int((known_by(record, LATER).outcomes["kind"] == "running").sum())
    assert (f", and {running} last known running" in learned.why) == (running > 0)


def test_a_factor_is_a_number_that_people_read():
    """It was "about 1.4e+02 times as fast"."""
    assert [_two_digits(n) for n in (139.7, 2.0, 1.26, 0.0000123)] == ["140", "2", "1.3", "0.000012"]


@pytest.mark.parametrize("slower", [2.0, 0.5])
def test_a_place_where_all_hold_longer_or_shorter_is_found_out(base, record, slower):
    """Recovery: a record whose days from top-up to return are stretched; the forecast follows, and words say so."""
    known = known_by(record, LATER)
    own = OwnRows.of(known, 0)
    # Stretching the rows' own times is exact; the record's dates would also change what was read when.
    stretched = replace(own, rows=replace(own.rows, time=own.rows.time * slower))
    found = learned_forecaster(base, stretched, known)
    day = int(np.searchsorted(DAYS, 14))
    before, after = (f.curves(own.rows.X)[0][:, day].mean() for f in (base, found))
    assert (after > before + 0.03) == (slower > 1)
    assert (after < before - 0.03) == (slower < 1)
    assert "so they hold longer" in what_was_learned(base, found, stretched) or slower < 1


@pytest.fixture(scope="module")
def sisters(made_once):
    """The record of two other workshops at that place. Invented."""

    def make():
        one, two = (simulate_cohort(CohortPlan(n, s, places=("cinder-flats",), years=1)).tables for n, s in COUNTS)
        return side_by_side({"north": one, "south": two})

    return made_once("sister-records", make)


def test_sister_workshops_teach_before_an_own_outcome_is_known(base, record, sisters):
    ago = pd.Timedelta(days=KNOWN_DAYS)
    dated = ("outcomes", "readings", "topups", "usage")
    frames = {name: getattr(sisters, name).assign(time=lambda f: f["time"] - ago) for name in dated}
    found = learn_from_records(base, record, on_day(0.5), sisters=replace(sisters, **frames))
    assert found.forecaster.own_outcomes == 0
    assert found.forecaster.sister_outcomes == found.facts["sister_fates"] > 100
    assert "No return of yours is recorded yet, so the hold curves follow" in found.why
    assert "sister workshops" in found.why
    X = OwnRows.of(known_by(record, YEAR_END), 0).rows.X
    assert np.abs(found.forecaster.curves(X)[0] - base.curves(X)[0]).max() > 0.01


def test_sister_workshops_count_as_far_as_they_foretell(base, record, sisters):
    """Recovery: sisters alike take a share; ones whose packs come back ten times as late take less of it."""
    known = known_by(record, YEAR_END)
    own = OwnRows.of(known, 0)
    few = replace(own, rows=own.rows.take(np.arange(0, len(own.rows), 6)), found=own.found[::6])
    alike = taught_by_sisters(base, sisters, on_day(60.0), 0)
    theirs = OwnRows.of(known_by(sisters, on_day(60.0)), 0)
    slow = replace(theirs, rows=replace(theirs.rows, time=theirs.rows.time * 10))
    unlike = learned_forecaster(base, slow, sisters)
    one, other = (learned_forecaster(start, few, known) for start in (alike, unlike))
    assert one.own.shares[-1] > 0.1
    assert one.own.shares[-1] > 2 * other.own.shares[-1]
    assert one.sister_outcomes == alike.sister_outcomes > 0
    assert one.own_outcomes == own.fates


def test_the_own_export_among_the_sisters_teaches_nothing_twice(base, record, sisters):
    """Parity: with the own record laid beside a sister's, what is learned is what that sister's alone teaches."""
    south = sisters.of_packs(pack for pack in sisters.packs["pack_id"] if pack.startswith("south/"))
    with_own = side_by_side({"own": record})
    both = replace(
        south,
        **{name: pd.concat([with_own.frames()[name], frame]) for name, frame in south.frames().items()},
    )
    assert len(both.packs) == len(record.packs) + len(south.packs)
    left = apart_from(both, record)
    assert left.packs["pack_id"].tolist() == south.packs["pack_id"].tolist()
    early = on_day(12.0)
    alone = learn_from_records(base, record, early, sisters=with_own)
    assert alone.facts["way"] == LEARNED
    assert alone.forecaster.model_id == learn_from_records(base, record, early).forecaster.model_id
    one, two = (learn_from_records(base, record, early, sisters=told) for told in (both, south))
    assert one.facts["sister_fates"] == two.facts["sister_fates"] > 0
    np.testing.assert_array_equal(one.forecaster.own.shares, two.forecaster.own.shares)


def test_what_sisters_learned_later_is_not_used(base, record, sisters):
    at = on_day(30.0)
    late = sisters.outcomes["time"] > pd.Timestamp(at)
    assert late.any()
    other = replace(sisters, outcomes=sisters.outcomes.assign(kind=sisters.outcomes["kind"].mask(late, "retired")))
    one, two = (taught_by_sisters(base, told, at, 0) for told in (sisters, other))
    X = OwnRows.of(known_by(record, at), 0).rows.X
    np.testing.assert_array_equal(one.curves(X)[0], two.curves(X)[0])


def test_returns_before_anybody_could_ask_are_told(base, learned, record):
    """Ten packs came back two hours after a charge that no reading followed."""
    known = known_by(record, LATER)
    some = known.topups["pack_id"].drop_duplicates(keep="last").head(10)
    last = known.topups.groupby("pack_id")["time"].max().loc[some]
    soon = pd.DataFrame({"pack_id": last.index, "time": last.to_numpy() + pd.Timedelta(hours=2), "kind": "returned"})
    kept = {
        name: frame[~(frame["pack_id"].isin(some) & (frame["time"] > frame["pack_id"].map(last)))]
        for name, frame in {"readings": known.readings, "outcomes": known.outcomes}.items()
    }
    ends = soon.reindex(columns=known.outcomes.columns).astype(known.outcomes.dtypes.to_dict())
    outcomes = pd.concat([kept["outcomes"], ends], ignore_index=True).sort_values(["pack_id", "time"], kind="stable")
    early = replace(known, readings=kept["readings"].reset_index(drop=True), outcomes=outcomes.reset_index(drop=True))
    before, own = OwnRows.of(known, 0), OwnRows.of(early, 0)
    assert own.unasked == before.unasked + 10
    said = what_was_learned(base, learned.forecaster, own)
    assert f"{own.unasked} returns are left out: the fault was back within a day of the charge" in said


def test_returns_that_nobody_wrote_down_are_told(base, learned, record):
    own = OwnRows.of(known_by(record, LATER), 0)
    said = what_was_learned(base, learned.forecaster, own, not_written=2)
    assert "2 top-ups were followed by another with no outcome written down" in said
    last = record.topups.groupby("pack_id")["time"].transform("max")
    last = dict(zip(record.topups["pack_id"], last, strict=True))
    open_again = record.outcomes["time"] < record.outcomes["pack_id"].map(last)
    less = replace(record, outcomes=record.outcomes[~open_again].reset_index(drop=True))
    assert "with no outcome written down" in learn_from_records(base, less, on_day(30.0)).why
    assert "with no outcome written down" not in learned.why


def test_the_forecast_as_it_stood_is_one_of_those_mixed(base, learned, fresh):
    """Shares add up, and what is mixed is each forecast by its share."""
    model = learned.forecaster
    X = base.seen.readable(fresh.X)
    taken = base.before_learning(X)
    leaning = model.posterior.curves(taken, X)[0]
    own = [m.predict_survival(X, DAYS) for m in model.own.members]
    parts = [leaning, *model.own.residual.corrected(X, leaning), *own, base.posterior.curves(taken, X)[0]]
    shares = model.own.shares
    assert len(shares) == len(parts)
    assert shares.sum() == pytest.approx(1)
    assert shares[-1] > 0
    np.testing.assert_allclose(model.own.joined(taken, (leaning,) * 3, X)[0], np.tensordot(shares, parts, 1), atol=1e-9)


def test_few_outcomes_unlike_all_others_do_not_carry_it_away(base, record):
    """Three returns that all came at once, where the others held on, hardly move it; the forecast before counts."""
    known = known_by(record, YEAR_END)
    own = OwnRows.of(known, 0)
    back = np.flatnonzero(own.rows.event)[:3]
    few = replace(own, rows=own.rows.take(back), found=own.found[back], returns=3, fates=3)
    found = learned_forecaster(base, few, known)
    day = int(np.searchsorted(DAYS, 14))
    before, after = (f.curves(own.rows.X)[0][:, day].mean() for f in (base, found))
    assert found.own.shares[-1] > 0.1
    assert abs(after - before) < 0.25


@pytest.fixture(scope="module")
def hardly_a_return(base, record):
    """Rows of one family, all of whose packs were replaced on day 80 but one that returned; and what they teach."""
    known = known_by(record, YEAR_END)
    own = OwnRows.of(known, 0)
    family = own.rows.moments["pack_id"].map(known.packs.set_index("pack_id")["family"]).to_numpy()
    most = pd.Series(family).value_counts().index[0]
    kept = np.flatnonzero((family == most) & (own.rows.moments["occasion"] == "release").to_numpy())
    rows = own.rows.take(kept)
    time, event = np.full(len(kept), 80.0), np.zeros(len(kept), dtype=bool)
    time[0], event[0] = 40.0, True
    rows = replace(rows, time=time, event=event)
    few = replace(own, rows=rows, found=own.found[kept], share=1.0, returns=1, fates=len(kept))
    return rows, learned_forecaster(base, few, known)


def test_one_return_among_few_leaves_a_band_as_wide_as_so_few_allow(base, hardly_a_return):
    rows, found = hardly_a_return
    n, day = len(rows), int(np.searchsorted(DAYS, 30))
    mean, low, _ = found.curves(rows.X)
    assert mean[:, day].mean() > base.curves(rows.X)[0][:, day].mean() + 0.05
    # None back by day 30 among n: the exact limit is 0.05 ^ (1 / n). It may only be higher where it was before.
    before = base.curves(rows.X)[1][:, day]
    assert (low[:, day] <= np.maximum(before, 0.05 ** (1 / n)) + 1e-9).all()


def test_nothing_is_promised_past_the_longest_time_watched_that_was_not_before(base, hardly_a_return):
    rows, found = hardly_a_return
    told, past = found.told_curves(rows.X)[3], DAYS > 80
    assert past.any()
    assert (told[:, past] <= base.curves(rows.X)[0][:, past] + 1e-9).all()
    assert (told <= found.curves(rows.X)[0]).all()


def test_a_family_without_an_own_outcome_is_promised_hardly_more_than_before(base, record, hardly_a_return):
    _, found = hardly_a_return
    rows = OwnRows.of(known_by(record, YEAR_END), 0).rows
    strange = rows.take(found.own.reach.nearness(rows.X, found.posterior.prior, found.posterior.scale).counted == 0)
    assert len(strange) > 20
    told = found.told_curves(strange.X)[3]
    mean, low, _ = found.curves(strange.X)
    before, before_low, _ = base.curves(strange.X)
    assert (told <= before + 1e-9).all()
    assert (low <= before_low + 1e-9).all()
    # One return tells next to nothing of what the workshop's families have in common.
    assert (mean <= before + 0.1).all()


def test_a_block_lower_than_any_on_record_is_not_lifted_by_it(base, record):
    """Sixty packs that read alike and all held for long say nothing of one whose block reads far down."""
    known = known_by(record, YEAR_END)
    own = OwnRows.of(known, 0)
    kept = np.arange(60)
    rows = own.rows.take(kept)
    name = "after_rest_mv_per_cell"
    one = rows.X[rows.X[name].notna()].iloc[0]
    X = rows.X.assign(**{column: one[column] for column in rows.X})
    rows = replace(rows, X=X, time=np.linspace(12, 80, 60), event=np.ones(60, dtype=bool))
    alike = replace(own, rows=rows, found=own.found[kept], share=1.0, returns=60, fates=60)
    found = learned_forecaster(base, alike, known)
    week = int(np.searchsorted(DAYS, 7))
    assert found.told_curves(X)[3][0, week] > base.curves(X)[0][0, week] + 0.02
    low = X.assign(**{name: base.seen.low[name]})
    assert (found.told_curves(low)[3] <= base.curves(low)[0] + 1e-9).all()
    assert (found.curves(low)[1] <= base.curves(low)[1] + 1e-9).all()


def test_it_does_hardly_worse_on_packs_it_never_saw(base, learned, fresh):
    # With so small a record chance decides; that it gains is measured by tests/benchmarks/bench_own_outcomes.py.
    before, after = (
        integrated_brier_score(f.curves(fresh.X)[0], fresh.time, fresh.event).score for f in (base, learned.forecaster)
    )
    assert after < 1.06 * before


def test_report_is_made_of_forecasts_from_before_the_outcome(base, record, learned, small_trained):
    asked = {BEFORE: lambda *_: base, LEARNED: lambda *_: learned.forecaster}
    year = replace(learned, back_test=back_test(record, YEAR_END, asked, [LATER]))
    report = report_of(year, small_trained.report, "2026-03-02")
    assert report.scored_on == "shop"
    assert report.follow_up.rows == len(year.back_test.rows)
    few = replace(learned, back_test=None)
    stands = report_of(few, small_trained.report, "2026-03-02")
    assert stands.whole == small_trained.report.whole
    assert stands.origin_sentence.startswith("The record is too small yet")


def test_without_a_return_nothing_changes(base, record):
    found = learn_from_records(base, record, on_day(0.5))
    assert found.forecaster is base
    assert found.facts["way"] == BEFORE


def test_the_first_return_is_learned_from(base, record):
    found = learn_from_records(base, record, first_return(record))
    assert found.facts["returns"] == 1
    assert found.forecaster.posterior is not base.posterior
    assert found.facts["way"] == LEARNED


def test_a_model_that_does_not_know_how_much_workshops_differ_is_refused(base, record):
    old = copy.copy(base)
    old.posterior = None
    with pytest.raises(BadInput, match="how much workshops differ"):
        learn_from_records(old, record, YEAR_END)


def test_an_outcome_counts_once_however_often_its_pack_was_seen(record):
    known = known_by(record, YEAR_END)
    own = OwnRows.of(known, 0)
    topups = own.rows.moments["topup"]
    assert own.share == pytest.approx(topups.nunique() / len(topups))
    back = own.rows.event & (own.rows.time <= DAYS[-1])
    assert own.returns == topups[back].nunique() < back.sum()


def test_shrunken_bound_lies_between_its_two_sources():
    """Property: level of a mixture of two estimates; all of one or the other at the ends of the weight."""
    rng = np.random.default_rng(0)
    curve = np.exp(-DAYS / 20.0)
    here, there = rng.exponential(12.0, 400), rng.exponential(20.0, 400)
    own, before = (ConformalBound().fit(np.tile(curve, (400, 1)), t, np.ones(400, dtype=bool)) for t in (here, there))
    levels = [ShrunkenBound(own, before, k).level(0.9) for k in (1e-9, 100.0, 400.0, 1e9)]
    assert levels == sorted(levels)
    assert levels[0] == pytest.approx(own.level(0.9))
    assert levels[-1] == pytest.approx(before.level(0.9))
    assert "from the workshop's own record" in ShrunkenBound(own, before, 100.0).guarantee(0.9)


@pytest.mark.parametrize("packs", [5, 20, 60])
def test_coverage_does_not_suffer_from_few_own_packs(packs):
    """Recovery: own packs like those elsewhere; over 200 draws the shrunken bound still covers 90 in 100."""
    rng = np.random.default_rng(packs)
    curve = np.exp(-DAYS / 20.0)
    before = ConformalBound().fit(np.tile(curve, (2000, 1)), rng.exponential(20.0, 2000), np.ones(2000, dtype=bool))
    held = []
    for _ in range(200):
        own = ConformalBound().fit(np.tile(curve, (packs, 1)), rng.exponential(20.0, packs), np.ones(packs, dtype=bool))
        day = ShrunkenBound(own, before, 200.0).bound(curve[None], 0.9)[0]
        held.append(np.exp(-day / 20.0))
    assert np.mean(held) >= 0.9 - 0.005
    assert np.min(held) >= 0.86


def test_groups_keep_their_bound_without_own_packs(base, learned, fresh):
    bound = learned.forecaster.bound
    survival, _, _ = learned.forecaster.curves(fresh.X)
    days = bound.bound(survival, 0.9, groups=learned.forecaster.bound_group(fresh.X))
    assert np.all((days >= 0) & (days <= DAYS[-1]))
    assert set(base.bound.by_group_) <= set(bound.by_group_)


def test_kinds_are_learned_from_packs_that_were_opened(base, record):
    """With every pack a faded one, fade is told more often than before, and hold curves wait for a return."""
    outcomes = record.outcomes.assign(found=np.where(record.outcomes["kind"] != "running", "fade", None))
    outcomes["kind"] = outcomes["kind"].replace("returned", "replaced")
    opened = replace(record, outcomes=outcomes)
    own = OwnRows.of(opened, 0)
    assert own.returns == 0
    assert own.opened > 50
    learned = learned_forecaster(base, own, opened)
    X = own.rows.X
    fade = KINDS.index("fade")
    assert learned.kinds.predict(X)[:, fade].mean() > base.kinds.predict(X)[:, fade].mean() + 0.2
    np.testing.assert_array_equal(learned.curves(X)[0], base.curves(X)[0])
    assert "opened packs" in what_was_learned(base, learned, own)
    assert learn_from_records(base, opened, YEAR_END).forecaster.model_id != base.model_id

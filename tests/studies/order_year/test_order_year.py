"""A simulated year of orders: settled by hand, paid for by every policy alike, and cheaper by the forecast."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from models.base.errors import BadInput
from models.decisions.lead_time import Quote
from models.decisions.ordering import AT_RETURN, Costs
from models.packs.tables import from_days
from tests.cases.known import known_history
from tests.studies.order_year.simulate import (
    FOLLOWED_DAYS,
    JUST_AFTER_DAYS,
    LAST_LOOK_DAY,
    Cleaning,
    Orders,
    Supply,
    Year,
    cleaned_curves,
    forecast_curves,
    order_by_plan,
    order_on_release,
    settle,
    simulate_year,
    true_curves_of,
    year_of_releases,
)
from training.learning.moments import moments_of, survival_rows
from training.simulation.cohort import CohortPlan, simulate_cohort
from training.simulation.workshop import WorkshopHabits

SUPPLIES = (
    Supply("Harbour Parts, ordinary", 1750.0, 0.0, Quote(12, 9, 21), 12.0, 0.25),
    Supply("Harbour Parts, express", 1750.0, 290.0, Quote(3, 2, 6), 2.8, 0.30),
    Supply("Mainland Packs, by sea", 1520.0, 0.0, Quote(24, 18, 40), 24.0, 0.25),
)
COSTS = Costs(currency="EUR", stranding=420.0, day_off_road=75.0, capital_per_day=1.4, return_value=700.0)
WORK = {"reading_cost": 60.0, "cleaning_cost": 160.0}


@pytest.fixture(scope="module")
def years(made_once) -> list[Year]:
    """Two invented years of forty cases; in the second, three have a bad joint."""
    return made_once("order-years", lambda: [simulate_year(40, seed, runs=10) for seed in (2, 3)])


def test_a_year_of_recorded_releases_knows_nothing_of_what_followed():
    cohort = simulate_cohort(CohortPlan(packs=20, seed=6, habits=WorkshopHabits(replaces=False)))
    moments = moments_of(cohort.tables, np.random.default_rng(0))
    first = moments[moments["occasion"] == "release"].groupby("pack_id", as_index=False).first()
    rows = survival_rows(cohort.tables, first)
    year = year_of_releases(cohort.tables, rows, 0)
    back = rows.event & (rows.time <= FOLLOWED_DAYS)
    assert 0 < back.sum() < len(rows)
    np.testing.assert_allclose(year.returns[back], rows.time[back])
    assert np.isinf(year.returns[~back]).all()
    release = dict(zip(rows.moments["pack_id"], rows.moments["origin"], strict=True))
    for name in ("readings", "topups", "usage", "outcomes"):
        known, everything = getattr(year.tables, name), getattr(cohort.tables, name)
        assert (known["time"] <= known["pack_id"].map(release)).all(), name
        assert len(known) < len(everything), name
    asked = np.arange(len(year))
    told = true_curves_of(year)(year.tables, asked, np.zeros(len(year)))
    assert ((told[:, -1] == 0) == (year.returns <= 90)).all()


def test_a_year_settled_by_hand(years):
    """Four cases, each another way: stranded on the way, in time, never needed, not ordered. Exact lead times."""
    exact = tuple(
        replace(supply, spread=0.0, median_days=days) for supply, days in zip(SUPPLIES, (12, 3, 24), strict=True)
    )
    year = replace(
        years[0],
        pack_id=np.array(list("abcd"), dtype=object),
        release=np.zeros(4),
        returns=np.array([5.0, 40.0, np.inf, 8.0]),
        returns_cleaned=np.array([5.0, 40.0, np.inf, np.inf]),
        possible_returns=np.full((4, 2), np.inf),
        possible_cleaned=np.full((4, 2), np.inf),
        delivery_z=np.zeros((4, 2)),
    )
    none = np.zeros(4, dtype=bool)
    orders = Orders(np.array([0, 1, 1, AT_RETURN]), np.array([0.0, 10.0, 2.0, np.inf]), none)
    paid = settle(year, orders, exact, year.offers(exact, "EUR"), COSTS, **WORK)
    # a: back on day 5, there on day 12. b: there on day 13, needed on day 40. c: there on day 5, never needed.
    # d: ordered at the return, by express: 290 for nine days less off the road at 75.
    assert paid.strandings == 2
    assert paid.days_off_road == pytest.approx(7 + 3)
    assert paid.express_fees == 3 * 290
    assert paid.needless == 1
    assert paid.capital == pytest.approx(1.4 * ((40 - 13) + (FOLLOWED_DAYS - 5)))
    total = 4 * 1750 + 3 * 290 + 2 * 420 + 10 * 75 + 1.4 * (27 + FOLLOWED_DAYS - 5) - 700
    assert paid.total == pytest.approx(total)
    # d needed no pack: cleaned connections would have kept it from coming back.
    assert paid.avoidable == pytest.approx(total - 2 * 1520 - 160)
    read = settle(year, replace(orders, readings=2), exact, year.offers(exact, "EUR"), COSTS, **WORK)
    assert read.total == pytest.approx(total + 2 * 60)
    clean = replace(orders, cleaned=np.array([False, False, False, True]))
    mended = settle(year, clean, exact, year.offers(exact, "EUR"), COSTS, **WORK)
    assert mended.total == pytest.approx(total - 1750 - 290 - 420 - 3 * 75 + 160)
    assert (mended.packs, mended.cleaned, mended.cleaning_cost) == (3, 1, 160.0)


def test_only_those_that_wait_are_called_in_and_only_then(years, small_trained):
    year = years[0]
    offers, seen = year.offers(SUPPLIES, "EUR"), []

    def watched(tables, case, held):
        seen.append((len(tables.readings) - len(year.tables.readings), len(case), held[0]))
        return forecast_curves(year, small_trained.forecaster)(tables, case, held)

    patient = replace(COSTS, stranding=100.0, day_off_road=10.0, capital_per_day=5.0)
    orders = order_by_plan(year, watched, offers, patient, rechecks=True)
    assert seen[0][0] == 0
    assert seen[1][0] == 2 * seen[1][1]  # one at rest and one under load of each that waits
    late = [added for added, _, held in seen if held > LAST_LOOK_DAY + 1]
    assert orders.readings == sum(cases for _, cases, held in seen if 1 < held <= LAST_LOOK_DAY + 1)
    assert all(added == 2 * orders.readings for added in late)


def test_nothing_is_known_after_the_release_unless_it_was_read(years):
    year = years[0]
    start = dict(zip(year.pack_id, year.release, strict=True))
    days = year.tables.readings["time"].astype("int64") / 86_400e6
    assert all(day <= start[pack] + 1e-6 for pack, day in zip(year.tables.readings["pack_id"], days, strict=True))
    case = int(np.flatnonzero(year.returns > 9)[0])
    seen = year.seen({case: [4]}).readings
    assert len(seen) == len(year.tables.readings) + 2
    added = seen[(seen["pack_id"] == year.pack_id[case]) & (seen["time"] > year.tables.readings["time"].max())]
    assert set(added["state"]) <= {"rest", "discharge"}


def test_true_curves_given_held_start_at_one_and_fall(years):
    year = years[0]
    curves = true_curves_of(year)(year.tables, np.arange(len(year)), np.full(len(year), 5.0))
    assert np.all(curves[:, 0] == 1)
    assert np.all(np.diff(curves, axis=1) <= 0)


def test_ordering_by_forecast_is_cheaper_than_the_rules_and_dearer_than_the_truth(years, small_trained):
    """Recovery with a small forecaster (a thousand packs); the full table is tests/benchmarks/bench_year.py."""
    beyond = {"two weeks": 0.0, "at once": 0.0, "ours": 0.0, "truth": 0.0}
    for year in years:
        offers = year.offers(SUPPLIES, "EUR")
        orders = {
            "two weeks": order_on_release(year, 0, 2.0),
            "at once": order_on_release(year, 0),
            "ours": order_by_plan(year, forecast_curves(year, small_trained.forecaster), offers, COSTS),
            "truth": order_by_plan(year, true_curves_of(year), offers, COSTS),
        }
        for name, ordered in orders.items():
            beyond[name] += settle(year, ordered, SUPPLIES, offers, COSTS, **WORK).avoidable
    rule = min(beyond["two weeks"], beyond["at once"])
    assert beyond["ours"] < rule
    assert beyond["truth"] < beyond["ours"]


def test_connections_are_cleaned_where_a_bad_joint_is_likely_and_that_saves(years, small_trained):
    """Who knows what is hidden cleans just those whose fault then stays away; a forecaster guesses, and still saves."""
    year, price = years[1], WORK["cleaning_cost"]
    offers, gained = year.offers(SUPPLIES, "EUR"), year.returns_cleaned > year.returns + 7
    assert gained.sum() >= 3
    true, told = true_curves_of(year), forecast_curves(year, small_trained.forecaster)
    known = Cleaning(price, true_curves_of(year, cleaned=True))
    guess = cleaned_curves(year, small_trained.forecaster)
    asked = np.concatenate([np.flatnonzero(gained), np.flatnonzero(~gained)[:9]])

    def of_some(tables, case, held):
        """Ask about a dozen cases, of the others say that cleaning changes nothing: each answer takes its time."""
        curves, mine = told(tables, case, held), np.isin(case, asked)
        if mine.any():
            curves[mine] = guess(tables, case[mine], held[mine])
        return curves

    some = np.flatnonzero(gained)
    told_at = from_days(year.release[some] + JUST_AFTER_DAYS)
    # Of a pack that nobody has read since its charge, or that is warned of, no plan is weighed.
    weighed = [
        case
        for case, moment in zip(some, told_at, strict=True)
        if not small_trained.forecaster.forecast(
            known_history(year.tables, pd.Series({"pack_id": str(year.pack_id[case]), "origin": moment})),
            at=moment.to_pydatetime(),
        ).withheld_by
    ]
    guessed = Cleaning(price, of_some)
    for curves, cleaning, share, helped, found in (
        (true, known, 0.9, some, 0.7),
        (told, guessed, 0.4, weighed, 0.3),
    ):
        without, orders = (order_by_plan(year, curves, offers, COSTS, cleaning=c) for c in (None, cleaning))
        assert not without.cleaned.any()
        assert gained[orders.cleaned].mean() >= share
        assert orders.cleaned[helped].mean() > found
        paid = [settle(year, ordered, SUPPLIES, offers, COSTS, **WORK).total for ordered in (without, orders)]
        assert paid[1] < paid[0]


def test_true_curves_with_cleaned_connections_are_no_worse(years):
    year, everyone = years[0], np.arange(len(years[0]))
    left, cleaned = (true_curves_of(year, cleaned=c)(year.tables, everyone, np.zeros(len(year))) for c in (False, True))
    assert np.all(cleaned.mean(axis=0) >= left.mean(axis=0) - 1e-12)
    assert (cleaned[:, 5] - left[:, 5]).max() > 0.5


def test_costs_to_settle_are_plain_amounts(years):
    offers = years[0].offers(SUPPLIES, "EUR")
    with pytest.raises(BadInput, match="not plain amounts"):
        settle(years[0], order_on_release(years[0], 0), SUPPLIES, offers, replace(COSTS, stranding=None), **WORK)

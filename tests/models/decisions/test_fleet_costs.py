import numpy as np
import pytest

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.decisions.fleet_costs import (
    NOT_PLANNED,
    FleetCosts,
    replacement_costs,
    weekly_returns,
)
from models.decisions.hold_curves import daily_hold, extended_hold
from tests.studies.waiting import rank_by_waiting

HOLD = np.exp(-((DAYS / np.array([15.0, 40.0, 90.0, 400.0])[:, None]) ** 1.8))
COSTS = FleetCosts("EUR", 1200, 150, 900, 0.5, 700, stranding=0)


def test_past_the_horizon_the_last_hazard_goes_on():
    steady = np.exp(-DAYS / 50)[None]
    np.testing.assert_allclose(extended_hold(steady, 182)[0], np.exp(-np.arange(183) / 50), rtol=1e-9)
    long = extended_hold(HOLD, 182)
    np.testing.assert_allclose(long[:, :91], daily_hold(HOLD))
    ratio = long[:, 91:] / long[:, 90:-1]
    np.testing.assert_allclose(ratio, np.broadcast_to(ratio[:, :1], ratio.shape), rtol=1e-6)
    assert extended_hold(HOLD, 14).shape == (4, 15)
    for last in (14, 90, 91, 182):
        np.testing.assert_allclose(extended_hold(HOLD, last, every=7), extended_hold(HOLD, last)[:, ::7], rtol=1e-12)


def test_costs_by_hand_for_a_steady_hazard():
    hold = extended_hold(np.exp(-DAYS / 50)[None], 21)
    cost = replacement_costs(hold, COSTS.checked(1))[0]
    s = np.exp(-np.arange(22) / 50)
    for week in range(3):
        day = 7 * week
        by_hand = (1 - s[day]) * 2100 + s[day] * 1350 + 0.5 * s[day:21].sum() - 700 * s[21]
        assert cost[week] == pytest.approx(by_hand)
    assert cost[3] == pytest.approx((1 - s[21]) * 2100)


def test_a_stranding_counts_wherever_a_pack_comes_back_unplanned():
    hold = extended_hold(HOLD, 28)
    free, dear = (FleetCosts("EUR", 1200, 150, 900, 0.5, 700, stranding=s).checked(4) for s in (0, 500))
    more = replacement_costs(hold, dear) - replacement_costs(hold, free)
    np.testing.assert_allclose(more, 500 * (1 - hold[:, ::7]))
    waits = [rank_by_waiting(HOLD, FleetCosts("EUR", 1200, 150, 900, 0.5, 700, s)).week_cost for s in (0, 500)]
    np.testing.assert_allclose(waits[1] - waits[0], 500 * (1 - hold[:, 7]))


def test_a_vehicle_whose_pack_has_to_be_replaced_stands_until_then():
    hold, standing = extended_hold(HOLD, 21), np.array([False, True, False, False])
    with pytest.raises(BadInput, match="stands until then"):
        COSTS.checked(4, standing)
    costs = FleetCosts("EUR", 1200, 150, 900, 0.5, 700, 500, day_off_road=60)
    cost = replacement_costs(hold, costs.checked(4, standing), standing)
    np.testing.assert_allclose(cost[1], 1350 + 60 * np.array([0, 7, 14, 21]))
    np.testing.assert_allclose(cost[~standing], replacement_costs(hold, costs.checked(4))[~standing])


def test_a_week_s_wait_is_the_difference_of_two_weeks_of_the_plan():
    cost = replacement_costs(extended_hold(HOLD, 84), COSTS.checked(4))
    ranking = rank_by_waiting(HOLD, COSTS)
    np.testing.assert_allclose(ranking.week_cost, cost[:, 1] - cost[:, 0])
    assert (np.diff(ranking.week_cost[ranking.order]) <= 0).all()


def test_a_dear_return_outranks_a_likely_one():
    costs = FleetCosts("EUR", 1200, 150, [900, 20_000, 900, 900], 0.5, 700, stranding=0)
    ranking = rank_by_waiting(HOLD, costs)
    assert ranking.return_chance.argmax() == 0
    assert ranking.order[0] == 1


def test_weekly_returns_count_only_vehicles_not_yet_replaced():
    hold = extended_hold(HOLD, 28)
    left = weekly_returns(hold[:, ::7], np.full(4, NOT_PLANNED))
    assert left.mean.sum() == pytest.approx((1 - hold[:, -1]).sum())
    replaced = weekly_returns(hold[:, ::7], np.array([0, 2, NOT_PLANNED, 0]))
    by_hand = (hold[1:3, 0:28:7] - hold[1:3, 7:29:7]) * np.array([[1, 1, 0, 0], [1, 1, 1, 1]])
    np.testing.assert_allclose(replaced.mean, by_hand.sum(axis=0))


def test_the_interval_covers_what_a_simulation_returns():
    rng = np.random.default_rng(0)
    scale = rng.lognormal(np.log(60), 0.5, 400)
    hold = extended_hold(np.exp(-((DAYS / scale[:, None]) ** 1.5)), 56, every=7)
    returns = weekly_returns(hold, np.full(400, NOT_PLANNED), 0.9)
    drawn = np.stack([(rng.random(400)[:, None] > hold).argmax(axis=1) for _ in range(500)])
    counts = np.stack([(drawn == week + 1).sum(axis=1) for week in range(8)], axis=1)
    covered = ((counts >= returns.low) & (counts <= returns.high)).mean(axis=0)
    # Counts are whole, so the interval covers at least 0.9 and somewhat more; 500 draws leave an error of 0.013.
    assert (covered > 0.86).all()
    assert covered.mean() < 0.97
    np.testing.assert_allclose(counts.mean(axis=0), returns.mean, rtol=0.05)


def test_the_band_widens_the_interval():
    hold, low, high = (extended_hold(np.repeat(c, 30, axis=0), 56, every=7) for c in (HOLD, HOLD**1.5, HOLD**0.6))
    none = np.full(120, NOT_PLANNED)
    plain, wide = weekly_returns(hold, none), weekly_returns(hold, none, 0.9, low, high)
    assert (wide.low <= plain.low).all()
    assert (wide.high >= plain.high).all()
    assert (wide.low <= wide.mean).all()
    assert (wide.mean <= wide.high).all()


def test_missing_costs_are_asked_for():
    with pytest.raises(BadInput) as caught:
        FleetCosts("EUR", pack=1200).checked(3)
    assert {p.where for p in caught.value.problems} == {
        "costs.planned_work",
        "costs.return_work",
        "costs.capital_per_day",
        "costs.return_value",
        "costs.stranding",
    }
    with pytest.raises(BadInput):
        FleetCosts("EUR", 1200, 0, 0, 0, 1300, stranding=0).checked(3)
    with pytest.raises(BadInput):
        weekly_returns(extended_hold(HOLD, 14, every=7), np.zeros(4, dtype=int), 1.0)

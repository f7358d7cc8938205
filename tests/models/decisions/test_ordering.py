from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.decisions.hold_curves import HORIZON, extended_hold
from models.decisions.lead_time import Delivery, LeadTime, Quote, lead_time
from models.decisions.money import Money
from models.decisions.ordering import (
    AT_RETURN,
    COUNTED_DAYS,
    TOO_LATE,
    Costs,
    Offer,
    cost_sensitivity,
    latest_order_days,
    plan_orders,
    plan_orders_on_band,
)

HOLD = np.exp(-((DAYS / np.array([15.0, 40.0, 90.0, 400.0])[:, None]) ** 1.8))
SLOW = Offer("Harbour Parts", Money(1400, "EUR"), lead_time("Harbour Parts", Quote(12, 8, 25)))
FAST = Offer("Ferry Express", Money(1400, "EUR"), lead_time("Ferry Express", Quote(3, 2, 5)), Money(180, "EUR"))
COSTS = Costs("EUR", stranding=600, day_off_road=60, capital_per_day=0.5, return_value=900)


def cost_by_hand(hold, offer, at_return, day, costs, return_at_the_end):
    """Add up every return day and every lead time one by one."""
    total = 0.0
    chance = dict(enumerate(-np.diff(hold), start=1))
    after = COUNTED_DAYS + 1 if return_at_the_end else 10_000
    chance[after] = hold[-1]
    for t, p_t in chance.items():
        for lead, p_lead in enumerate(offer.lead_time.probability):
            if t <= day:
                wait = np.arange(len(at_return.lead_time.probability)) @ at_return.lead_time.probability
                cost = at_return.to_pay.amount + costs.stranding + costs.day_off_road * wait
            else:
                arrival = day + lead
                cost = offer.to_pay.amount
                if t <= arrival:
                    cost += costs.stranding + costs.day_off_road * (arrival - t)
                elif arrival < COUNTED_DAYS:
                    cost += costs.capital_per_day * (min(t, COUNTED_DAYS) - arrival)
                if t > COUNTED_DAYS:
                    cost -= costs.return_value
            total += p_t * p_lead * cost
    return total


@pytest.mark.parametrize("day", [0, 1, 7, 30, 80, 90])
@pytest.mark.parametrize("at_most", [False, True])
def test_costs_are_those_counted_case_by_case(day, at_most):
    plan = plan_orders(HOLD, [SLOW, FAST], COSTS, 0.1)
    daily = extended_hold(HOLD, COUNTED_DAYS)
    costs = plan.cost_at_most if at_most else plan.cost_at_least
    for case in range(len(HOLD)):
        at_return = plan.offers[plan.at_return_offer[case]]
        for m, offer in enumerate(plan.offers):
            expected = cost_by_hand(daily[case], offer, at_return, day, COSTS, at_most)
            assert costs[case, m, day] == pytest.approx(expected, rel=1e-9)


def test_waiting_is_not_free_of_what_follows_the_forecast():
    # At the pace of its last days a pack that holds to day 90 comes back by day 180 with this chance.
    chance = 1 - np.exp(-180 / 40)
    steady = np.exp(-DAYS / 40)[None]
    plan = plan_orders(steady, [FAST], replace(COSTS, day_off_road=0), 0.1)
    assert plan.at_return_cost[0] == pytest.approx(chance * (600 + 1580))
    # A stranding saved counts, a pack that comes back soon after the forecast's end is not called needless.
    late = np.interp(DAYS, [0, 60, 90], [1.0, 1.0, 0.6])[None]
    dear = plan_orders(late, [FAST], Costs("EUR", 600, 60, 0.5, 0), 0.1)
    assert dear.best_offer[0] == 0
    assert (1 - late[0, -1]) * (600 + 1580 + 60 * 3) < dear.best_cost[0] < dear.at_return_cost[0]


def test_the_fault_is_first_when_it_comes_up_to_the_day_of_arrival():
    plan = plan_orders(HOLD, [Offer("P", Money(1, "EUR"), LeadTime.on(7, ""))], replace(COSTS, return_value=0), 0.1)
    np.testing.assert_allclose(plan.fault_first_at_most[:, 0, 0], 1 - HOLD[:, DAYS == 7][:, 0])
    np.testing.assert_allclose(plan.fault_first_at_most[:, 0, 7], 1 - HOLD[:, DAYS == 14][:, 0])


def test_the_latest_day_is_the_last_that_keeps_to_the_risk():
    plan = plan_orders(HOLD, [SLOW, FAST], COSTS, 0.1)
    for case, offer in np.ndindex(plan.latest_day.shape):
        latest, chance = plan.latest_day[case, offer], plan.fault_first_at_most[case, offer]
        assert latest == TOO_LATE or chance[latest] <= 0.1
        assert latest == HORIZON or chance[latest + 1] > 0.1
    assert (plan.latest_day[:, 1] >= plan.latest_day[:, 0]).all()
    assert plan.latest_day[0, 0] == TOO_LATE
    assert plan.horizon_limits[3].all()


@settings(max_examples=40, deadline=None)
@given(st.floats(5, 400), st.floats(0.6, 3), st.floats(1, 4), st.floats(0.01, 0.5))
def test_a_worse_curve_never_allows_a_later_day(scale, shape, worse, risk):
    curve = np.exp(-((DAYS / scale) ** shape))[None]
    better, poorer = (plan_orders(c, [SLOW, FAST], COSTS, risk) for c in (curve, curve**worse))
    assert (poorer.latest_day <= better.latest_day).all()
    looser = plan_orders(curve, [SLOW, FAST], COSTS, min(risk * 1.5, 0.9))
    assert (looser.latest_day >= better.latest_day).all()


def test_cases_do_not_depend_on_each_other_or_on_their_order():
    together, turned = plan_orders(HOLD, [SLOW, FAST], COSTS, 0.1), plan_orders(HOLD[::-1], [SLOW, FAST], COSTS, 0.1)
    np.testing.assert_allclose(turned.cost_at_most, together.cost_at_most[::-1])
    for i in range(len(HOLD)):
        alone = plan_orders(HOLD[i : i + 1], [SLOW, FAST], COSTS, 0.1)
        np.testing.assert_allclose(alone.cost_at_most[0], together.cost_at_most[i])
        assert (alone.best_offer[0], alone.best_day[0]) == (together.best_offer[i], together.best_day[i])


def test_the_unit_of_money_does_not_change_the_answer():
    cents = Costs("EUR", 60000, 6000, 50, 90000)
    offers = [replace(o, price=o.price * 100, express_fee=o.express_fee and o.express_fee * 100) for o in (SLOW, FAST)]
    one, hundred = plan_orders(HOLD, [SLOW, FAST], COSTS, 0.1), plan_orders(HOLD, offers, cents, 0.1)
    np.testing.assert_allclose(hundred.cost_at_most, 100 * one.cost_at_most)
    assert (hundred.best_day == one.best_day).all()


def test_every_cost_has_its_way():
    plan = plan_orders(HOLD, [SLOW, FAST], COSTS, 0.1)
    for name in ("stranding", "day_off_road", "capital_per_day"):
        dearer = plan_orders(HOLD, [SLOW, FAST], replace(COSTS, **{name: getattr(COSTS, name) * 3}), 0.1)
        assert (dearer.best_cost >= plan.best_cost - 1e-9).all()
    # Nothing to lose by a return: wait for it. Everything to lose: order today, by express.
    calm = plan_orders(HOLD, [SLOW, FAST], Costs("EUR", 0, 0, 5, 0), 0.1)
    assert (calm.best_offer == AT_RETURN).all()
    grave = plan_orders(HOLD, [SLOW, FAST], Costs("EUR", 1e6, 60, 0.5, 900), 0.1)
    assert (grave.best_offer == 1).all()
    assert (grave.best_day == 0).all()


def test_costs_may_differ_from_case_to_case():
    each = replace(COSTS, stranding=[0.0, 600.0, 600.0, 1e6])
    plan = plan_orders(HOLD, [SLOW, FAST], each, 0.1)
    grave = plan_orders(HOLD[3:], [SLOW, FAST], replace(COSTS, stranding=1e6), 0.1)
    assert plan.best_cost[3] == pytest.approx(grave.best_cost[0])


def test_the_safe_order_is_the_cheapest_that_keeps_to_the_risk():
    plan = plan_orders(HOLD, [SLOW, FAST], COSTS, 0.05)
    for case in range(len(HOLD)):
        within = plan.fault_first_at_most[case] <= 0.05
        if not within.any():
            assert plan.safe_day[case] == TOO_LATE
            continue
        cost = plan.cost_at_most[case][plan.safe_offer[case], plan.safe_day[case]]
        assert cost == pytest.approx(plan.cost_at_most[case][within].min())


def test_an_open_order_on_record_counts_against_its_supplier():
    lead = lead_time("P", None, [Delivery(3)] * 4 + [Delivery(20, arrived=False)])
    plan = plan_orders(HOLD[3:], [Offer("P", Money(1400, "EUR"), lead)], COSTS, 0.1)
    assert plan.fault_first_at_most[0, 0, 0] >= 0.2
    assert plan.latest_day[0, 0] == TOO_LATE


def test_sensitivity_says_which_cost_decides():
    changes = cost_sensitivity(HOLD, [SLOW, FAST], COSTS, 0.1)
    assert [(c.cost, c.factor) for c in changes][:2] == [("stranding", 0.5), ("stranding", 2.0)]
    base = plan_orders(HOLD, [SLOW, FAST], COSTS, 0.1)
    for change in changes:
        costs = {n: getattr(COSTS, n) for n in ("stranding", "day_off_road", "capital_per_day", "return_value")}
        costs[change.cost] = min(costs[change.cost] * change.factor, 1400)
        again = plan_orders(HOLD, [SLOW, FAST], Costs("EUR", **costs), 0.1)
        np.testing.assert_allclose(change.plan.best_cost, again.best_cost)
        assert (change.changed == ((again.best_day != base.best_day) | (again.best_offer != base.best_offer))).all()


def test_the_band_s_edges_are_weighed_too():
    band = plan_orders_on_band(HOLD, HOLD**1.5, HOLD**0.6, [SLOW, FAST], COSTS, 0.1)
    assert (band.pessimistic.latest_day <= band.middle.latest_day).all()
    assert (band.middle.latest_day <= band.optimistic.latest_day).all()
    assert band.depends_on_band.dtype == bool


def test_missing_costs_are_asked_for_with_the_reason():
    with pytest.raises(BadInput) as caught:
        plan_orders(HOLD, [SLOW], Costs("EUR", stranding=600, capital_per_day=1), 0.1)
    assert [p.where for p in caught.value.problems] == ["costs.day_off_road", "costs.return_value"]
    assert "decides between fast and slow offers" in caught.value.problems[0].what


@pytest.mark.parametrize(
    "call",
    [
        lambda: plan_orders(HOLD, [], COSTS, 0.1),
        lambda: plan_orders(HOLD, [SLOW], replace(COSTS, currency="NOK"), 0.1),
        lambda: plan_orders(HOLD, [replace(SLOW, express_fee=Money(1, "NOK"))], COSTS, 0.1),
        lambda: plan_orders(HOLD, [SLOW], replace(COSTS, return_value=1401), 0.1),
        lambda: plan_orders(HOLD, [SLOW], COSTS, 0.0),
        lambda: plan_orders_on_band(HOLD, HOLD[:1], HOLD, [SLOW], COSTS, 0.1),
    ],
)
def test_what_cannot_be_weighed_is_refused(call):
    with pytest.raises(BadInput):
        call()


def test_the_latest_order_day_needs_no_costs():
    days = latest_order_days(HOLD, [SLOW.lead_time, FAST.lead_time], 0.1)
    assert (days == plan_orders(HOLD, [SLOW, FAST], COSTS, 0.1).latest_day).all()
    with pytest.raises(BadInput, match="risk"):
        latest_order_days(HOLD, [SLOW.lead_time], 1)

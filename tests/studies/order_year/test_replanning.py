"""Ordering from look to look."""

from __future__ import annotations

import numpy as np
import pytest

from models.base.day_grid import DAYS, survival_at
from models.base.errors import BadInput
from models.decisions.lead_time import LeadTime
from models.decisions.money import Money
from models.decisions.ordering import AT_RETURN, Costs, Offer, plan_orders
from tests.studies.order_year.replanning import until_next_look

OFFERS = [
    Offer("Harbour Parts", Money(1750, "EUR"), LeadTime.on(12, "invented")),
    Offer("Harbour Parts", Money(1750, "EUR"), LeadTime.on(3, "invented"), Money(290, "EUR")),
]
COSTS = Costs(currency="EUR", stranding=420.0, day_off_road=75.0, capital_per_day=1.4, return_value=700.0)


def hold(mean_days, wait=0.0):
    return np.exp(-np.maximum(DAYS - wait, 0.0) / mean_days)


@pytest.fixture(scope="module")
def plan():
    # Back soon at a steady rate; sound for thirty days and then back soon; hardly ever back.
    curves = np.stack([hold(8.0), hold(4.0, wait=30.0), hold(5000.0)])
    return plan_orders(curves, OFFERS, COSTS, 0.1)


def test_only_what_falls_due_before_the_next_look_is_ordered(plan):
    week = until_next_look(plan, 7.0)
    assert week.order.tolist() == [True, False, False]
    assert week.day[0] == plan.best_day[0] == 0
    assert week.offer.tolist()[1:] == [AT_RETURN, AT_RETURN]
    late = until_next_look(plan, np.array([7.0, 40.0, np.inf]))
    assert late.order.tolist() == [True, True, False]
    assert late.day[1] == plan.best_day[1] > 7


def test_what_waiting_saves_is_the_cost_of_hurry(plan):
    found = until_next_look(plan, 7.0).waiting_saves
    assert found[0] == pytest.approx(0.0)
    offer = plan.best_offer[1]
    assert found[1] == pytest.approx(plan.cost_at_most[1, offer, 0] - plan.best_cost[1])
    assert found[2] == pytest.approx(plan.cost_at_most[2, :, 0].min() - plan.at_return_cost[2])
    assert found[1] > 0
    assert found[2] > 0


def test_a_plan_made_anew_without_news_goes_on_as_it_was():
    """A lead time on whole days and a curve known to the end: what holds on day 9 orders on the day it meant to."""
    curve = hold(4.0, wait=30.0)
    first = plan_orders(curve[None, :], OFFERS, COSTS, 0.1)
    held = 9.0
    inside = np.minimum(DAYS + held, DAYS[-1])
    onward = survival_at(curve[None, :], inside)[0] / survival_at(curve[None, :], held)[0]
    again = plan_orders(onward[None, :], OFFERS, COSTS, 0.1)
    assert again.best_offer[0] == first.best_offer[0]
    # Grids read the curve at different days, so a day either way.
    assert abs(again.best_day[0] + held - first.best_day[0]) <= 1


def test_a_look_that_does_not_lie_ahead_is_refused(plan):
    with pytest.raises(BadInput, match="does not lie ahead"):
        until_next_look(plan, 0.0)
    with pytest.raises(BadInput, match="does not lie ahead"):
        until_next_look(plan, np.array([1.0, np.nan, 1.0]))

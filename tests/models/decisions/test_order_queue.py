import numpy as np
import pytest

from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.decisions.lead_time import Quote, lead_time
from models.decisions.money import Money
from models.decisions.order_queue import order_queue
from models.decisions.ordering import TOO_LATE, Costs, Offer, plan_orders, plan_orders_on_band

CASES = ["cab 2", "van 1", "clinic car 3", "van 7"]
HOLD = np.exp(-((DAYS / np.array([15.0, 40.0, 90.0, 2.0])[:, None]) ** 1.8))
OFFERS = [
    Offer("Harbour Parts", Money(1400, "EUR"), lead_time("Harbour Parts", Quote(12, 8, 25))),
    Offer("Ferry Express", Money(1400, "EUR"), lead_time("Ferry Express", Quote(3, 2, 5)), Money(180, "EUR")),
]
COSTS = Costs("EUR", stranding=600, day_off_road=60, capital_per_day=0.5, return_value=900)


def test_the_case_that_needs_its_order_first_stands_first():
    queue = order_queue(CASES, plan_orders(HOLD, OFFERS, COSTS, 0.1))
    assert [entry.latest_day for entry in queue] == sorted(entry.latest_day for entry in queue)
    assert queue[0].case == "van 7"
    assert queue[0].latest_day == TOO_LATE
    assert "No offer keeps to the 10% chosen" in queue[0].reasons[0]


def test_the_queue_does_not_depend_on_the_order_of_the_cases():
    forward = order_queue(CASES, plan_orders(HOLD, OFFERS, COSTS, 0.1))
    backward = order_queue(CASES[::-1], plan_orders(HOLD[::-1], OFFERS, COSTS, 0.1))
    assert [(e.case, e.latest_day, e.reasons) for e in forward] == [(e.case, e.latest_day, e.reasons) for e in backward]


def test_of_equal_days_the_dearer_wait_comes_first():
    each = Costs("EUR", [600.0, 6000.0], 60, 0.5, 900)
    queue = order_queue(["a", "b"], plan_orders(np.repeat(HOLD[1:2], 2, axis=0), OFFERS[1:], each, 0.1))
    assert [entry.case for entry in queue] == ["b", "a"]
    assert queue[0].week_later.amount > queue[1].week_later.amount


def test_reasons_say_day_supplier_risk_and_money_and_what_the_band_changes():
    plan = plan_orders_on_band(HOLD, HOLD**1.6, HOLD**0.6, OFFERS, COSTS, 0.1)
    entry = next(e for e in order_queue(CASES, plan) if e.case == "van 1")
    words = " ".join(entry.reasons)
    assert f"up to day {entry.latest_day}" in words
    assert entry.supplier in words
    assert "10%" in words
    assert "EUR" in words
    assert "The latest day is not sure" in words
    assert entry.latest_day_pessimistic <= entry.latest_day <= entry.latest_day_optimistic


def test_a_cheap_order_that_breaks_the_risk_is_called_that():
    queue = order_queue(["x"], plan_orders(HOLD[1:2], OFFERS, Costs("EUR", 50, 5, 0.5, 900), 0.02))
    assert (
        "cheapest to order only when the fault returns" in queue[0].reasons[-1]
        or "past the chosen risk" in queue[0].reasons[-1]
    )
    assert queue[0].supplier == "Ferry Express"


def test_of_an_order_today_nothing_is_called_sooner():
    """ "The fault coming back costs less than ordering sooner" stood beside an order placed today."""
    dear = Costs("EUR", 60_000, 5, 50, 900)
    for offers, words in (
        (OFFERS[1:], "no other order is likelier to come before the fault"),
        (OFFERS, "comes sooner"),
    ):
        cost = dear if len(offers) == 1 else Costs("EUR", 500, 5, 50, 900)
        plan = plan_orders(HOLD[:1], offers, cost, 0.001)
        (entry,) = order_queue(["x"], plan)
        said = entry.reasons[-1]
        assert "ordering sooner" not in said
        if int(plan.best_day[0]) == 0:
            assert words in said or int(plan.best_offer[0]) == entry.offer
    plan = plan_orders(HOLD[:1], OFFERS[1:], dear, 0.001)
    assert int(plan.best_day[0]) == 0
    assert "no other order is likelier to come before the fault" in order_queue(["x"], plan)[0].reasons[-1]


def test_names_and_rows_must_match():
    with pytest.raises(BadInput):
        order_queue(["one"], plan_orders(HOLD, OFFERS, COSTS, 0.1))

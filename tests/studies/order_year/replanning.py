"""Ordering from look to look: what a plan made today decides before the pack is looked at, or thought of, again.

A plan of orders says on which day to order if the fault has not come back by then. New readings change the forecast,
and so the plan; what is still to come in it is thrown away at the next look and planned anew from what is known then.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Bools, Floats, Integers
from models.base.errors import BadInput
from models.decisions.ordering import AT_RETURN, OrderPlan


@dataclass(frozen=True, eq=False)
class UntilNextLook:
    """What to do before the next look, for n cases.

    Attributes
    ----------
    order : array of bool, shape (n,)
        An order falls due before it, if the fault has not come back by then.
    offer, day : array of int, shape (n,)
        Which, and on which day from today; `AT_RETURN` where none falls due.
    waiting_saves : array, shape (n,)
        What the plan's order day saves against ordering the same offer today; 0 where it is due today, or where the
        plan is to order only at the return (then against the cheapest order today).
    """

    order: Bools
    offer: Integers
    day: Integers
    waiting_saves: Floats


def until_next_look(plan: OrderPlan, next_look_days: ArrayLike) -> UntilNextLook:
    """Say which orders fall due before the next look.

    Parameters
    ----------
    plan : OrderPlan
        For n cases, made now from the newest forecast of each (`models.forecasts.forecast.Forecast.given_held`, or a
        new one).
    next_look_days : float or array, shape (n,)
        Days until each case is planned anew; infinity if never.

    Returns
    -------
    UntilNextLook

    Raises
    ------
    BadInput
        If a next look does not lie ahead.
    """
    cases = len(plan.best_day)
    ahead = np.broadcast_to(np.asarray(next_look_days, dtype=np.float64), (cases,))
    if not (ahead > 0).all():
        raise BadInput.one(
            "next_look_days", "holds a look that does not lie ahead.", "Give days from now, above 0, or infinity."
        )
    due = (plan.best_day != AT_RETURN) & (plan.best_day < ahead)
    rows = np.arange(cases)
    same_today = plan.cost_at_most[rows, plan.best_offer, 0]
    cheapest_today = plan.cost_at_most[:, :, 0].min(axis=1)
    today = np.where(plan.best_offer == AT_RETURN, cheapest_today, same_today)
    return UntilNextLook(
        order=due,
        offer=np.where(due, plan.best_offer, AT_RETURN),
        day=np.where(due, plan.best_day, AT_RETURN),
        waiting_saves=np.maximum(today - plan.best_cost, 0.0),
    )

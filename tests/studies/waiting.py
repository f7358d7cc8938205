"""What another week's wait costs, from the curves themselves; in the service the database reckons it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from models.base.arrays import Floats, Integers
from models.decisions.fleet_costs import WEEK_DAYS, FleetCosts
from models.decisions.hold_curves import daily_hold


@dataclass(frozen=True, eq=False)
class Ranking:
    """Vehicles by what another week's wait costs.

    Attributes
    ----------
    order : array of int, shape (n,)
        Rows, the costliest wait first; of equals the earlier row.
    week_cost : array, shape (n,)
        What replacing in a week instead of now adds to the expected cost, by row; negative where waiting saves.
    return_chance : array, shape (n,)
        Probability of a return within the week, by row.
    """

    currency: str
    order: Integers
    week_cost: Floats
    return_chance: Floats


def rank_by_waiting(survival: ArrayLike, costs: FleetCosts) -> Ranking:
    """Rank vehicles by the expected cost of waiting one more week, not by probability alone.

    A week's wait costs the dearer replacement if the fault returns in it, and saves the capital otherwise tied up.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
    """
    hold = daily_hold(survival)
    each = costs.checked(len(hold))
    chance = 1 - hold[:, WEEK_DAYS]
    tied_up = each["capital_per_day"] * hold[:, :WEEK_DAYS].sum(axis=1)
    week_cost = chance * (each["stranding"] + each["return_work"] - each["planned_work"]) - tied_up
    return Ranking(costs.currency, np.argsort(-week_cost, kind="stable"), week_cost, chance)

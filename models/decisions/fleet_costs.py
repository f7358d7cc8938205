"""What replacing each vehicle's pack in each week costs, and how many will return.

A vehicle planned for week w is replaced at the start of that week if its fault has not come back by then; if it has,
it was replaced at its return. Up to the end of the plan (day E) it costs

    F(w) (pack + return) + S(w) (pack + planned) + capital * expected days from w to the return or E - value * S(E),

and a vehicle that is not planned costs F(E) (pack + return), where a return costs its work and the stranding.

A pack that has to be replaced whatever its curve has no fault to wait for. Its vehicle stands until then, at most to
the end of the plan:

    pack + planned + day off the road * days to w or E.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from models.base.arrays import Bools, Floats, Integers
from models.base.errors import BadInput
from models.base.messages import say
from models.decisions.money import Amounts, asked_for, one_currency
from models.decisions.stock import count_quantile, poisson_binomial

WEEK_DAYS: Final = 7
NOT_PLANNED: Final = -1
"""In place of a week: the vehicle is left until its fault returns."""

MAX_WEEKS: Final = 104
"""Longest plan; far past the forecast it would rest on the assumed hazard alone."""


@dataclass(frozen=True, eq=False)
class FleetCosts:
    """What replacements cost; nothing has a default, zero must be said. Each one value, or one a vehicle.

    Attributes
    ----------
    currency : str
        ISO 4217 code of all of them.
    pack : float or array, shape (n,)
        Price of the replacement pack.
    planned_work : float or array, shape (n,)
        All else that a planned replacement costs: the work and the vehicle's time off the road.
    return_work : float or array, shape (n,)
        All else that a return costs besides the stranding: the work, and the days off the road until it is done.
    capital_per_day : float or array, shape (n,)
        One day in which a pack was bought earlier than needed.
    return_value : float or array, shape (n,)
        What the new pack was still good for if the old one would have held to the end of the plan.
    stranding : float or array, shape (n,)
        What it costs that the fault came back on the road: recovery, replacement trip, goodwill.
    day_off_road : float or array, shape (n,)
        One day in which a vehicle stands; asked for only where one does until its pack is replaced.
    """

    currency: str
    pack: Amounts = None
    planned_work: Amounts = None
    return_work: Amounts = None
    capital_per_day: Amounts = None
    return_value: Amounts = None
    stranding: Amounts = None
    day_off_road: Amounts = None

    def checked(self, vehicles: int, standing: Bools | None = None) -> dict[str, Floats]:
        """Return each cost as one value a vehicle, or say which are missing and why they are needed.

        Parameters
        ----------
        standing : array of bool, shape (n,), optional
            True where a vehicle stands until its pack is replaced.
        """
        one_currency([self.currency], "costs.currency")
        why = {
            "pack": say("It is the price of the replacement pack: the budget pays for it."),
            "planned_work": say(
                "It is what a planned replacement costs besides the pack; a return is weighed against it."
            ),
            "return_work": say("It is what a return costs besides the pack; without it waiting looks free."),
            "capital_per_day": say(
                "It is what a pack bought a day early costs: without it, replacing at once looks best."
            ),
            "return_value": say(
                "It is what the new pack is worth if the old one would have held: it counts against needless work."
            ),
            "stranding": say("It is what a return on the road costs besides the work: every pack that waits risks it."),
        }
        if standing is not None and standing.any():
            why["day_off_road"] = say("A vehicle whose pack has to be replaced stands until then.")
        values = asked_for({name: (getattr(self, name), reason) for name, reason in why.items()}, vehicles)
        if (values["return_value"] > values["pack"]).any():
            raise BadInput.one(
                "costs.return_value",
                "is above the price of the pack: every pack bought would be a gain.",
                "Give what the pack is still worth, at most its price.",
            )
        return values


def replacement_costs(hold: Floats, costs: dict[str, Floats], standing: Bools | None = None) -> Floats:
    """Return the expected cost of each vehicle planned for each week, and not planned.

    Parameters
    ----------
    hold : array, shape (n, 7 W + 1)
        From `extended_hold`.
    costs : dict
        From `FleetCosts.checked`.
    standing : array of bool, shape (n,), optional
        True where a vehicle stands until its pack is replaced.

    Returns
    -------
    array, shape (n, W + 1)
        Column w for week w (from 0), the last column for not planned.
    """
    cost = {name: values[:, None] for name, values in costs.items()}
    starts = hold[:, :-1:WEEK_DAYS]
    early = np.cumsum(hold[:, :-1][:, ::-1], axis=1)[:, ::-1][:, ::WEEK_DAYS]
    end = hold[:, -1:]
    at_return = cost["pack"] + cost["stranding"] + cost["return_work"]
    planned = (
        (1 - starts) * at_return
        + starts * (cost["pack"] + cost["planned_work"])
        + cost["capital_per_day"] * early
        - cost["return_value"] * end
    )
    driven = np.concatenate([planned, (1 - end) * at_return], axis=1)
    if standing is None or not standing.any():
        return driven
    days = np.arange(0, hold.shape[1], WEEK_DAYS)
    return np.where(standing[:, None], cost["pack"] + cost["planned_work"] + cost["day_off_road"] * days, driven)


@dataclass(frozen=True, eq=False)
class WeeklyReturns:
    """Returns to expect in each week while a plan is carried out.

    Attributes
    ----------
    mean : array, shape (W,)
    low, high : array of int, shape (W,)
        Interval of the number of returns, by the exact distribution of the count.
    confidence : float
        Share of weeks that the interval should cover, if the curves are right and vehicles fail independently.
    """

    mean: Floats
    low: Integers
    high: Integers
    confidence: float


def weekly_returns(
    hold: Floats,
    week: Integers,
    confidence: float = 0.9,
    hold_low: Floats | None = None,
    hold_high: Floats | None = None,
) -> WeeklyReturns:
    """Count the returns to expect in each week, leaving out vehicles whose planned week has come.

    Parameters
    ----------
    hold : array, shape (n, W + 1)
        From `extended_hold`, at the end of every week.
    week : array of int, shape (n,)
        Planned week of each vehicle, or `NOT_PLANNED`.
    hold_low, hold_high : array, shape (n, W + 1), optional
        The same on the edges of the forecast's band; the interval then holds those of all three. Which edge gives the
        fewest returns in a week changes once most have come back.
    """
    if not 0 < confidence < 1:
        raise BadInput.one("confidence", f"is {confidence}.", "Give a share between 0 and 1.")
    waits = (week[:, None] == NOT_PLANNED) | (np.arange(hold.shape[1] - 1) < week[:, None])

    def chances(curves: Floats) -> Floats:
        return np.where(waits, -np.diff(curves, axis=1), 0.0)

    def quantiles(curves: Floats) -> Integers:
        shares = ((1 - confidence) / 2, (1 + confidence) / 2)
        counts = (poisson_binomial(column[column > 0]) for column in chances(curves).T)
        return np.array([[count_quantile(count, share) for share in shares] for count in counts], dtype=np.int64)

    intervals = np.stack([quantiles(curves) for curves in (hold, hold_low, hold_high) if curves is not None])
    return WeeklyReturns(
        mean=chances(hold).sum(axis=0),
        low=intervals[..., 0].min(axis=0),
        high=intervals[..., 1].max(axis=0),
        confidence=confidence,
    )

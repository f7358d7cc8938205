"""How many packs to keep on the shelf for the time a new one takes to come.

The demand over a lead time is the number of open cases whose fault returns within it, plus the new cases that turn
up. Open cases fail independently given their curves, but not with equal chances: their number is Poisson-binomial.
All of them share the same lead time, so the demand is mixed over it and not taken at its mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import poisson

from models.base.arrays import Floats
from models.base.day_grid import survival_at
from models.base.errors import BadInput
from models.decisions.hold_curves import HORIZON, checked_curves
from models.decisions.lead_time import LeadTime

_TAIL: Final = 1e-12
"""Probability beyond which the Poisson part is cut; far below anything a stock figure can show."""

_GROUP: Final = 64
"""Trials, a power of two, up to which groups are convolved all at once; beyond, one pair at a time is quicker."""

_LONG: Final = 1_000
"""Counts in a row from which on those below `_NEVER` are left out: they would take most of the time."""

_NEVER: Final = 1e-100
"""Far below what rounding leaves of any figure."""


def poisson_binomial(chances: ArrayLike) -> Floats:
    """Return the distribution of the number of successes of independent trials with unequal chances.

    Exact up to rounding, by convolving the trials in pairs, pairs of pairs and so on. All terms are positive, so no
    digits cancel, as they do in the transform methods. Counts too unlikely for a double are left out on both sides, of
    many thousand trials those below 1e-100 too: in all less than ``n log2(n)`` times that.

    Parameters
    ----------
    chances : array-like, shape (n,)
        Probability of each trial.

    Returns
    -------
    array, shape (n + 1,)
        Probability of 0, 1 … n successes.

    Raises
    ------
    BadInput
        If a chance lies outside 0 to 1.

    References
    ----------
    Hong, Y. (2013). On computing the distribution function for the Poisson binomial distribution. Computational
    Statistics & Data Analysis 59, 41-51.

    Examples
    --------
    >>> poisson_binomial([0.1, 0.2, 0.3]).round(3).tolist()
    [0.504, 0.398, 0.092, 0.006]
    """
    p = np.asarray(chances, dtype=np.float64)
    if p.ndim != 1 or not ((p >= 0) & (p <= 1)).all():
        raise BadInput.one("chances", "must be one row of probabilities.", "Give one value between 0 and 1 per trial.")
    trials = np.zeros(max(math.ceil(len(p) / _GROUP), 1) * _GROUP)  # those that fill up the last group never succeed
    trials[: len(p)] = p
    groups = np.stack([1 - trials, trials])
    while len(groups) <= _GROUP:
        groups = _pairs_of(groups)
    parts = [_without_tails(0, group) for group in np.ascontiguousarray(groups.T)]
    while len(parts) > 1:
        pairs = zip(parts[::2], parts[1::2], strict=False)
        alone = parts[len(parts) // 2 * 2 :]
        parts = [_without_tails(first + second, np.convolve(a, b)) for (first, a), (second, b) in pairs] + alone
    ((least, found),) = parts
    whole = np.zeros(len(p) + 1)
    found = found[: len(p) + 1 - least]
    whole[least : least + len(found)] = found
    return whole


def _pairs_of(groups: Floats) -> Floats:
    """Convolve neighbours, all pairs at once; one column a group."""
    # Side by side in memory, row by row: this is where the time of many thousand trials goes.
    one, other = np.ascontiguousarray(groups[:, ::2]), np.ascontiguousarray(groups[:, 1::2])
    width = len(groups)
    both = np.zeros((2 * width - 1, one.shape[1]))
    for count in range(width):
        both[count : count + width] += one[count] * other
    return both


def _without_tails(least: int, probability: Floats) -> tuple[int, Floats]:
    """Leave out counts that never come on both sides; return the least count left and the probabilities from it."""
    inside = probability > (_NEVER if len(probability) > _LONG else 0.0)
    first, end = int(inside.argmax()), len(inside) - int(inside[::-1].argmax())
    return least + first, probability[first:end]


def count_quantile(probability: Floats, share: float) -> int:
    """Return the smallest count that is reached or undercut with this probability."""
    return int(np.searchsorted(np.cumsum(probability), share - 1e-12).clip(max=len(probability) - 1))


@dataclass(frozen=True, eq=False)
class Demand:
    """Packs wanted during one lead time.

    Attributes
    ----------
    probability : array, shape (k,)
        Probability of 0, 1 … k − 1 packs.
    unclaimed : float
        Probability that the delivery takes longer than the forecast or the record reaches. In those cases the demand
        is counted up to there only, so the figures are least values when this is above 0.
    from_open_cases : float
        Expected number of packs that the open cases alone will want.
    """

    probability: Floats
    unclaimed: float
    from_open_cases: float

    @property
    def mean(self) -> float:
        """Expected number of packs."""
        return float(np.arange(len(self.probability)) @ self.probability)


def lead_time_demand(survival: ArrayLike, lead_time: LeadTime, new_cases_per_day: float) -> Demand:
    """Return how many packs will be wanted before one ordered today arrives.

    Parameters
    ----------
    survival : array-like, shape (n, len(DAYS))
        Hold curves of the open cases without a pack; n may be 0.
    new_cases_per_day : float
        New cases a day that want a pack at once, on average; taken as a Poisson stream.

    Raises
    ------
    BadInput
        If the rate is missing or negative, or the curves are broken.
    """
    if not (np.isfinite(new_cases_per_day) and new_cases_per_day >= 0):
        raise BadInput.one(
            "new_cases_per_day",
            f"is {new_cases_per_day}.",
            "Count the new cases of the last months and divide by the days; give 0 if none are to be served.",
        )
    chances = np.concatenate([lead_time.probability, [lead_time.open_share]])
    # Past the horizon nothing is claimed: what is known up to it is the least there can be.
    chances = np.bincount(np.minimum(np.arange(len(chances)), HORIZON), weights=chances)
    most_new = int(poisson.ppf(1 - _TAIL, new_cases_per_day * (len(chances) - 1))) if new_cases_per_day else 0
    days = np.flatnonzero(chances > 0)
    returned = 1 - survival_at(checked_curves(survival), days.astype(np.float64))
    probability = np.zeros(len(returned) + most_new + 1)
    for day, column in zip(days, returned.T, strict=True):
        new = poisson.pmf(np.arange(most_new + 1), new_cases_per_day * day)
        probability += chances[day] * np.convolve(poisson_binomial(column), new)
    late = lead_time.open_share + float(lead_time.probability[HORIZON + 1 :].sum())
    expected = float(returned.sum(axis=0) @ chances[days] / chances[days].sum())
    return Demand(probability / probability.sum(), late, expected)


def critical_ratio(shortage_cost: float, surplus_cost: float) -> float:
    """Return the share of lead times that the stock should cover.

    Parameters
    ----------
    shortage_cost : float
        Cost of one pack too few: stranding and days off the road until another comes.
    surplus_cost : float
        Cost of one pack too many: price less what it is still worth, and the capital in it.

    Returns
    -------
    float
        ``shortage / (shortage + surplus)``, the newsvendor's ratio (for example Silver, Pyke & Thomas, Inventory and
        Production Management in Supply Chains; from memory, unverified).

    Raises
    ------
    BadInput
        If a cost is negative or both are 0.

    Examples
    --------
    A paper sold for 5, bought for 2 and taken back for 0.5 loses 3 if short and 1.5 if left over:

    >>> round(critical_ratio(5 - 2, 2 - 0.5), 5)
    0.66667
    """
    if not (shortage_cost >= 0 and surplus_cost >= 0 and 0 < shortage_cost + surplus_cost < np.inf):
        raise BadInput.one(
            "shortage_cost",
            f"is {shortage_cost:g}, and a pack too many costs {surplus_cost:g}: nothing says which to avoid.",
            "Give two costs of 0 or more, not both 0.",
        )
    return shortage_cost / (shortage_cost + surplus_cost)


@dataclass(frozen=True)
class Stock:
    """A stock level and what it does.

    Attributes
    ----------
    packs : int
        On the shelf and on order together.
    to_order : int
        What is missing of it now.
    service : float
        Probability that a lead time passes without a pack too few.
    shortage, surplus : float
        Expected packs too few and packs left over in a lead time.
    unclaimed : float
        As in `Demand`: above 0, `packs` and `shortage` are least values and `service` is the most.
    """

    packs: int
    to_order: int
    service: float
    shortage: float
    surplus: float
    unclaimed: float

    def cost(self, shortage_cost: float, surplus_cost: float) -> float:
        """Return the expected cost of shortage and surplus together in a lead time."""
        return self.shortage * shortage_cost + self.surplus * surplus_cost


def stock_of(demand: Demand, packs: int, at_hand: int = 0) -> Stock:
    """Return what a given stock level does.

    Parameters
    ----------
    packs : int
        Stock level, 0 or more.
    at_hand : int
        Packs on the shelf and on order now.
    """
    if packs < 0 or at_hand < 0:
        raise BadInput.one("packs", "and at_hand cannot be negative.", "Count the packs on the shelf and on order.")
    left = packs - np.arange(len(demand.probability))
    return Stock(
        packs=packs,
        to_order=max(packs - at_hand, 0),
        service=min(float(demand.probability[: packs + 1].sum()), 1.0),
        shortage=float(np.maximum(-left, 0) @ demand.probability),
        surplus=float(np.maximum(left, 0) @ demand.probability),
        unclaimed=demand.unclaimed,
    )


def stock_for_service(demand: Demand, service: float, at_hand: int = 0) -> Stock:
    """Return the smallest stock that covers a lead time with this probability.

    With `critical_ratio` as the service it is the stock of least expected cost.

    Parameters
    ----------
    service : float
        Between 0 and 1.
    at_hand : int
        Packs on the shelf and on order now.
    """
    if not 0 <= service <= 1:
        raise BadInput.one("service", f"is {service}.", "Give a share between 0 and 1.")
    return stock_of(demand, count_quantile(demand.probability, service), at_hand)

"""At what age to replace something that fails dearly: the age-replacement policy of Barlow & Proschan (1965).

Replaced at age T or at failure, whichever comes first, a unit costs in the long run, per unit of time,

    (planned S(T) + failure F(T)) / integral of S from 0 to T.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from models.base.arrays import Floats
from models.base.errors import BadInput
from models.survival.kaplan_meier import KaplanMeier

_SCAN: Final = 400
"""Ages tried before the minimum is refined; the rate may have several local minima for an mixed law."""

_PAYS: Final = 1e-6
"""Relative saving below which replacing by age is called no better than running to failure."""


@dataclass(frozen=True)
class AgePolicy:
    """The best age and what it saves.

    Attributes
    ----------
    age : float
        Age at which to replace, in the unit of the life distribution; infinity if running to failure is no dearer.
    cost_rate : float
        Long-run cost per unit of time under the policy.
    run_to_failure_rate : float
        The same when only failures are replaced.
    run_to_failure_is_bound : bool
        True if the record ends before the last unit failed: the true rate is then at most `run_to_failure_rate`.
    """

    age: float
    cost_rate: float
    run_to_failure_rate: float
    run_to_failure_is_bound: bool


def age_policy(
    survival: Callable[[float], float], planned_cost: float, failure_cost: float, longest_age: float
) -> AgePolicy:
    """Find the best replacement age for a life distribution.

    Parameters
    ----------
    survival : callable
        S(t) for t of 0 or more, falling from 1 to 0.
    planned_cost, failure_cost : float
        Cost of a planned replacement and of one at failure, in one currency.
    longest_age : float
        Ages are searched up to here; nearly all units must have failed by then.

    Raises
    ------
    BadInput
        If a cost is not above 0, or more than one unit in a thousand outlives `longest_age`.

    Examples
    --------
    >>> policy = age_policy(lambda t: np.exp(-((t / 1000) ** 2.5)), 1, 5, 4000)
    >>> round(policy.age, 2), round(policy.cost_rate, 8), round(policy.run_to_failure_rate, 8)
    (493.05, 0.00346204, 0.0056353)
    """
    _check_costs(planned_cost, failure_cost)
    if not (longest_age > 0 and survival(longest_age) <= 1e-3):
        raise BadInput.one(
            "longest_age",
            f"{longest_age:g} is too short: more than 1 in 1,000 units outlive it.",
            "Search up to an age that hardly any unit reaches.",
        )
    ages = np.linspace(0, longest_age, _SCAN + 1)
    pieces = [quad(survival, a, b)[0] for a, b in pairwise(ages)]
    lived = np.concatenate([[0.0], np.cumsum(pieces)])
    mean = lived[-1] + quad(survival, longest_age, np.inf)[0]

    def rate(age: float) -> float:
        start = min(int(np.searchsorted(ages, age, side="right")) - 1, _SCAN - 1)
        held, life = survival(age), lived[start] + quad(survival, ages[start], age)[0]
        return float((planned_cost * held + failure_cost * (1 - held)) / life)

    at = np.array([rate(age) for age in ages[1:]])
    place = int(at.argmin()) + 1
    bounds = (ages[place - 1] + 1e-9 * longest_age, ages[min(place + 1, _SCAN)])
    found = minimize_scalar(rate, bounds=bounds, method="bounded", options={"xatol": 1e-9 * longest_age})
    to_failure = float(failure_cost / mean)
    if found.fun >= to_failure * (1 - _PAYS):
        return AgePolicy(np.inf, to_failure, to_failure, False)
    return AgePolicy(float(found.x), float(found.fun), to_failure, False)


def age_policy_from_record(curve: KaplanMeier, planned_cost: float, failure_cost: float) -> AgePolicy:
    """Find the best replacement age from a product-limit estimate of life.

    Between two failures of the record waiting costs nothing more and earns life, so the best age lies just before one
    of them: the age returned is that failure's, to be replaced before it is reached.

    Returns
    -------
    AgePolicy
        With `run_to_failure_is_bound` where the record ends before the curve reaches 0.

    Raises
    ------
    BadInput
        If a cost is not above 0, or the record holds no failure.
    """
    _check_costs(planned_cost, failure_cost)
    if not len(curve.days):
        raise BadInput.one("curve", "holds no failure.", "An age can only be weighed once something has failed.")
    held: Floats = np.concatenate([[1.0], curve.survival])
    ends = np.concatenate([curve.days, [curve.last_day]])
    lived = np.cumsum(held * np.diff(ends, prepend=0.0))
    # Just before each failure, and at the end of the record.
    reached = lived > 0
    rates = (planned_cost * held + failure_cost * (1 - held))[reached] / lived[reached]
    bound = bool(held[-1] > 0)
    to_failure = failure_cost / lived[-1]
    ages, best = ends[reached], int(rates.argmin())
    if not bound and rates[best] >= to_failure * (1 - _PAYS):
        return AgePolicy(np.inf, float(to_failure), float(to_failure), False)
    return AgePolicy(float(ages[best]), float(rates[best]), float(to_failure), bound)


def _check_costs(planned_cost: float, failure_cost: float) -> None:
    if not (0 < planned_cost < np.inf and 0 < failure_cost < np.inf):
        raise BadInput.one(
            "planned_cost",
            f"{planned_cost} and failure_cost {failure_cost} must both be above 0.",
            "Give what one planned replacement and one failure cost.",
        )

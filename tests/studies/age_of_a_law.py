"""The best replacement age of a life distribution: what `age_policy_from_record` finds in a long record of it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Final

import numpy as np
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from models.base.errors import BadInput
from models.decisions.age_replacement import PAYS, AgePolicy

_SCAN: Final = 400
"""Ages tried before the minimum is refined; the rate may have several local minima for a mixed law."""


def age_policy(
    survival: Callable[[float], float], planned_cost: float, failure_cost: float, longest_age: float
) -> AgePolicy:
    """Find the best replacement age for a life distribution.

    Parameters
    ----------
    survival : callable
        S(t) for t of 0 or more, falling from 1 to 0.
    planned_cost, failure_cost : float
        Of a planned replacement and of one at failure, in one currency; above 0.
    longest_age : float
        Ages are searched up to here; nearly all units must have failed by then.

    Raises
    ------
    BadInput
        If more than one unit in a thousand outlives `longest_age`.

    Examples
    --------
    >>> policy = age_policy(lambda t: np.exp(-((t / 1000) ** 2.5)), 1, 5, 4000)
    >>> round(policy.age, 2), round(policy.cost_rate, 8), round(policy.run_to_failure_rate, 8)
    (493.05, 0.00346204, 0.0056353)
    """
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
    if found.fun >= to_failure * (1 - PAYS):
        return AgePolicy(np.inf, to_failure, to_failure, False)
    return AgePolicy(float(found.x), float(found.fun), to_failure, False)

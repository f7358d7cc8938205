"""At what age to replace something that fails dearly: the age-replacement policy of Barlow & Proschan (1965).

Replaced at age T or at failure, whichever comes first, a unit costs in the long run, per unit of time,

    (planned S(T) + failure F(T)) / integral of S from 0 to T.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.base.errors import BadInput
from models.survival.kaplan_meier import KaplanMeier

PAYS: Final = 1e-6
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
    if not bound and rates[best] >= to_failure * (1 - PAYS):
        return AgePolicy(np.inf, float(to_failure), float(to_failure), False)
    return AgePolicy(float(ages[best]), float(rates[best]), float(to_failure), bound)


def _check_costs(planned_cost: float, failure_cost: float) -> None:
    if not (0 < planned_cost < np.inf and 0 < failure_cost < np.inf):
        raise BadInput.one(
            "planned_cost",
            f"{planned_cost} and failure_cost {failure_cost} must both be above 0.",
            "Give what one planned replacement and one failure cost.",
        )

"""The smooth hazard that flexible estimators depart from: a baseline for each bin, times a linear part if asked for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Self

import numpy as np

from models.base.arrays import Floats
from models.estimators.cox import CoxRegression
from models.survival.estimator import Outcomes
from models.survival.person_periods import PersonPeriods

FEW_EVENTS: Final = 5000
"""Below this many events a data set counts as small, and the linear part is worth having."""


@dataclass(frozen=True)
class SmoothStart:
    """Hazard of each bin for an average row, and a Cox model's ratio to it.

    Attributes
    ----------
    baseline : array, shape (bins,)
        Cumulative hazard over each bin, above 0.
    """

    baseline: Floats
    cox: CoxRegression | None

    @classmethod
    def learn(cls, values: Floats, outcomes: Outcomes, grid: Floats, linear: bool, signs: Mapping[int, int]) -> Self:
        """Learn from features, shape (n, p), and outcomes; `signs` holds the linear part's coefficients to a side."""
        cox = None
        if linear and values.shape[1]:
            held: dict[str | int, int] = {column: sign for column, sign in signs.items() if sign}
            cox = CoxRegression(monotone=held).fit(
                values, outcomes.time, outcomes.event, outcomes.entry, outcomes.weights
            )
        cut = PersonPeriods.cut(outcomes, grid)
        cut = cut.with_expected_exposure(np.zeros(cut.event.shape))
        weight = outcomes.weights[:, None]
        events = (weight * cut.event).sum(axis=0)
        exposure = (weight * _ratio(cox, values) * cut.exposure).sum(axis=0)
        width = np.diff(grid)
        # One more average row keeps the hazard of a bin without events or without rows above 0.
        overall = events.sum() / (exposure @ width) * width
        return cls((events + overall) / (exposure + 1.0), cox)

    def hazard(self, values: Floats) -> Floats:
        """Return the cumulative hazard over each bin, shape (n, bins)."""
        return _ratio(self.cox, values) * self.baseline


def _ratio(cox: CoxRegression | None, values: Floats) -> Floats:
    return np.ones((len(values), 1)) if cox is None else np.exp(cox.predict_log_hazard_ratio(values))[:, None]

"""The plain curve of a place: the same for every pack."""

from __future__ import annotations

from typing import Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from sklearn.base import BaseEstimator
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.survival.estimator import check_days, check_outcomes
from models.survival.kaplan_meier import kaplan_meier


class MarginalCurve(BaseEstimator):  # type: ignore[misc]
    """Kaplan-Meier as an estimator: features play no part; past the last observed day the curve stays where it is.

    Attributes
    ----------
    curve_ : KaplanMeier
    """

    def fit(
        self,
        X: ArrayLike | pd.DataFrame,  # noqa: ARG002  the interface
        time: ArrayLike,
        event: ArrayLike,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Learn from n rows; parameters as for every `models.survival.estimator.SurvivalEstimator`."""
        outcomes = check_outcomes(time, event, entry, weights)
        self.curve_ = kaplan_meier(outcomes.time, outcomes.event, outcomes.entry, outcomes.weights)
        return self

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days))."""
        check_is_fitted(self)
        read = self.curve_.at(np.minimum(check_days(days), self.curve_.last_day))
        return np.tile(read, (len(np.asarray(X)), 1))

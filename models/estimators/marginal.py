"""The plain curve of a place: the same for every pack."""

from __future__ import annotations

from typing import Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.survival.estimator import check_days, check_rows
from models.survival.kaplan_meier import kaplan_meier
from models.survival.learner import SurvivalLearner


class MarginalCurve(SurvivalLearner):
    """Kaplan-Meier as an estimator: features play no part; past the last observed day the curve stays where it is."""

    def fit(
        self,
        X: ArrayLike | pd.DataFrame,
        time: ArrayLike,
        event: ArrayLike | None = None,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Learn from n rows; parameters as for every `models.survival.estimator.SurvivalEstimator`."""
        self.features_, _, outcomes = check_rows(X, time, event, entry, weights)
        self.curve_ = kaplan_meier(outcomes.time, outcomes.event, outcomes.entry, outcomes.weights)
        return self

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days))."""
        check_is_fitted(self)
        read = self.curve_.at(np.minimum(check_days(days), self.curve_.last_day))
        return np.tile(read, (len(self.features_.read(X)), 1))

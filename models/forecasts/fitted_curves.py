"""Curves, kinds and likeness by the fitted parts, from features alone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.calibration.recalibration import GroupRecalibration
from models.calibration.stacking import LearnedCurves, OwnMixture
from models.calibration.workshop_posterior import WorkshopPosterior
from models.features.derived import some_features
from models.forecasts.evidence import evidence_group
from models.forecasts.seen_range import SeenRange
from models.forecasts.weakness_kind import KindClassifier, with_likely_kind
from models.survival.estimator import SurvivalEstimator

BAND_FACTOR: Final = 3.5
"""Standard deviations of the members on the complementary log-log scale to each side, for nine in ten, where nothing
is known of how much worlds differ (a model of a record alone): the 0.95 quantile of Student's t with three degrees of
freedom, 2.35, times 1.5. Invented for as few members."""
SUMMARY_DAYS: Final = (2.0, 5.0, 10.0, 21.0, 50.0)
KIND_STEP: Final = 2.0
SECOND_STEP: Final = 0.15
OWN_STEP: Final = 0.1
HELD_STEP: Final = 1.0
USUAL_SECOND_MV: Final = -2.0
"""How `FittedCurves.summary` weighs its parts: invented, and tried on simulated packs
(`tests/benchmarks/bench_what_if.py`, `bench_recheck.py`). The last stands where the next weakest block was not read,
mV per cell."""


def _cloglog(survival: Floats) -> Floats:
    return np.asarray(np.log(-np.log(np.clip(survival, 1e-9, 1 - 1e-9))))


class FittedCurves:
    """What was fitted, and what it makes of features.

    Parameters
    ----------
    members : sequence of SurvivalEstimator
        Fitted on resampled packs; their mean is the forecast, their spread the band.
    recalibration : GroupRecalibration or None
        By evidence group.
    posterior : WorkshopPosterior, optional
        The worlds still possible: all that were simulated, or those that a workshop's own record leaves. Curves are
        averaged over them, and the band is their spread.
    """

    posterior: WorkshopPosterior | None = None  # a model stored before there were worlds has none
    own: OwnMixture | None = None  # only one that has learned from a record has it
    sister_outcomes: int = 0  # recorded ends of top-ups of sister workshops that it learned from

    def __init__(
        self,
        members: Sequence[SurvivalEstimator],
        recalibration: GroupRecalibration | None,
        kinds: KindClassifier | None,
        seen: SeenRange,
        posterior: WorkshopPosterior | None = None,
    ) -> None:
        self.members = tuple(members)
        self.recalibration = recalibration
        self.kinds = kinds
        self.seen = seen
        self.posterior = posterior

    def curves(self, X: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
        """Hold curves and their band, the first three of `told_curves`."""
        survival, low, high, _ = self.told_curves(X)
        return survival, low, high

    def told_curves(self, X: pd.DataFrame) -> tuple[Floats, Floats, Floats, Floats]:
        """Hold curves, their band, and the curves that promises rest on.

        Parameters
        ----------
        X : DataFrame, shape (n, features)

        Returns
        -------
        survival, low, high, told : array, shape (n, len(DAYS))
            A value outside those seen is read as the estimators take it, far outside as unknown. The band of such a
            row also spans what the members say where every value outside is unknown, and where it is the nearest
            one seen. Promises rest on the curves themselves but where a workshop's own record is too small for them
            (`models.calibration.stacking.OwnMixture.joined`).
        """
        survival, low, high, told = self._members_curves(self.seen.readable(X))
        outside = self.seen.outside(X)
        if outside.any():
            strange = X[outside]
            for read in (self.seen.held(strange), self.seen.without(strange)):
                _, lower, higher, _ = self._members_curves(read)
                low[outside] = np.minimum(low[outside], lower)
                high[outside] = np.maximum(high[outside], higher)
        return survival, low, high, told

    def _members_curves(self, X: pd.DataFrame) -> tuple[Floats, Floats, Floats, Floats]:
        if self.posterior is not None and self.own is not None:
            return LearnedCurves(self.posterior, self.own).told_curves(self.before_learning(X), X)
        if self.posterior is not None:
            survival, low, high = self.posterior.curves(self.before_learning(X), X)
            return survival, low, high, survival
        group = evidence_group(X)
        each = np.stack([self._calibrated(m.predict_survival(X, DAYS), group) for m in self.members])
        survival = each.mean(axis=0)
        scale = _cloglog(each[:, :, 1:])
        sd = scale.std(axis=0, ddof=1) if len(each) > 1 else np.zeros_like(scale[0])
        middle = _cloglog(survival[:, 1:])
        low, high = np.ones_like(survival), np.ones_like(survival)
        low[:, 1:] = np.exp(-np.exp(middle + BAND_FACTOR * sd))
        high[:, 1:] = np.exp(-np.exp(middle - BAND_FACTOR * sd))
        return survival, np.minimum.accumulate(low, axis=1), np.minimum.accumulate(high, axis=1), survival

    def before_learning(self, X: pd.DataFrame) -> Floats:
        """Return the members' mean curves, on which `posterior` builds; shape (n, len(DAYS))."""
        group = evidence_group(X)
        return np.asarray(np.mean([self._calibrated(m.predict_survival(X, DAYS), group) for m in self.members], axis=0))

    def mean_days(self, X: pd.DataFrame) -> Floats:
        """Return the mean days held, counting at most the days to the horizon, shape (n,)."""
        return np.asarray(np.trapezoid(self._members_curves(self.seen.readable(X))[0], DAYS, axis=1))

    def bound_group(self, X: pd.DataFrame) -> NDArray[np.object_]:
        """Return the group whose record each good-for day rests on: evidence and likeliest kind; shape (n,)."""
        X = self.seen.readable(X)
        return with_likely_kind(evidence_group(X), None if self.kinds is None else self.kinds.predict(X))

    def summary(self, X: pd.DataFrame) -> Floats:
        """Condense evidence to what it says of the pack, for comparing packs.

        Returns
        -------
        array, shape (n, k)
            Logarithms of the cumulative hazard at `SUMMARY_DAYS` as one member sees it (the others cost time, and say
            about the same) before any recalibration (a workshop's own must not change which packs are alike); of the
            kinds' probabilities; how low the next weakest block reads, and the topped one; and for how long it has
            held, because a fresh top-up reads high without as much gain in charge. In such units that a step of 1 is
            about as telling in each.
        """
        X = self.seen.readable(X)
        hold = self.members[0].predict_survival(X, np.array(SUMMARY_DAYS))
        hazard = _cloglog(np.clip(hold, 1e-3, 1 - 1e-3))
        second = some_features(X, ("before_second_mv_per_cell", "after_second_mv_per_cell"))
        now, after = some_features(X, ("now_rest_mv_per_cell", "after_rest_mv_per_cell")).T
        own = np.where(np.isnan(now), after, now)
        parts = [
            hazard,
            SECOND_STEP * np.nan_to_num(second, nan=USUAL_SECOND_MV),
            OWN_STEP * np.nan_to_num(own)[:, None],
            HELD_STEP * np.log1p(some_features(X, ("held_days",))),
        ]
        if self.kinds is not None:
            parts.append(KIND_STEP * np.log(np.maximum(self.kinds.predict(X), 0.01)))
        return np.hstack(parts)

    def _calibrated(self, survival: Floats, group: NDArray[np.object_]) -> Floats:
        return survival if self.recalibration is None else self.recalibration.transform(survival, group)

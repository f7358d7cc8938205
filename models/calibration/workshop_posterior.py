"""What a forecaster says after a workshop's own outcomes: averaged over the worlds that are still possible."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Self

import numpy as np
import pandas as pd

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.calibration.curve_regression import Normal, posterior
from models.calibration.world_prior import Scale, WorldPrior, WorldRecord, curve_terms

BAND: Final = (0.05, 0.95)
"""Quantiles over worlds: the band holds nine in ten."""

CHUNK_ROWS: Final = 128
"""Rows forecast at a time: so many rows by 64 worlds stay in the processor's cache."""


@dataclass(frozen=True)
class WorkshopPosterior:
    """The law of the worlds still possible given a record.

    Attributes
    ----------
    scale : Scale
        Of the workshop's own columns.
    worlds : array, shape (DRAWS, q)
        Coefficients of worlds that stand for the law.
    """

    prior: WorldPrior
    law: Normal
    scale: Scale
    worlds: Floats

    @classmethod
    def unlearned(cls, prior: WorldPrior) -> Self:
        """Any world may be the workshop's."""
        return cls(prior, prior.law, prior.columns.usual, prior.bounds.hold(prior.law.draws()))

    @classmethod
    def learn(cls, prior: WorldPrior, own: WorldRecord) -> Self:
        """Learn from a workshop's record; its curves come from the forecaster that the prior belongs to."""
        scale = prior.columns.of(own.X, own.weights)
        law = posterior(prior.terms(own.survival, own.X, scale), own.outcomes(), DAYS, prior.law, prior.bounds)
        return cls(prior, law, scale, prior.bounds.hold(law.draws()))

    def curves(self, survival: Floats, X: pd.DataFrame) -> tuple[Floats, Floats, Floats]:
        """Return the hold curves and their band: mean, 0.05 and 0.95 quantile over worlds; (n, len(DAYS)) each.

        Each of the worlds drawn keeps the directions of physics, and so do their mean and quantiles.
        """
        columns = self.prior.columns.apply(X, self.scale)
        parts = [
            self._some(survival[i : i + CHUNK_ROWS], columns[i : i + CHUNK_ROWS])
            for i in range(0, max(len(X), 1), CHUNK_ROWS)
        ]
        low, mean, high = (np.concatenate(part) for part in zip(*parts, strict=True))
        return mean, low, high

    def _some(self, survival: Floats, columns: Floats) -> tuple[Floats, Floats, Floats]:
        # Worlds last, in memory too: what is done to all of them then runs over neighbours.
        log_total = curve_terms(survival, self.prior.usual, columns).moved_by_each(self.worlds)
        for j in range(1, log_total.shape[1]):
            np.maximum(log_total[:, j], log_total[:, j - 1], out=log_total[:, j])
        low, high = _quantiles_of_hold(log_total)
        mean = _hold(log_total).mean(axis=2)
        # Far out in a tail a mean may lie beyond a quantile.
        return _from_day_0(np.minimum(low, mean)), _from_day_0(mean), _from_day_0(np.maximum(high, mean))

    def hazard_factor(self, survival: Floats, X: pd.DataFrame) -> float:
        """Return how many times as fast as the prior has it faults return on some rows, on geometric average."""
        terms = self.prior.terms(survival, X, self.scale)
        by = terms.moved(self.law.mean) - terms.moved(self.prior.law.mean)
        # On each row by when its return is expected.
        hold = _hold(np.maximum.accumulate(terms.moved(self.law.mean), axis=1))
        weight = -np.diff(_from_day_0(hold), axis=1) + 1e-9
        return float(np.exp(np.mean((weight * by).sum(axis=1) / weight.sum(axis=1))))

    def moved_columns(self, sure: float) -> list[tuple[str, float]]:
        """List columns whose effect moved by more than `sure` standard deviations, the surest first, and how far."""
        names = self.prior.columns.names
        last = slice(-(len(names) + int(self.prior.columns.flagged.sum())), None)
        by = (self.law.mean - self.prior.law.mean)[last][: len(names)]
        sd = np.sqrt(np.diag(self.law.covariance))[last][: len(names)]
        sureness = np.abs(by) / np.where(sd > 0, sd, np.inf)  # nothing is said of one that stays at its bound
        return [(names[j], float(by[j])) for j in np.argsort(-sureness, kind="stable") if sureness[j] > sure]


def _hold(log_total: Floats) -> Floats:
    return np.asarray(np.exp(-np.exp(log_total)))


def _from_day_0(hold: Floats) -> Floats:
    return np.hstack([np.ones((len(hold), 1)), hold])


def _quantiles_of_hold(log_total: Floats) -> list[Floats]:
    """`BAND` of the hold probability over worlds, the last axis; linear between two of them, as `numpy.quantile`."""
    ordered = np.sort(log_total, axis=-1)
    most = ordered.shape[-1] - 1
    found = []
    for share in BAND:
        # The least hold has the largest total.
        place = (1 - share) * most
        above = int(np.ceil(place))
        ends = _hold(ordered[..., above - 1 : above + 1])
        found.append(ends[..., 1] + (above - place) * (ends[..., 0] - ends[..., 1]))
    return found

"""Outcomes cut into the bins of a day grid: how long each row was at risk in each bin, and where its event fell."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Bools, Floats
from models.survival.estimator import Outcomes


@dataclass(frozen=True)
class PersonPeriods:
    """Exposure and events of n rows on the bins of a grid; bin j runs from ``grid[j]`` (excluded) to ``grid[j + 1]``.

    Attributes
    ----------
    exposure : array, shape (n, bins)
        Share of the bin during which the row was at risk: 0 before its entry and after its end.
    event : array of bool, shape (n, bins)
        True in the bin in which the row's event fell.
    missed : array, shape (n, bins)
        Share of the bin that had passed before the row's entry.
    """

    exposure: Floats
    event: Bools
    missed: Floats

    @classmethod
    def cut(cls, outcomes: Outcomes, grid: Floats) -> Self:
        """Cut outcomes on a grid. What happened past its last day counts as not seen."""
        seen = outcomes.until(float(grid[-1]))
        left, width = grid[:-1], np.diff(grid)
        lived = np.clip((seen.time[:, None] - left) / width, 0.0, 1.0)
        missed = np.clip((seen.entry[:, None] - left) / width, 0.0, 1.0)
        event = np.zeros(lived.shape, dtype=np.bool_)
        rows = np.flatnonzero(seen.event & (seen.entry < seen.time))
        event[rows, np.searchsorted(grid, seen.time[rows], side="left") - 1] = True
        return cls(lived - missed, event, missed)

    def with_expected_exposure(self, hazard: Floats) -> Self:
        """Forget when in its bin each event fell, as a day grid does.

        Parameters
        ----------
        hazard : array, shape (n, bins)
            Cumulative hazard of each row over each whole bin, as far as it is known.

        Returns
        -------
        PersonPeriods
            In the bin of its event a row is at risk for the time expected of an event there at constant hazard h,
            1/h − 1/(exp(h) − 1) of the part after its entry. With this exposure the Poisson score at h is that of the
            binomial likelihood of the bin, 1 − exp(−h) (the E-step for interval-censored exponential times:
            Dempster, Laird & Rubin 1977, JRSS B 39, 1-38; from memory, unverified). The time itself would overrate
            the hazard where events crowd at the start of a bin.

        Examples
        --------
        >>> cut = PersonPeriods.cut(check_outcomes([0.1], [True]), np.array([0.0, 1.0]))
        >>> cut.with_expected_exposure(np.array([[1e-9]])).exposure.round(3).tolist()
        [[0.5]]
        """
        at = np.nonzero(self.event)
        after = 1.0 - self.missed[at]
        h = np.clip(hazard[at] * after, 1e-4, 50.0)
        exposure = self.exposure.copy()
        exposure[at] = after * (1.0 / h - 1.0 / np.expm1(h))
        return replace(self, exposure=exposure)


def bins_of(grid: Floats, days: Floats) -> NDArray[np.intp]:
    """Return the bin in which each day falls; day 0 counts to the first."""
    return np.clip(np.searchsorted(grid, days, side="left") - 1, 0, len(grid) - 2)

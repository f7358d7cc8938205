"""The forecast of one pack: its hold curve and everything that is read off it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from models.base.arrays import Floats
from models.base.day_grid import DAYS, GRID_VERSION, day_of_return, days_told, levels_told, survival_at
from models.base.errors import BadInput
from models.base.percents import level_percent
from models.calibration.conformal import ConformalBound
from models.forecasts.withheld import withheld_by
from models.survival.estimator import check_days


class Axes(Protocol):
    """What a forecast asks of the axes that it is drawn on."""

    def fill_between(self, x: Any, y1: Any, y2: Any, /, **options: Any) -> Any:
        """Fill the area between two curves."""

    def plot(self, *data: Any, **options: Any) -> Any:
        """Draw a line."""

    def axvline(self, x: float, /, **options: Any) -> Any:
        """Draw a line upright."""

    def set(self, **properties: Any) -> Any:
        """Set limits, labels and title."""

    def legend(self, **options: Any) -> Any:
        """Say what the lines are."""


@dataclass(frozen=True)
class Flag:
    """Something about the evidence that the reader of a forecast should know.

    Attributes
    ----------
    code : str
        Short and stable, for machines.
    text : str
        A sentence.
    grave : bool
        Somebody may be hurt, or the figures mean little, unless it is looked at: told before the figures.
    """

    code: str
    text: str
    grave: bool = False


@dataclass(frozen=True)
class Forecast:
    """The probability, day by day, that a topped-up pack's fault comes back.

    Attributes
    ----------
    origin : datetime
        The moment of the forecast; days count from here.
    days_held : float
        Days between the end of the charge and the origin.
    survival, band_low, band_high : array, shape (g,)
        Probability that the fault has not returned by each of `days`, and the band in which it lies in nine in ten of
        the worlds that are still possible: those simulated, drawn together by what a workshop's own outcomes say.
    told_survival : array, shape (g,)
        The curve that promised days are read off, from the newest record of the pack on: the curve of that moment, or,
        where more charge went in than was missing, the lower of it and the curve as if no more had gone in. Nobody is
        promised a day for an overcharge. Where a workshop's own record is too small for the curve, or none of its packs
        was watched so long, it is no higher than what the record carries, or than before that was learned.
    kinds : mapping of str to float, or None
        Probability of each kind of weakness; None where the model was not taught them.
    group : str
        The group whose record the good-for day rests on: its evidence, and a likely joint or neglect.
    widening : float
        1, or less where the evidence lies outside what the model has seen: the good-for day is then read off at this
        share of the usual level, and so is earlier.
    unseen_days : float
        Days between the newest record of the pack and the origin. That it held through them nobody has seen, so they
        are used up of what was promised: a promise given later, with nothing new on record, ends on the same day or
        sooner. The curve itself is that of a pack that has held until the origin, and may rise.
    surplus_left_out : bool
        Whether promised days are read off a lower curve, as if no more had gone in than was missing.
    days : array, shape (g,)
        The grid, from 0 to the horizon.
    own_outcomes, sister_outcomes : int
        Outcomes of a workshop's own, and of sister workshops, that the forecast rests on, beside simulated packs.
    block : int or None
        The (first) block of the newest top-up, from 1.
    """

    pack_id: str
    origin: datetime
    days_held: float
    survival: Floats
    band_low: Floats
    band_high: Floats
    told_survival: Floats
    kinds: Mapping[str, float] | None
    flags: tuple[Flag, ...]
    model_id: str
    inputs_digest: str
    group: str
    bound: ConformalBound
    widening: float = 1.0
    unseen_days: float = 0.0
    surplus_left_out: bool = False
    days: Floats = field(default_factory=lambda: DAYS)
    own_outcomes: int = 0
    sister_outcomes: int = 0
    block: int | None = None

    @property
    def horizon_days(self) -> float:
        """The last day of which anything is claimed."""
        return float(self.days[-1])

    def hold_probability(self, by: float) -> float:
        """Probability that the fault has not returned within `by` days of the origin.

        Raises
        ------
        ValueError
            If `by` is negative or past the horizon.
        """
        return float(survival_at(self.survival[None, :], float(by), self.days)[0])

    def return_probability(self, by: float) -> float:
        """Probability that the fault returns within `by` days of the origin: 1 − `hold_probability`."""
        return 1.0 - self.hold_probability(by)

    def on_days(self, days: ArrayLike) -> pd.DataFrame:
        """Read the curve and its band at any days up to the horizon.

        Parameters
        ----------
        days : array_like, shape (m,)
            In any order; they need not be whole.

        Returns
        -------
        DataFrame, m rows
            With ``day`` as index, and ``survival``, ``band_low``, ``band_high``.

        Raises
        ------
        BadInput
            A day is negative or past the horizon.
        """
        at = check_days(days, self.horizon_days)
        curves = survival_at(np.stack([self.survival, self.band_low, self.band_high]), at, self.days)
        index = pd.Index(at, name="day")
        return pd.DataFrame(curves.T, index=index, columns=["survival", "band_low", "band_high"])

    def plot(self, axes: Axes, days: ArrayLike | None = None, *, confidence: float = 0.9) -> Axes:
        """Draw the curve, its band and the good-for day.

        Parameters
        ----------
        axes : object that draws
            The axes of a plotting library, as ``forecast.plot(plt.gca())``.
        days : array_like, optional
            Days to draw at; each day up to the horizon if left out.
        confidence : float
            Of the good-for day that is marked.

        Returns
        -------
        The same axes.
        """
        table = self.on_days(np.arange(self.horizon_days + 1) if days is None else np.sort(np.asarray(days)))
        x = table.index.to_numpy()
        axes.fill_between(x, table["band_low"], table["band_high"], alpha=0.25, label="what the model does not know")
        axes.plot(x, table["survival"], linewidth=2, label="share still holding")
        if (good := self.good_for(confidence)) is not None:
            axes.axvline(
                good, linestyle="--", color="black", label=f"good for {good:.1f} days at {level_percent(confidence)}"
            )
        axes.set(
            xlim=(0, float(x[-1])),
            ylim=(0, 1.02),
            xlabel=f"days after {self.origin.isoformat(sep=' ', timespec='minutes')}",
            ylabel="probability that the fault has not returned",
            title=f"Pack {self.pack_id}: a probability is not permission",
        )
        axes.legend(loc="upper right")
        return axes

    def quantile(self, probability: float) -> float | None:
        """Day by which this share of such packs are back; None where that lies beyond the horizon."""
        if not 0 < probability < 1:
            raise BadInput.one("probability", f"is {probability}.", "Give a share between 0 and 1.")
        return day_of_return(self.survival, probability, self.days)

    def restricted_mean(self) -> float:
        """Mean days held, counting at most the days to the horizon: the area under the hold curve."""
        return float(np.trapezoid(self.survival, self.days))

    @property
    def withheld_by(self) -> tuple[str, ...]:
        """Codes of the flags that withhold its days (`models.forecasts.withheld`); empty where they may be told."""
        return withheld_by(self.flags)

    def good_for(self, confidence: float = 0.9) -> float | None:
        """Days that at least this share of such packs hold, by their record on packs the model never saw.

        Returns
        -------
        float or None
            Days; equal to the horizon where the bound lies there or beyond. None where a flag withholds them
            (`withheld_by`): the pack is looked at, or read, first.

        Notes
        -----
        See `guarantee` for the statement in words. It is never later than the day on which the curve itself reaches
        the same risk, nor than what is left of what could be told at the newest record of the pack. After `given_held`
        it is read off the conditional curve at the same level, and then approximate.
        """
        if self.withheld_by:
            return None
        told = days_told(
            self.survival[None, :],
            self.told_survival[None, :],
            self.unseen_days,
            self.told_level(confidence),
            self.days,
        )
        return float(told[0])

    def told_level(self, confidence: float = 0.9) -> float:
        """Return probability at which the day for a risk of 1 − confidence is read off, 1 − confidence at most."""
        return self.bound.told_level(confidence, self.group, self.widening)

    def told_levels(self) -> Floats:
        """Return, for every risk of `models.calibration.conformal.RISKS`, the level of `survival` on the day told.

        Returns
        -------
        array, shape (101,)
            `told_level`, or less where promises are read off a lower curve.
        """
        levels = self.bound.told_levels(self.group, self.widening)
        if self.unseen_days == 0 and np.array_equal(self.told_survival, self.survival):
            return levels
        return levels_told(self.survival, self.told_survival, self.unseen_days, levels, self.days)

    def guarantee(self, confidence: float = 0.9) -> str:
        """Say in words what the good-for day promises."""
        return self.bound.guarantee(confidence)

    def given_held(self, days: float) -> Forecast:
        """Forecast from `days` after the origin on, for a pack that has held until then, without a new reading.

        Raises
        ------
        ValueError
            If `days` is negative or at or past the horizon.
        """
        if not 0 <= days < self.horizon_days:
            raise ValueError(f"days must lie between 0 and the horizon of {self.horizon_days:g}; got {days:g}")
        if days == 0:
            return self
        later = self.days[self.days > days]
        grid = np.concatenate([[0.0], later - days])

        def onward(curve: Floats, since: float = 0.0) -> Floats:
            at = np.minimum(np.concatenate([[days], later]) + since, self.days[-1])
            read = survival_at(curve[None, :], at, self.days)[0]
            return np.asarray(np.minimum(read / max(read[0], 1e-12), 1.0))

        low, high = onward(self.band_low), onward(self.band_high)
        return replace(
            self,
            origin=self.origin + timedelta(days=days),
            days_held=self.days_held + days,
            survival=onward(self.survival),
            told_survival=np.minimum(onward(self.told_survival, self.unseen_days), onward(self.survival)),
            unseen_days=0.0,
            band_low=np.minimum(low, high),
            band_high=np.maximum(low, high),
            days=grid,
        )

    def as_dict(self) -> dict[str, Any]:
        """Return the figures as plain values."""
        return {
            "pack_id": self.pack_id,
            "origin": self.origin.isoformat(),
            "days_held": self.days_held,
            "grid_version": GRID_VERSION,
            "days": self.days.tolist(),
            "survival": self.survival.tolist(),
            "band_low": self.band_low.tolist(),
            "band_high": self.band_high.tolist(),
            "kinds": None if self.kinds is None else dict(self.kinds),
            "flags": [{"code": f.code, "text": f.text, "grave": f.grave} for f in self.flags],
            "withheld_by": list(self.withheld_by),
            "model_id": self.model_id,
            "inputs_digest": self.inputs_digest,
        }

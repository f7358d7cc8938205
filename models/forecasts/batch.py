"""Forecasts of many moments as arrays, and the packs of which none is given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Floats
from models.base.errors import TideoverError
from models.packs.tables import HistoryTables


@dataclass(frozen=True)
class Forecasts:
    """Forecasts of n moments as arrays.

    Attributes
    ----------
    moments : DataFrame, n rows
        ``pack_id`` and ``origin``.
    X : DataFrame, shape (n, features)
    survival, band_low, band_high : array, shape (n, len(DAYS))
    told_survival : array, shape (n, len(DAYS))
        The curve that promised days are read off: see `models.forecasts.forecast.Forecast.told_survival`.
    kinds : array, shape (n, 4), or None
        In the order of `models.forecasts.weakness_kind.KINDS`.
    unseen_days : array, shape (n,)
        Days between the newest record of each pack and its origin.
    surplus_left_out : bool array, shape (n,)
        Whether `told_survival` is lower because more had gone in than was missing.
    group : object array, shape (n,)
        Whose record the good-for day rests on: see `Forecaster.bound_group`. Like the next, of the newest record.
    widening : array, shape (n,)
    surplus : array, shape (n,)
        `models.features.derived.surplus_share`.
    reachable : bool array, shape (n,)
        False where a value can be true of no pack: use no figure of such a row.
    inferred : bool array, shape (n,)
        The top-up was inferred.
    block : int array, shape (n,)
        The (first) block of the newest top-up, from 1.
    known : HistoryTables
        What was known at the moments, as recorded; other packs may be among them.
    """

    moments: pd.DataFrame
    X: pd.DataFrame
    survival: Floats
    band_low: Floats
    band_high: Floats
    told_survival: Floats
    unseen_days: Floats
    surplus_left_out: NDArray[np.bool_]
    kinds: Floats | None
    group: NDArray[np.object_]
    widening: Floats
    surplus: Floats
    reachable: NDArray[np.bool_]
    inferred: NDArray[np.bool_]
    block: NDArray[np.intp]
    known: HistoryTables

    def __len__(self) -> int:
        return len(self.survival)

    def take(self, rows: NDArray[np.bool_]) -> Forecasts:
        """Return some rows."""
        return Forecasts(
            moments=self.moments[rows].reset_index(drop=True),
            X=self.X[rows].reset_index(drop=True),
            survival=self.survival[rows],
            band_low=self.band_low[rows],
            band_high=self.band_high[rows],
            told_survival=self.told_survival[rows],
            unseen_days=self.unseen_days[rows],
            surplus_left_out=self.surplus_left_out[rows],
            kinds=None if self.kinds is None else self.kinds[rows],
            group=self.group[rows],
            widening=self.widening[rows],
            surplus=self.surplus[rows],
            reachable=self.reachable[rows],
            inferred=self.inferred[rows],
            block=self.block[rows],
            known=self.known,
        )


@dataclass(frozen=True)
class Refused:
    """A pack of many of which no figure is given.

    Attributes
    ----------
    error : TideoverError
        What a single forecast of it raises.
    """

    pack_id: str
    error: TideoverError

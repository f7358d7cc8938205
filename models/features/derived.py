"""Features that follow from other features: what physics makes of the evidence once it is laid side by side."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cache
from math import isnan
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Floats
from models.features.block_estimate import estimate
from models.features.definitions import EVIDENCE, FEATURE_NAMES, FEATURES, Evidence
from models.features.information import INFORMATION
from models.packs.family import PackFamily
from models.physics.imbalance import critical_share
from models.physics.self_discharge import arrhenius_factor

ALWAYS_KNOWN: Final = frozenset(f.name for f in FEATURES if f.source == "family")
"""Raw features that no history lacks: how long the top-up has held, and the figures of the family."""

RAW_EVIDENCE: Final[Mapping[str, Evidence]] = {
    **{f.name: f.evidence for f in FEATURES if f.source == "read"},
    "rest_before_v": "readings before",
    "rest_after_v": "readings after",
    "noted_rise_v": "readings after",
    **INFORMATION,
}
"""Evidence that each raw feature belongs to; those from ``rest_before_v`` on are no features but go into some."""

UNKNOWN: Final[Mapping[str, float]] = {f.name: f.unknown for f in FEATURES if not isnan(f.unknown)}
"""What a raw feature reads where nothing is recorded, if not NaN: no earlier top-up, and a single block (as in
`models.features.inferred_topups.with_inferred_topups`)."""

_COLUMNS: Final = pd.Index(FEATURE_NAMES)

LEAST_CHARGE_SHARE: Final = 0.02
"""A charge smaller than this counts as this large where a rise is divided by it. Invented."""

WARMER_PARKED_C: Final = 3.0
WARMER_DRIVEN_C: Final = 8.0
"""How much warmer than the air a pack is on the mean of a day, and when its fault is confirmed, while it is driven.
Invented."""

USUAL_AMBIENT_C: Final = 15.0
"""Stands in for an unknown temperature where the spread limit is read: it depends on the family far more. Invented."""

METER_ERROR_SHARE: Final = 0.02
CHARGE_ERROR: Final = 0.06
"""Error of a missing charge told by a rest deviation, in rated capacities, and of a noted one, relative. Invented."""

READING_ERRORS: Final = 2.0
"""So many errors of the reading a charge may exceed what it said was missing, and still count in full: nineteen in
twenty, if normal."""


@dataclass(frozen=True)
class RowFamilies:
    """The family of each of m rows.

    Attributes
    ----------
    which : int array, shape (m,)
        Position in `families`.
    """

    which: NDArray[np.intp]
    families: list[PackFamily]

    def of(self, get: Callable[[PackFamily], float]) -> Floats:
        """Read a figure of each row's family, shape (m,)."""
        return np.array([get(f) for f in self.families], dtype=np.float64)[self.which]

    def apply(self, function: Callable[[PackFamily, Floats], Floats], values: Floats) -> Floats:
        """Apply a per-family function to values of shape (m,)."""
        out = np.full(len(values), np.nan)
        for i, family in enumerate(self.families):
            rows = (self.which == i) & ~np.isnan(values)
            if rows.any():
                out[rows] = function(family, values[rows])
        return out


@dataclass(frozen=True)
class RawFeatures:
    """What was measured, noted and planned, before anything is concluded from it.

    Attributes
    ----------
    columns : mapping of str to array, shape (m,)
        By name: those of `RAW_EVIDENCE` and `ALWAYS_KNOWN`. NaN where missing.
    """

    columns: Mapping[str, Floats]
    families: RowFamilies

    def known(self, row: int) -> set[Evidence]:
        """Return the evidence of which one row holds anything."""
        return {evidence for evidence in EVIDENCE if self.holds(evidence)[row]}

    def holds(self, evidence: Evidence) -> NDArray[np.bool_]:
        """Return which rows hold anything of some evidence, shape (m,)."""
        found = np.zeros(len(self.families.which), dtype=np.bool_)
        for name, of in RAW_EVIDENCE.items():
            if of == evidence:
                found |= ~np.isnan(self.columns[name]) & (self.columns[name] != UNKNOWN.get(name))
        return found

    def take(self, rows: NDArray[np.intp]) -> RawFeatures:
        """Return some rows, shape (k,), in the order given; a row may come again."""
        columns = {name: column[rows] for name, column in self.columns.items()}
        return RawFeatures(columns, RowFamilies(self.families.which[rows], self.families.families))

    def only(self, kept: Mapping[Evidence, NDArray[np.bool_]]) -> RawFeatures:
        """Return the rows with some evidence as if it had never been recorded.

        Parameters
        ----------
        kept : mapping of evidence to bool array, shape (m,)
            In which rows it is kept; evidence not named is kept nowhere.
        """
        nowhere = np.zeros(len(self.families.which), dtype=np.bool_)
        columns = {
            name: np.where(kept.get(evidence, nowhere), self.columns[name], UNKNOWN.get(name, np.nan))
            for name, evidence in RAW_EVIDENCE.items()
        }
        return RawFeatures(columns | {name: self.columns[name] for name in ALWAYS_KNOWN}, self.families)


def derive(raw: RawFeatures) -> pd.DataFrame:
    """Complete the feature table.

    Parameters
    ----------
    raw : RawFeatures
        Of m rows.

    Returns
    -------
    DataFrame, shape (m, len(FEATURE_NAMES))
        float64; NaN where the evidence is missing.
    """
    out = dict(raw.columns)
    _rise(out)
    _temperature(out, raw.families)
    _physics(out, raw.families)
    # Read and written name by name a table of one row would take longer than the forecast.
    values = np.empty((len(FEATURE_NAMES), len(raw.families.which)))
    for place, name in enumerate(FEATURE_NAMES):
        values[place] = out[name]
    return pd.DataFrame(values.T, columns=_COLUMNS, copy=False)


def some_features(X: pd.DataFrame, names: tuple[str, ...]) -> Floats:
    """Read features from a table, shape (n, len(names))."""
    if not X.columns.is_(_COLUMNS):
        return X[list(names)].to_numpy(np.float64)
    return np.asarray(X.to_numpy(np.float64)[:, _places(names)])


@cache
def _places(names: tuple[str, ...]) -> NDArray[np.intp]:
    return _COLUMNS.get_indexer(pd.Index(names))


def surplus_share(raw: RawFeatures) -> Floats:
    """Return what went in beyond what a promise counts on, in rated capacities, shape (m,).

    Counted is what was missing by the reading before, and that reading's error; where no reading tells, what empties a
    block from the centre. NaN where the charge is not known.
    """
    missing = np.maximum(raw.columns["before_missing_share"], 0.0) + READING_ERRORS * METER_ERROR_SHARE
    counted = np.where(np.isnan(missing), raw.families.of(lambda f: f.soc_target), missing)
    return np.maximum(raw.columns["charge_share"] - counted, 0.0)


def without_surplus(raw: RawFeatures, surplus: Floats) -> tuple[NDArray[np.intp], RawFeatures]:
    """Read the rows with a surplus as if it had not gone in.

    It may hold the block up, if the reading before was off, or may have done harm: a promise does not count on it.

    Parameters
    ----------
    raw : RawFeatures
        Of m rows.
    surplus : array, shape (m,)
        `surplus_share`.

    Returns
    -------
    rows : int array, shape (k,)
        The rows concerned.
    counted : RawFeatures
        Those rows.
    """
    rows = np.flatnonzero(surplus > 0)
    found = raw.take(rows)
    charge = found.columns["charge_share"] - surplus[rows]
    return rows, RawFeatures({**found.columns, "charge_share": charge}, found.families)


def _rise(out: dict[str, Floats]) -> None:
    rise = out["rest_after_v"] - out["rest_before_v"]
    rise = np.where(np.isnan(rise), out["noted_rise_v"], rise)
    out["after_rise_mv_per_cell"] = 1e3 * rise / out["cells_per_block"]
    out["after_rise_per_share_mv"] = out["after_rise_mv_per_cell"] / np.maximum(out["charge_share"], LEAST_CHARGE_SHARE)


def _temperature(out: dict[str, Floats], families: RowFamilies) -> None:
    out["leak_factor"] = families.apply(
        lambda f, t: arrhenius_factor(t + WARMER_PARKED_C, f.self_discharge_ev), out["ambient_c"]
    )
    ambient = np.where(np.isnan(out["ambient_c"]), USUAL_AMBIENT_C, out["ambient_c"])
    warm = np.round(ambient + WARMER_DRIVEN_C)
    out["critical_share"] = families.apply(_critical_shares, warm)


def _critical_shares(family: PackFamily, celsius: Floats) -> Floats:
    """Return `critical_share` at whole degrees, of which there are few, shape (n,)."""
    degrees, place = np.unique(celsius, return_inverse=True)
    return np.array([critical_share(family, float(degree)) for degree in degrees])[place]


def _physics(out: dict[str, Floats], families: RowFamilies) -> None:
    """Join the evidence to one missing charge, one loss and the day on which a steady leak reaches the limit."""
    out["level_share"] = out["before_missing_share"] - out["charge_share"]
    out["charge_surplus_share"] = -out["level_share"]
    held = out["now_rest_held_days"]
    out["now_loss_share_per_day"] = (out["now_missing_share"] - out["level_share"]) / held
    out["now_loss_error_share_per_day"] = (
        np.sqrt(2 * METER_ERROR_SHARE**2 + (CHARGE_ERROR * out["charge_share"]) ** 2) / held
    )
    # The block on its own, from the end of the charge to the release: what it lost is not hidden by its capacity.
    out["end_drop_share"] = out["release_m"] / out["release_mm"] - out["end_missing_share"]
    out |= estimate(out, families.of(lambda f: f.hysteresis_charge_v))

"""What the evidence of a forecast amounts to: inferred top-ups, rich or thin, stale, contradictory, out of range."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite
from typing import Final, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.messages import Said, say
from models.features.definitions import FEATURES
from models.forecasts.forecast import Flag
from models.packs.tables import TOPUP_COLUMNS, HistoryTables, block_columns, from_days, to_days
from models.physics.imbalance import deviation_v

STALE_DAYS: Final = 10.0
"""A reading older than this, on a pack that is holding, says little about today: a week holds with confidence, two
are the best guess (common practice, no source)."""

LEVEL_MV_PER_CELL: Final = 4.0
"""A topped block this near the median or above it reads level. Twice a fair meter's error on 12 cells. Invented."""

LOWER_UNDER_LOAD_MV_PER_CELL: Final = 15.0
"""Under discharge, at 50 A, a block this far below another is the weaker one: on 12 cells about a sixth of the 1.0 to
1.2 V usually called bad (common practice, no source), three times the error of reading through the car. Invented."""

MUCH_CHARGE_SHARE: Final = 0.12
"""Charge over what the rest reading said was missing that a sound block would not have taken. Invented."""

SLACK: Final = 0.1
"""Values up to this share of the training range beyond its ends still count as inside. Invented."""

FAR: Final = 1.0
"""Values further out than this many training ranges are read as unknown: nothing was learned of such. Invented."""

INFERRED_REST_HOURS: Final = 12.0
"""An unrecorded top-up is taken to have ended this long before the reading that shows it. Invented."""

_LAYOUT: Final = ["rated_ah", "blocks", "cells_per_block", "lithium", "limit_mv_per_cell"]
"""Features that are the same for all packs of a family, and together tell families apart."""

_WATCHED: Final = tuple(f.name for f in FEATURES if f.watched)
_NONSENSE_ABOVE: Final = {f.name: f.nonsense_above for f in FEATURES if isfinite(f.nonsense_above)}
_FEATURE: Final = {f.name: f for f in FEATURES}


def with_inferred_topups(tables: HistoryTables) -> tuple[HistoryTables, set[str]]:
    """Add the top-up that the readings show where none was recorded.

    A pack without any top-up whose readings hold two rest snapshots is taken to have been topped up before the one
    in which a block rose most against the others, on that block.

    Parameters
    ----------
    tables : HistoryTables

    Returns
    -------
    tables : HistoryTables
        With the added rows; charge, voltages and duration stay missing.
    inferred : set of str
        Packs concerned.
    """
    recorded = set(tables.topups["pack_id"])
    rest = tables.readings[(tables.readings["state"] == "rest") & ~tables.readings["pack_id"].isin(recorded)]
    if len(rest) < 2:
        return tables, set()
    rest = rest.sort_values(["pack_id", "time"], kind="stable")
    deviation = deviation_v(rest[block_columns(rest)].to_numpy(np.float64))
    pack, day = rest["pack_id"].to_numpy(dtype=object), to_days(rest["time"])
    same = pack[1:] == pack[:-1]
    rise = np.nan_to_num(np.diff(deviation, axis=0), nan=-np.inf)
    steps = pd.DataFrame(
        {
            "pack_id": pack[1:],
            "block": rise.argmax(axis=1) + 1,
            "rise": rise.max(axis=1),
            "day": np.maximum(day[1:] - INFERRED_REST_HOURS / 24, (day[1:] + day[:-1]) / 2),
        }
    )[same]
    best = steps.sort_values("rise", kind="stable").groupby("pack_id", sort=True).tail(1)
    added = pd.DataFrame({name: np.full(len(best), np.nan) for name in TOPUP_COLUMNS})
    added["pack_id"], added["blocks"] = best["pack_id"].to_numpy(), best["block"].astype(str).to_numpy(dtype=object)
    added["time"] = from_days(best["day"].to_numpy())
    topups = added if tables.topups.empty else pd.concat([tables.topups, added], ignore_index=True)
    return replace(tables, topups=topups), set(best["pack_id"])


def evidence_group(X: pd.DataFrame) -> NDArray[np.object_]:
    """Group whose record a forecast rests on: how rich the evidence is and whether the pack has driven since.

    Returns
    -------
    array of str, shape (n,)
        "fresh" or "holding", and "rich", "thin", "bare", "read since" or "not read since": "fresh, rich" and the like.
    """
    since = ~(X["now_rest_mv_per_cell"].isna() & X["now_load_mv_per_cell"].isna()).to_numpy()
    holding = since | (X["held_days"] > 4.0).to_numpy()
    rich, bare = rich_evidence(X), bare_evidence(X)
    return np.select(
        [since, bare & holding, holding, bare, rich],
        ["holding, read since", "holding, bare", "holding, not read since", "fresh, bare", "fresh, rich"],
        "fresh, thin",
    ).astype(object)


def rich_evidence(X: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether charge put in and rest readings on both sides of it are known. Shape (n,)."""
    return X[["charge_share", "before_rest_mv_per_cell", "after_rest_mv_per_cell"]].notna().all(axis=1).to_numpy()


_BEYOND_BARE: Final = [
    "charge_share",
    "before_load_mv_per_cell",
    "after_load_mv_per_cell",
    "now_rest_mv_per_cell",
    "now_load_mv_per_cell",
    "km_per_day",
]


def bare_evidence(X: pd.DataFrame) -> NDArray[np.bool_]:
    """Whether rest readings around the charge, and which block was topped up, are all there is. Shape (n,)."""
    return X[_BEYOND_BARE].isna().all(axis=1).to_numpy()


@dataclass(frozen=True)
class SeenRange:
    """Range of each feature in training, for saying what lies outside it.

    Attributes
    ----------
    low, high : Series
        By feature name; the 0.05 and 99.95 % points, so that single freaks do not count.
    layouts : frozenset of tuple
        Of the families learned from: `_LAYOUT`, in order.
    """

    low: pd.Series[float]
    high: pd.Series[float]
    layouts: frozenset[tuple[float, ...]]

    @classmethod
    def of(cls, X: pd.DataFrame) -> Self:
        """Learn the ranges."""
        part = X[list(_WATCHED)]
        return cls(part.quantile(0.0005), part.quantile(0.9995), frozenset(_layouts(X)))

    def new_family(self, X: pd.DataFrame) -> NDArray[np.bool_]:
        """Whether nothing was learned from packs of each row's layout. Shape (n,)."""
        return np.array([layout not in self.layouts for layout in _layouts(X)], dtype=bool)

    def distance(self, X: pd.DataFrame) -> pd.DataFrame:
        """How far each value lies outside, in training ranges: 0 inside (and where missing), shape (n, watched)."""
        part = X[list(_WATCHED)]
        span = np.maximum(self.high - self.low, 1e-9)
        beyond = np.maximum((self.low - part) / span, (part - self.high) / span) - SLACK
        return pd.DataFrame(beyond, columns=part.columns).clip(lower=0).fillna(0.0)

    def readable(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the table with values far outside read as unknown: NaN. Itself where there are none."""
        return self._unknown_beyond(X, FAR)

    def held(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the table with values outside read as the nearest one seen."""
        part = X[list(_WATCHED)]
        outside = self.distance(X) > 0
        return X.assign(**part.mask(outside, part.clip(self.low, self.high, axis=1)))

    def without(self, X: pd.DataFrame) -> pd.DataFrame:
        """Return the table with every value outside read as unknown."""
        return self._unknown_beyond(X, 0.0)

    def _unknown_beyond(self, X: pd.DataFrame, far: float) -> pd.DataFrame:
        beyond = self.distance(X) > far
        return X.assign(**X[list(_WATCHED)].mask(beyond)) if beyond.to_numpy().any() else X


def nonsense(X: pd.DataFrame) -> list[Said | None]:
    """Say of each row which value, if any, can be true of no pack (`Feature.nonsense_above`). Length n."""
    found: list[Said | None] = [None] * len(X)
    for name, most in _NONSENSE_ABOVE.items():
        values = X[name].to_numpy(np.float64)
        for row in np.flatnonzero(values > most):
            found[row] = say(
                "No pack can have this: %(meaning)s (%(value)s).",
                meaning=say(_FEATURE[name].meaning),
                value=_shown(name, values[row]),
            )
    return found


def _layouts(X: pd.DataFrame) -> list[tuple[float, ...]]:
    return list(map(tuple, X[_LAYOUT].to_numpy(np.float64).round(6).tolist()))


def _shown(name: str, value: float) -> str:
    unit = _FEATURE[name].unit
    return f"{value:.3g}" + ("" if unit == "1" else f" {unit}")


def flags_of(
    X: pd.DataFrame, seen: SeenRange, inferred: NDArray[np.bool_], origin_gap_days: NDArray[np.float64]
) -> list[tuple[Flag, ...]]:
    """List what the reader should know of each row's evidence.

    Parameters
    ----------
    X : DataFrame, n rows
    seen : SeenRange
    inferred : bool array, shape (n,)
        The top-up was inferred.
    origin_gap_days : array, shape (n,)
        Days between the newest reading and the origin; NaN without a reading.

    Returns
    -------
    list of tuple of Flag, length n
    """
    distance = seen.distance(X)
    outside = [{n: d for n, d in zip(distance.columns, row, strict=True) if d > 0} for row in distance.to_numpy()]
    rows = [dict(zip(X.columns, values, strict=True)) for values in X.to_numpy(np.float64).tolist()]
    return [
        tuple(_row_flags(row, beyond, bool(new), bool(guess), float(gap)))
        for row, beyond, new, guess, gap in zip(
            rows, outside, seen.new_family(X), inferred, origin_gap_days, strict=True
        )
    ]


def _row_flags(
    row: dict[str, float], outside: dict[str, float], new_family: bool, inferred: bool, gap: float
) -> list[Flag]:
    def known(name: str) -> bool:
        return not np.isnan(row[name])

    flags = []
    if new_family:
        flags.append(
            Flag(
                "family-not-learned",
                say(
                    "The model has learned from no pack of this layout: it carries over what it knows of others. "
                    "The forecast is widened."
                ),
            )
        )
    if inferred:
        flags.append(
            Flag(
                "topup-inferred",
                say("No top-up is recorded; it was inferred from the block that rose between two rest readings."),
            )
        )
    if not known("charge_share"):
        flags.append(
            Flag(
                "charge-unknown",
                say("The charge put in is not known, so a level reading may be hysteresis rather than charge."),
            )
        )
    if not known("before_rest_mv_per_cell"):
        flags.append(Flag("no-rest-before", say("There is no rest reading from before the charge.")))
    if not known("after_rest_mv_per_cell") and not known("now_rest_mv_per_cell"):
        flags.append(Flag("no-rest-after", say("There is no rest reading from after the charge.")))
    if (
        not known("before_load_mv_per_cell")
        and not known("after_load_mv_per_cell")
        and not known("now_load_mv_per_cell")
    ):
        flags.append(
            Flag("no-load-reading", say("No reading under load: a bad joint cannot be told from a weak block."))
        )
    if not known("km_per_day"):
        flags.append(
            Flag("usage-unknown", say("The planned usage is not known; the usage of comparable packs is assumed."))
        )
    if not known("ambient_c"):
        flags.append(Flag("weather-unknown", say("Neither the expected temperature nor that of the pack is known.")))
    if row["held_days"] > 4 and not gap <= STALE_DAYS:
        flags.append(
            Flag("stale", say("The newest reading is more than ten days old; a new one would sharpen this forecast."))
        )
    if row["charge_surplus_share"] > MUCH_CHARGE_SHARE and abs(row["before_rest_mv_per_cell"]) < LEVEL_MV_PER_CELL:
        flags.append(
            Flag(
                "contradiction-charge",
                say("The block read level before the charge but took a good deal: one of the two is wrong."),
            )
        )
    if row["before_lower_elsewhere_mv_per_cell"] > LEVEL_MV_PER_CELL:
        flags.append(
            Flag("other-block-lower", say("Before the charge another block lay below the one that was topped up."))
        )
    elif row["before_load_elsewhere_mv_per_cell"] > LOWER_UNDER_LOAD_MV_PER_CELL:
        flags.append(
            Flag(
                "other-block-lower",
                say("Before the charge another block fell lower under load than the one that was topped up."),
            )
        )
    if row["after_excess_mohm_per_cell"] > 1.0 and row["before_rest_mv_per_cell"] > -LEVEL_MV_PER_CELL:
        flags.append(
            Flag(
                "looks-like-joint",
                say(
                    "Level at rest but low under load: check bus bars and sense leads; a top-up does not cure a joint."
                ),
            )
        )
    for name, ranges in outside.items():
        meaning, value = say(_FEATURE[name].meaning), _shown(name, row[name])
        if ranges > FAR:
            text = say(
                "Far outside what the model has seen: %(meaning)s (%(value)s). Check it; it is read as not known, and "
                "the forecast is widened.",
                meaning=meaning,
                value=value,
            )
        else:
            text = say(
                "Outside what the model has seen: %(meaning)s (%(value)s). The forecast is widened.",
                meaning=meaning,
                value=value,
            )
        flags.append(Flag("out-of-range", text))
    return flags

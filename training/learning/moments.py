"""Rows to learn from: moments of each history, what happened after them, and splits that keep packs together."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.features.raw import feature_frame
from models.packs.tables import SECONDS_PER_DAY, HistoryTables, from_days, to_days

RETURN_VISIT_DAYS = 1 / 24
"""A later visit's reading this close to the end was made because the fault was back: nobody asks then how long the pack
will hold. Invented. One made the day that the block was charged is of the release, however soon the fault came back."""

HOLDING_SHARE = 0.5
"""Share of top-ups that get a moment at a random day after the release. Our choice."""

VISITS_KEPT = 2.0
"""The k-th visit of a top-up becomes a row with probability `VISITS_KEPT` / k."""

LONGEST_HOLDING_DAYS = 60
"""Days after the release among which the moment without a new reading is drawn, early ones more often."""

SINGLE_MOMENT_SHARES = (0.5, 0.2, 0.15, 0.15)
"""Chances that a pack's first, second, third or fourth moment is the one that speaks for it."""


@dataclass(frozen=True)
class SurvivalRows:
    """Moments with their features and what followed.

    Attributes
    ----------
    moments : DataFrame, n rows
        ``pack_id``, ``origin``, ``occasion`` ("release", "visit" or "holding").
    X : DataFrame, shape (n, features)
    time : array, shape (n,)
        Days from the origin to the end of following.
    event : bool array, shape (n,)
        The fault was confirmed again at that time.
    replaced : bool array, shape (n,)
        The pack was replaced at that time: a competing event.
    """

    moments: pd.DataFrame
    X: pd.DataFrame
    time: NDArray[np.float64]
    event: NDArray[np.bool_]
    replaced: NDArray[np.bool_]

    def take(self, rows: NDArray[np.intp] | NDArray[np.bool_]) -> SurvivalRows:
        """Keep some rows."""
        return SurvivalRows(
            self.moments.loc[self.moments.index[rows]].reset_index(drop=True),
            self.X.loc[self.X.index[rows]].reset_index(drop=True),
            self.time[rows],
            self.event[rows],
            self.replaced[rows],
        )

    def with_rows(self, other: SurvivalRows) -> SurvivalRows:
        """Append the rows of other packs."""
        return SurvivalRows(
            pd.concat([self.moments, other.moments], ignore_index=True),
            pd.concat([self.X, other.X], ignore_index=True),
            np.concatenate([self.time, other.time]),
            np.concatenate([self.event, other.event]),
            np.concatenate([self.replaced, other.replaced]),
        )

    def __len__(self) -> int:
        return len(self.time)


def _next_outcome(
    tables: HistoryTables, pack_id: pd.Series[str], second: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.object_]]:
    """Seconds and kind of the first outcome after each time; NaN where none is known."""
    outcomes = pd.DataFrame(
        {
            "pack_id": tables.outcomes["pack_id"].to_numpy(),
            "end": np.round(to_days(tables.outcomes["time"]) * SECONDS_PER_DAY).astype(np.int64),
            "kind": tables.outcomes["kind"].to_numpy(),
        }
    ).sort_values("end", kind="stable")
    asked = pd.DataFrame({"pack_id": pack_id.to_numpy(), "at": second, "order": np.arange(len(second))}).sort_values(
        "at", kind="stable"
    )
    near = pd.merge_asof(
        asked, outcomes, left_on="at", right_on="end", by="pack_id", direction="forward", allow_exact_matches=False
    )
    near = near.sort_values("order", kind="stable")
    return near["end"].to_numpy(np.float64, na_value=np.nan), near["kind"].to_numpy(dtype=object)


def moments_of(tables: HistoryTables, rng: np.random.Generator) -> pd.DataFrame:
    """Choose the moments of each top-up from which a forecast could have been asked.

    At the release (the last reading of the first visit after the charge, else a day after the charge), at each
    later visit (later ones less often; none at which the fault was back), and for half of the top-ups at a random day
    after the release, without a new reading. No moment is chosen by what followed it.

    Returns
    -------
    DataFrame
        ``pack_id``, ``origin``, ``occasion``, ``topup`` (row of its top-up), in order of pack and origin; only
        moments at which the pack was still holding.
    """
    topups = pd.DataFrame(
        {
            "pack_id": tables.topups["pack_id"].to_numpy(),
            "at": np.round(to_days(tables.topups["time"]) * SECONDS_PER_DAY).astype(np.int64),
            "topup": np.arange(len(tables.topups)),
        }
    )
    end, kind = _next_outcome(tables, topups["pack_id"], topups["at"].to_numpy())
    topups["end"], topups["kind"] = end, kind
    topups = topups[~np.isnan(end)]
    reads = pd.DataFrame(
        {
            "pack_id": tables.readings["pack_id"].to_numpy(),
            "seen": np.round(to_days(tables.readings["time"]) * SECONDS_PER_DAY).astype(np.int64),
        }
    ).sort_values("seen", kind="stable")
    joined = pd.merge_asof(reads, topups.sort_values("at", kind="stable"), left_on="seen", right_on="at", by="pack_id")
    day = int(SECONDS_PER_DAY)
    last = np.where(joined["seen"] - joined["at"] > day, joined["end"] - RETURN_VISIT_DAYS * day, joined["end"])
    joined = joined[joined["topup"].notna() & (joined["seen"] < last)]
    first = joined.groupby("topup")["seen"].transform("min")
    early = first - joined["at"] <= 4 * day
    at_release = early & (joined["seen"] - first <= day // 5)
    release = joined[at_release].groupby("topup")["seen"].max()
    origin = topups["topup"].map(release)
    # Without a reading at the release the car is taken to leave a day after the charge.
    topups["release"] = origin.where(origin.notna(), topups["at"] + day)
    parts = [topups.assign(origin=topups["release"], occasion="release")]
    later = joined[~at_release].sort_values(["topup", "seen"], kind="stable")
    visit_end = (later.groupby("topup")["seen"].shift(-1) - later["seen"]).fillna(np.inf) > day // 5
    visits = later[visit_end].assign(origin=later["seen"], occasion="visit")
    # A pack that reports daily would outweigh twenty that are seen twice. Whether a visit is kept may depend on what
    # came before it, never on how long the pack went on to hold: that would bias every curve.
    number = visits.groupby("topup").cumcount() + 1
    parts.append(visits[rng.random(len(visits)) < VISITS_KEPT / number])
    some = topups[rng.random(len(topups)) < HOLDING_SHARE]
    asked = some["release"] + day * LONGEST_HOLDING_DAYS * rng.random(len(some)) ** 2
    parts.append(some.assign(origin=asked, occasion="holding"))
    moments = pd.concat([p[["pack_id", "origin", "occasion", "topup", "end"]] for p in parts], ignore_index=True)
    moments = moments[moments["end"] - moments["origin"] >= 1]  # a second, to which moments are rounded
    moments["origin"] = from_days(np.round(moments["origin"].to_numpy(np.float64)) / SECONDS_PER_DAY)
    moments["topup"] = moments["topup"].astype(np.int64)
    return moments.drop(columns="end").sort_values(["pack_id", "origin"], kind="stable", ignore_index=True)


def single_moments(tables: HistoryTables, rng: np.random.Generator) -> SurvivalRows:
    """Rows of independent packs: at most one of each pack's moments.

    For each pack a number k is drawn beforehand (`SINGLE_MOMENT_SHARES`); its k-th moment is taken, and the pack is
    left out where it never came to that. Drawing among the moments it has would favour the early ones of packs that
    were soon back.
    """
    moments = moments_of(tables, rng)
    return survival_rows(tables, moments[one_moment_a_pack(moments, rng)].reset_index(drop=True))


def one_moment_a_pack(moments: pd.DataFrame, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Draw at most one of each pack's moments, as `single_moments` does; true for those drawn. Shape (n,)."""
    packs, code = np.unique(moments["pack_id"].to_numpy().astype(str), return_inverse=True)
    wanted = rng.choice(len(SINGLE_MOMENT_SHARES), len(packs), p=SINGLE_MOMENT_SHARES)[code]
    return np.asarray(moments.groupby("pack_id").cumcount().to_numpy() == wanted)


def survival_rows(tables: HistoryTables, moments: pd.DataFrame) -> SurvivalRows:
    """Join moments, their features and what followed.

    Parameters
    ----------
    moments : DataFrame
        From `moments_of`, or any with ``pack_id`` and ``origin``.

    Returns
    -------
    SurvivalRows
        Without the moments after which nothing is known.
    """
    second = np.round(to_days(moments["origin"]) * SECONDS_PER_DAY).astype(np.int64)
    end, kind = _next_outcome(tables, moments["pack_id"], second)
    known = ~np.isnan(end)
    kept = moments[known].reset_index(drop=True)
    time = (end[known] - second[known]) / SECONDS_PER_DAY
    return SurvivalRows(
        kept,
        feature_frame(tables, kept),
        time,
        kind[known] == "returned",
        kind[known] == "replaced",
    )


def fold_of(pack_ids: pd.Series[str], folds: int, salt: str = "") -> NDArray[np.int64]:
    """Assign packs to folds by a hash of their identifier: rows of one pack never part, whatever the random state."""
    unique, inverse = np.unique(pack_ids.to_numpy().astype(str), return_inverse=True)
    # A checksum would not do: it is linear, so that folds of two salts would go together.
    digests = (hashlib.blake2b(f"{salt}{name}".encode(), digest_size=8).digest() for name in unique)
    hashed = np.array([int.from_bytes(d, "big") % folds for d in digests], dtype=np.int64)
    return hashed[inverse]

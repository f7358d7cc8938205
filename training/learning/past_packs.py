"""Which past packs a forecaster keeps, to tell of those that are like the one asked about."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from models.features.raw import raw_features
from models.forecaster import Forecaster
from models.forecasts.similar_packs import PastPacks
from models.packs.tables import HistoryTables
from training.learning.moments import SurvivalRows, one_moment_a_pack

MOST_KEPT: Final = 4000
"""Packs kept: a megabyte of the model, and a millisecond to search."""


def past_packs(
    forecaster: Forecaster,
    train: SurvivalRows,
    kind: Mapping[str, str] | None,
    tables: HistoryTables,
    rng: np.random.Generator,
    *,
    invented: bool,
    most: int = MOST_KEPT,
) -> PastPacks:
    """Draw one moment each of some of the packs that were learned from.

    Parameters
    ----------
    forecaster : Forecaster
        Weighs the features.
    kind : mapping of pack to kind of weakness, or None
    tables : HistoryTables
        Says the families.
    invented : bool
        The packs are simulated.
    most : int
        Packs kept at most.
    """
    rows = train.take(one_moment_a_pack(train.moments, rng))
    if len(rows) > most:
        rows = rows.take(np.sort(rng.choice(len(rows), most, replace=False)))
    packs = rows.moments["pack_id"].to_numpy(dtype=object)
    family = dict(zip(tables.packs["pack_id"], tables.packs["family"], strict=True))
    table = pd.DataFrame(
        {
            "pack_id": packs,
            "family": np.array([family[p] for p in packs], dtype=object),
            "further_days": rows.time,
            "became": np.select([rows.event, rows.replaced], ["returned", "replaced"], "still holding").astype(object),
            "kind": np.array([None if kind is None else kind.get(p) for p in packs], dtype=object),
        }
    )
    raw = raw_features(tables, rows.moments)
    return PastPacks.learn(table, rows.X, raw, forecaster.mean_days(rows.X), invented=invented)

"""Records kept to the technician's minimum: a rest snapshot before the charge, one after it, and the block topped."""

from __future__ import annotations

import numpy as np
import pandas as pd

from models.features.raw import feature_frame
from models.packs.tables import READING_COLUMNS, TOPUP_COLUMNS, USAGE_COLUMNS, HistoryTables, block_columns, to_days
from training.learning.moments import SurvivalRows

LATEST_AFTER_DAYS = 4.0
"""A rest reading later than this after the charge is not one of the charge. As in `models.features.raw`; invented."""


def technicians_minimum(tables: HistoryTables, moments: pd.DataFrame) -> tuple[HistoryTables, pd.DataFrame]:
    """Keep of each moment's history what is written down in a hurry, and nothing else.

    That is: the newest rest snapshot before the last charge (since the one before it), the first rest snapshot within
    `LATEST_AFTER_DAYS` after it and up to the origin, and when the charge ended and on which blocks. Gone are the
    charge put in, voltages and duration of the charge, readings under load, currents, temperatures, plans of use, the
    pack's age and odometer, and all earlier top-ups and their outcomes.

    Parameters
    ----------
    moments : DataFrame
        ``pack_id`` and ``origin``; each after a top-up of its pack.

    Returns
    -------
    tables, moments
        Each moment is a pack of its own, named ``<pack_id>/<row>``; the order of moments is kept.
    """
    asked = pd.DataFrame({"of": moments["pack_id"].to_numpy(), "origin": moments["origin"].to_numpy()})
    asked["pack_id"] = [f"{pack}/{row}" for row, pack in enumerate(asked["of"])]
    asked["at"] = to_days(moments["origin"])

    charges = tables.topups[["pack_id", "time", "blocks"]].rename(columns={"pack_id": "of"})
    charges["end"] = to_days(charges["time"])
    charges = charges.sort_values(["of", "end"], kind="stable")
    charges["previous"] = charges.groupby("of")["end"].shift().fillna(-np.inf)
    # The last of a pack's charges up to the origin.
    last = asked.merge(charges, on="of")
    last = last[last["end"] <= last["at"]].groupby("pack_id", sort=False).tail(1)

    shots = tables.readings[tables.readings["state"] == "rest"].rename(columns={"pack_id": "of", "time": "seen"})
    shots = shots.assign(day=to_days(shots["seen"])).sort_values(["of", "day"], kind="stable")
    near = last[["pack_id", "of", "end", "previous", "at"]].merge(shots[["of", "day"]].reset_index(), on="of")
    before = near[(near["day"] < near["end"]) & (near["day"] > near["previous"])].groupby("pack_id").tail(1)
    after = near[
        (near["day"] >= near["end"]) & (near["day"] <= near["at"]) & (near["day"] - near["end"] <= LATEST_AFTER_DAYS)
    ]
    kept = pd.concat([before, after.groupby("pack_id").head(1)])[["pack_id", "index", "day"]]
    kept = kept.sort_values(["pack_id", "day"], kind="stable")
    readings = tables.readings.loc[kept["index"]].reset_index(drop=True)

    family = tables.packs.set_index("pack_id")["family"]
    packs = asked[["pack_id"]].assign(family=asked["of"].map(family), age_years=np.nan, odometer_km=np.nan)
    topups = last[["pack_id", "time", "blocks"]].reset_index(drop=True)
    unknown = dict.fromkeys((c for c in TOPUP_COLUMNS if c not in topups), np.nan)
    thin = HistoryTables(
        packs=packs,
        readings=readings.assign(
            pack_id=kept["pack_id"].to_numpy(dtype=object), current_a=np.nan, temperature_c=np.nan
        )[[*READING_COLUMNS, *_blocks(tables)]],
        topups=topups.assign(**unknown)[list(TOPUP_COLUMNS)],
        usage=tables.usage.iloc[:0][list(USAGE_COLUMNS)],
        outcomes=tables.outcomes.iloc[:0],
        families=tables.families,
    )
    return thin, moments.assign(pack_id=asked["pack_id"].to_numpy()).reset_index(drop=True)


def thin_rows(tables: HistoryTables, rows: SurvivalRows) -> SurvivalRows:
    """Return the same moments with the same outcomes, forecast from the technician's minimum."""
    thin, moments = technicians_minimum(tables, rows.moments)
    return SurvivalRows(rows.moments, feature_frame(thin, moments), rows.time, rows.event, rows.replaced)


def _blocks(tables: HistoryTables) -> list[str]:
    return block_columns(tables.readings)

"""What a row of a bulk forecast holds, as Arrow columns; and what the file says of all of them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pyarrow as pa

from models.base.day_grid import DAYS, GRID_VERSION, days_of_return
from models.forecaster import Forecaster
from models.forecasts.batch import Forecasts, Refused
from models.forecasts.forecast import Flag
from models.forecasts.weakness_kind import KINDS
from models.forecasts.withheld import withheld_by
from models.packs.stops import Stopped
from service.forecasting.bulk.reading import Stray
from service.forecasting.forecasts.answers import RETURN_SHARES
from service.forecasting.forecasts.schemas import DEFAULT_CONFIDENCES
from service.forecasting.forecasts.together import good_for
from service.forecasting.issued.scores import week_figures

SCHEMA_VERSION: Final = "2"
"""Changes whenever the columns do."""

CAUTION: Final = (
    "A probability is not permission: a licensed technician decides whether a vehicle may go, under local rules and "
    "the maker's service instructions. A refused pack with a stop code is stopped: do as its row says."
)

_CURVE: Final = pa.list_(pa.float64(), len(DAYS))
_DAYS: Final = pa.float64()

_WEEK: Final = ("week_return", "week_wait_days")

SCORED: Final = pa.schema(
    [
        *(("pack_id", pa.string()), ("family", pa.string()), ("origin", pa.timestamp("us", "UTC"))),
        *(("days_held", _DAYS), ("survival", _CURVE), ("band_low", _CURVE), ("band_high", _CURVE)),
        *((f"kind_{kind}", pa.float64()) for kind in KINDS),
        *((f"good_for_{100 * level:.0f}_days", _DAYS) for level in DEFAULT_CONFIDENCES),
        *((f"back_{100 * share:.0f}_by_day", _DAYS) for share in RETURN_SHARES),
        *((name, pa.float64()) for name in ("restricted_mean_days", *_WEEK)),
        *(("group", pa.string()), ("widening", pa.float64()), ("flags", pa.list_(pa.string()))),
        ("withheld_by", pa.list_(pa.string())),
    ]
)
"""Days count from ``origin``. ``back_…_by_day`` is null beyond the horizon; ``good_for_…_days`` the horizon at most.
These, ``restricted_mean_days`` and the figures of the week from now are null where the flags named in ``withheld_by``
withhold them: look, or read, first."""

REFUSED: Final = pa.schema(
    [("pack_id", pa.string()), ("reason", pa.string()), ("stop_codes", pa.list_(pa.string())), ("instead", pa.string())]
)


def described(schema: pa.Schema, forecaster: Forecaster) -> pa.Schema:
    """Return a schema with what holds for every row of the file."""
    return schema.with_metadata(
        {
            "tideover.schema": SCHEMA_VERSION,
            "tideover.model_id": forecaster.model_id,
            "tideover.grid_version": GRID_VERSION,
            "tideover.days": json.dumps(DAYS.tolist()),
            "tideover.own_outcomes": str(forecaster.own_outcomes),
            "tideover.sister_outcomes": str(forecaster.sister_outcomes),
            "tideover.caution": CAUTION,
        }
    )


def scored_table(forecaster: Forecaster, batch: Forecasts, later: Mapping[str, tuple[Flag, ...]]) -> pa.Table:
    """Return forecasts as a table.

    Parameters
    ----------
    later : mapping of str to tuple of Flag
        What is on record after their moments, by pack (`Forecaster.flags_of_later`).
    """
    family = batch.known.packs.set_index("pack_id")["family"].reindex(batch.moments["pack_id"]).to_numpy(dtype=object)
    columns: dict[str, Any] = {
        "pack_id": batch.moments["pack_id"],
        "family": family,
        "origin": batch.moments["origin"],
        "days_held": batch.X["held_days"],
        "survival": _curves(batch.survival),
        "band_low": _curves(batch.band_low),
        "band_high": _curves(batch.band_high),
    }
    for place, kind in enumerate(KINDS):
        columns[f"kind_{kind}"] = None if batch.kinds is None else batch.kinds[:, place]
    flags = [
        later.get(pack_id, ()) + found
        for pack_id, found in zip(batch.moments["pack_id"], forecaster.flags(batch), strict=True)
    ]
    withheld = [withheld_by(found) for found in flags]
    kept = np.where([bool(codes) for codes in withheld], np.nan, 1.0)
    for level in DEFAULT_CONFIDENCES:
        columns[f"good_for_{100 * level:.0f}_days"] = kept * good_for(forecaster, batch, level)
    for share in RETURN_SHARES:
        columns[f"back_{100 * share:.0f}_by_day"] = kept * days_of_return(batch.survival, share)
    columns["restricted_mean_days"] = kept * np.trapezoid(batch.survival, DAYS, axis=1)
    columns |= {name: kept * week for name, week in zip(_WEEK, week_figures(batch.survival), strict=True)}
    columns |= {"group": batch.group, "widening": batch.widening, "withheld_by": withheld}
    columns["flags"] = [[flag.code for flag in found] for found in flags]
    arrays = [_array(columns[field.name], field.type, len(batch)) for field in SCORED]
    return pa.Table.from_arrays(arrays, schema=described(SCORED, forecaster))


def refused_table(forecaster: Forecaster, refused: list[Refused], strays: list[Stray]) -> pa.Table:
    """Return the packs of which no figure is given, and why."""
    rows = [
        {
            "pack_id": one.pack_id,
            "reason": str(one.error),
            "stop_codes": [stop.code for stop in one.error.stops] if isinstance(one.error, Stopped) else [],
            "instead": " ".join(stop.instead for stop in one.error.stops) if isinstance(one.error, Stopped) else None,
        }
        for one in refused
    ]
    rows += [{"pack_id": s.pack_id, "reason": s.reason, "stop_codes": [], "instead": None} for s in strays]
    return pa.Table.from_pylist(rows, schema=described(REFUSED, forecaster))


def _curves(values: np.ndarray[Any, np.dtype[np.float64]]) -> pa.Array:
    return pa.FixedSizeListArray.from_arrays(pa.array(np.ascontiguousarray(values).ravel()), len(DAYS))


def _array(values: Any, kind: pa.DataType, rows: int) -> pa.Array:
    if values is None:
        return pa.nulls(rows, kind)
    if isinstance(values, pa.Array):
        return values
    return pa.array(values, kind, from_pandas=True)

"""Figures of many forecasts at once, each the same as of one: columns first, a row's plain values last."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from models.base.arrays import Floats, Rows
from models.base.day_grid import DAYS, GRID_VERSION, HORIZON_DAYS, days_of_return, days_told, levels_told
from models.base.errors import BadInput, TideoverError
from models.base.threads import thread_limit
from models.forecaster import Forecaster
from models.forecasts.batch import Forecasts
from models.forecasts.forecast import Flag
from models.forecasts.inputs import digest_at
from models.forecasts.weakness_kind import KINDS
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.tables import tables_from_histories
from service.core.translation import _
from service.forecasting.forecasts.answers import RETURN_SHARES, until_replacement
from service.forecasting.forecasts.cases import as_in_the_case, family_of
from service.forecasting.forecasts.schemas import EvidenceFlag, PackCase
from service.forecasting.forecasts.withheld import told_figures


def good_for(forecaster: Forecaster, batch: Forecasts, confidence: float) -> Floats:
    """Return the days that each pack is good for, as `Forecast.good_for` does of one; shape (n,)."""
    kinds, which = _bound_kinds(batch)
    level = np.array([forecaster.bound.told_level(confidence, *kind) for kind in kinds], dtype=np.float64)[which]
    return days_told(batch.survival, batch.told_survival, batch.unseen_days, level)


def _bound_kinds(batch: Forecasts) -> tuple[list[tuple[str, float]], Rows]:
    """List the pairs of group and widening on which promised days rest, and tell which is each row's."""
    pairs = list(zip(map(str, batch.group), batch.widening.tolist(), strict=True))
    place = {kind: number for number, kind in enumerate(dict.fromkeys(pairs))}
    return list(place), np.array([place[kind] for kind in pairs], dtype=np.intp)


def figures_of(
    forecaster: Forecaster,
    batch: Forecasts,
    confidences: Iterable[float],
    age: Mapping[str, tuple[EvidenceFlag, ...]],
    later: Mapping[str, tuple[Flag, ...]],
    waits: Mapping[str, float],
) -> list[dict[str, Any]]:
    """Return what `ForecastFigures` holds of each forecast, as plain values that JSON can hold.

    Parameters
    ----------
    confidences : iterable of float
        At which to say how many days each is good for.
    age : mapping of str to tuple of EvidenceFlag
        That a forecast is not of today, by pack.
    later : mapping of str to tuple of Flag
        What is on record after the moments, by pack (`Forecaster.flags_of_later`).
    waits : mapping of str to float
        Days until the replacement pack comes, by pack, of those of which that is asked.
    """
    family = batch.known.packs.set_index("pack_id")["family"].reindex(batch.moments["pack_id"])
    said = {level: _(forecaster.bound.guarantee(level)) for level in confidences}
    promised = {level: good_for(forecaster, batch, level).tolist() for level in said}
    back = {share: _values(days_of_return(batch.survival, share)) for share in RETURN_SHARES}
    columns = {
        "pack_id": batch.moments["pack_id"].tolist(),
        "family": family.tolist(),
        "origin": [origin.to_pydatetime().isoformat().replace("+00:00", "Z") for origin in batch.moments["origin"]],
        "days_held": batch.X["held_days"].tolist(),
        "restricted_mean_days": np.trapezoid(batch.survival, DAYS, axis=1).tolist(),
        "survival": batch.survival.tolist(),
        "band_low": batch.band_low.tolist(),
        "band_high": batch.band_high.tolist(),
        "surplus_left_out": batch.surplus_left_out.tolist(),
        "block": batch.block.tolist(),
    }
    same = {
        "horizon_days": HORIZON_DAYS,
        "days": DAYS.tolist(),
        "own_outcomes": forecaster.own_outcomes,
        "sister_outcomes": forecaster.sister_outcomes,
        "grid_version": GRID_VERSION,
        "model_id": forecaster.model_id,
    }
    kinds = None if batch.kinds is None else batch.kinds.tolist()
    bound_kinds, which = _bound_kinds(batch)
    told = [forecaster.bound.told_levels(*kind) for kind in bound_kinds]
    levels: list[list[float]] = [one.tolist() for one in told]

    def levels_of(row: int) -> list[float]:
        if not (batch.surplus[row] > 0 or batch.unseen_days[row] > 0):
            return levels[which[row]]
        kept = (batch.survival[row], batch.told_survival[row], float(batch.unseen_days[row]), told[which[row]])
        return list(levels_told(*kept).tolist())

    flags = [
        (*age.get(pack_id, ()), *map(EvidenceFlag.of, later.get(pack_id, ())), *map(EvidenceFlag.of, found))
        for pack_id, found in zip(batch.moments["pack_id"], forecaster.flags(batch), strict=True)
    ]
    asked_of = [levels_of(row) for row in range(len(batch))]
    return [
        told_figures(
            dict(zip(columns, values, strict=True))
            | same
            | {
                "until_replacement": None
                if (wait := waits.get(values[0])) is None
                else until_replacement(
                    batch.survival[row], batch.band_low[row], batch.band_high[row], asked_of[row], wait
                ),
                "kinds": None if kinds is None else dict(zip(KINDS, kinds[row], strict=True)),
                "good_for": [
                    {
                        "confidence": level,
                        "days": promised[level][row],
                        "beyond_horizon": promised[level][row] >= HORIZON_DAYS,
                        "guarantee": said[level],
                    }
                    for level in said
                ],
                "return_days": [
                    {"returned": share, "day": back[share][row], "beyond_horizon": back[share][row] is None}
                    for share in RETURN_SHARES
                ],
                "told_levels": asked_of[row],
                "flags": [flag.model_dump() for flag in flags[row]],
            }
        )
        for row, values in enumerate(zip(*columns.values(), strict=True))
    ]


@dataclass(frozen=True)
class Asked:
    """One of many packs to be forecast.

    Attributes
    ----------
    at : datetime or None
        The moment asked about; as things stand if None.
    age : sequence of EvidenceFlag
        That it rests on a record of long ago (`service.forecasting.forecasts.last_seen.age_of`).
    replacement_in_days : float or None
        Days until the replacement pack comes, if that was said.
    """

    history: PackHistory
    at: datetime | None
    age: Sequence[EvidenceFlag] = ()
    replacement_in_days: float | None = None


def told_together(
    asked: Sequence[Asked],
    forecaster: Forecaster,
    families: Mapping[str, PackFamily],
    confidences: Iterable[float],
    *,
    threads: int,
) -> list[dict[str, Any] | TideoverError]:
    """Forecast many packs, each as `service.forecasting.forecasts.answers.answer` does.

    Parameters
    ----------
    asked : sequence of Asked
        A pack may come more than once.
    confidences : iterable of float
        At which to say how many days each is good for.
    threads : int
        Of the numerical libraries.

    Returns
    -------
    list, length len(asked)
        What `ForecastFigures` holds, as plain values; or what `answer` raises.
    """
    found: dict[str, dict[str, Any] | TideoverError] = {}
    known: dict[str, PackHistory] = {}
    for place, one in enumerate(asked):
        try:
            family_of(PackCase.model_construct(history=one.history, family=None), families)
            # By place: a pack may come twice, with other facts.
            known[str(place)] = one.history.model_copy(update={"pack_id": str(place)})
        except BadInput as error:
            found[str(place)] = error
    origins = pd.Series([asked[int(place)].at for place in known], dtype="datetime64[us, UTC]")
    moments = pd.DataFrame({"pack_id": list(known), "origin": origins})
    age = {str(place): tuple(one.age) for place, one in enumerate(asked) if one.age}
    waits = {str(n): one.replacement_in_days for n, one in enumerate(asked) if one.replacement_in_days is not None}
    tables = tables_from_histories(known.values(), families)
    with thread_limit(threads):
        batch, refused = forecaster.forecast_each(tables, moments)
        chosen = moments[moments["pack_id"].isin(batch.moments["pack_id"]) & moments["origin"].notna()]
        later = forecaster.flags_of_later(tables.of_packs(chosen["pack_id"]), chosen)
        figures = figures_of(forecaster, batch, confidences, age, later, waits)
    for refusal in refused:
        why = refusal.error
        found[refusal.pack_id] = BadInput(as_in_the_case(why.problems)) if isinstance(why, BadInput) else why
    for row, moment in zip(figures, batch.moments["origin"], strict=True):
        place, history = row["pack_id"], asked[int(row["pack_id"])].history
        digest = digest_at(history, moment.to_pydatetime(), families[history.family])
        found[place] = row | {"pack_id": history.pack_id, "inputs_digest": digest}
    return [found[str(place)] for place in range(len(asked))]


def _values(column: Floats) -> list[float | None]:
    return [None if value != value else value for value in column.tolist()]

"""A fleet of any size out on top-ups, written straight into a store: its curves are invented, not forecast."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np
from sqlalchemy import insert

from models.base.day_grid import DAYS
from service.forecasting.issued.scores import bring_to, packed
from service.forecasting.recheck.days import day_reached
from service.store.opening import Store
from service.store.schema import Assignment, IssuedForecast, Pack, Score, ScoreCurves, TopUp, Usage, Vehicle

FAMILIES = ("gravel-14", "flint-40", "marl-28")
SITES = ("harbour yard", "north pier", "hill depot")
DUTIES = ("parcel round", "clinic run", "cab")
_SOME = 5_000


def curves(count: int, rng: np.random.Generator) -> np.ndarray:
    """Weibull hold curves with a band, shape (count, 3, len(DAYS)); invented."""
    shape, scale = rng.uniform(0.9, 2.2, count), rng.lognormal(np.log(25), 0.7, count)
    factor = np.array([1.0, 0.75, 1.35])
    return np.exp(-((DAYS / (scale[:, None, None] * factor[:, None])) ** shape[:, None, None]))


def fill(store: Store, count: int, now: datetime, *, seed: int = 1, answer: dict[str, Any] | None = None) -> list[str]:
    """Store that many vehicles with a pack, a top-up of the last days, a forecast and its score; return their names."""
    rng = np.random.default_rng(seed)
    each = curves(count, rng)
    names = [f"MB-{number:05d}" for number in range(count)]
    held = rng.uniform(0, 9, count)
    facts = {"version": 1, "recorded_at": now, "recorded_by": "invented"}
    rows: dict[type, list[dict[str, Any]]] = {
        kind: [] for kind in (Vehicle, Pack, Assignment, TopUp, Usage, IssuedForecast, Score, ScoreCurves)
    }
    for number, name in enumerate(names):
        origin = now - timedelta(days=float(held[number]))
        family, site, duty = FAMILIES[number % 3], SITES[number // 3 % 3], DUTIES[number // 9 % 3]
        good = float(DAYS[max(int((each[number, 0] >= 0.9).sum()) - 1, 0)])
        rows[Vehicle].append({"id": name, "site": site, "duty": duty, **facts})
        rows[Pack].append({"id": name, "family": family, **facts})
        rows[Assignment].append({"pack_id": name, "vehicle_id": name, "since": now - timedelta(days=900), **facts})
        rows[TopUp].append({"pack_id": name, "time": origin, "blocks": [1 + number % 14], **facts})
        rows[Usage].append({"pack_id": name, "time": origin, "km_per_day": 20.0 + number % 30, **facts})
        rows[IssuedForecast].append(
            {
                "id": number + 1,
                "pack_id": name,
                "issued_at": origin,
                "issued_by": "invented",
                "origin": origin,
                "model_id": "invented",
                "inputs_digest": "0" * 64,
                "good_for_days": good,
                "asked": {},
                "answer": answer or {"flags": []},
            }
        )
        rows[Score].append(
            {
                "pack_id": name,
                "forecast_id": number + 1,
                "vehicle_id": name,
                "site": site,
                "duty": duty,
                "family": family,
                "model_id": "invented",
                "topped_at": origin,
                "origin": origin,
                "good_until": day_reached(origin, good),
                "km_per_day": 20.0 + number % 30,
                "as_of": now,
                "week_return": 0.0,
                "week_wait_days": 0.0,
            }
        )
        rows[ScoreCurves].append({"pack_id": name, "origin": origin, "curves": packed(*each[number])})
    with store.writing() as session:
        for kind, values in rows.items():
            for first in range(0, count, _SOME):
                session.execute(insert(kind), values[first : first + _SOME])
    bring_to(store, now)
    return names

"""Random cases, one thing varied at a time: do figures move the way physics has it? All cases are invented.

`tests/benchmarks/bench_directions.py` prints the counts of ten thousand; a thinned sweep stands in the suite.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd

from models.base.day_grid import DAYS
from models.forecaster import Forecaster
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.stops import stops_of
from models.packs.tables import tables_from_histories
from models.topup.plan import plan_topup
from tests.cases.packs import WEAK, history_of_case
from training.files.families import load_families

GRAIN_DAYS: Final = 0.3
GRAIN_AH: Final = 0.02
"""Steps the wrong way by less are the grain of the estimate."""

STEPS: Final = 4


@dataclass(frozen=True)
class Sweep:
    """One thing that is varied.

    Attributes
    ----------
    name : str
    vary : callable
        From a pack and a number from 0 to 1 the pack with that much of it.
    sign : int
        1 where the figure may only rise with it, -1 where it may only fall.
    """

    name: str
    vary: Callable[[dict[str, Any], float], dict[str, Any]]
    sign: int


@dataclass(frozen=True)
class Found:
    """What a sweep found: steps, those the wrong way by more than the grain, and the furthest of them."""

    steps: int
    wrong: int
    worst: float


def drawn_pack(rng: np.random.Generator, families: dict[str, PackFamily]) -> dict[str, Any]:
    """Draw an ordinary case of a family whose blocks may be charged by hand."""
    family = families[str(rng.choice([name for name, f in families.items() if f.chemistry == "nimh"]))]
    rest_v = -float(rng.uniform(0.008, 0.04)) * family.cells_per_block
    pack = {
        "family": family.name,
        "inspected": "label",  # or no charge would be planned
        "rest_v": rest_v,
        "load_v": rest_v * float(rng.uniform(1.5, 4.0)),
        "load_share": float(rng.uniform(0.8, 1.6)) if rng.random() < 0.8 else None,
        "after_v": float(rng.uniform(-0.005, 0.03)) * family.cells_per_block if rng.random() < 0.7 else None,
        "charge": {"charge_ah": round(float(rng.uniform(0.05, 0.35)) * family.rated_ah, 2), "end_v": None},
        "usage": {
            "km_per_day": float(rng.uniform(5, 120)),
            "trips_per_day": float(rng.uniform(1, 6)),
            "ambient_c": float(rng.uniform(5, 30)),
        },
    }
    if rng.random() < 0.3:
        pack["holds"] = [float(d) for d in rng.uniform(3, 40, rng.integers(1, 3))]
    return pack


def _charge(low: float, high: float) -> Callable[[dict[str, Any], float], dict[str, Any]]:
    def vary(pack: dict[str, Any], share: float) -> dict[str, Any]:
        rated = _FAMILIES[pack["family"]].rated_ah
        put_in = low + (high - low) * share
        # At a tenth of the rated current, however long it takes.
        charge = {**pack["charge"], "charge_ah": round(put_in * rated, 3), "duration_h": round(put_in / 0.1, 3)}
        return {**pack, "charge": charge}

    return vary


def _usage(name: str, low: float, high: float) -> Callable[[dict[str, Any], float], dict[str, Any]]:
    return lambda pack, share: {**pack, "usage": {**pack["usage"], name: low + (high - low) * share}}


def _lower_rest(pack: dict[str, Any], share: float) -> dict[str, Any]:
    """Lower at rest, and by as much under load: the resistance stays what it is."""
    rest_v = -(0.008 + 0.034 * share) * _FAMILIES[pack["family"]].cells_per_block
    return {**pack, "rest_v": rest_v, "load_v": pack["load_v"] - pack["rest_v"] + rest_v}


_FAMILIES: Final = load_families()

FORECASTS: Final = (
    Sweep("more kilometres a day, no longer a hold", _usage("km_per_day", 5, 200), -1),
    Sweep("more put in than was missing, no longer a hold", _charge(0.65, 0.98), -1),
    Sweep("less put in than was missing, no longer a hold", _charge(0.25, 0.05), -1),
    Sweep("warmer from 20 °C on, no longer a hold", _usage("ambient_c", 20, 42), -1),
)
MISSING: Final = Sweep("lower at rest, no less missing", _lower_rest, 1)


def _walks(sweep: Sweep, cases: int, rng: np.random.Generator, *, charged: bool) -> list[list[PackHistory]]:
    """Histories of each case along a sweep; those that a stop ends are left out, as they get no figure."""
    found: list[list[PackHistory]] = []
    while len(found) < cases:
        pack = drawn_pack(rng, _FAMILIES)
        if not charged:
            pack = {**pack, "charge": None}
        elif "less put in" in sweep.name:
            pack["rest_v"] = -0.03 * _FAMILIES[pack["family"]].cells_per_block
        walk = []
        for share in np.linspace(0, 1, STEPS):
            content = history_of_case(sweep.vary(pack, float(share)), _FAMILIES)
            history = PackHistory.model_validate({**content, "pack_id": f"{len(found)}-{len(walk)}"})
            walk.append(history)
        if not any(stops_of(history, _FAMILIES[history.family]) for history in walk):
            found.append(walk)
    return found


def _count(figures: list[list[float]], sign: int, grain: float) -> Found:
    steps = [sign * (later - sooner) for walk in figures for sooner, later in pairwise(walk)]
    wrong = [-step for step in steps if step < -grain]
    return Found(len(steps), len(wrong), max(wrong, default=0.0))


def sweep_forecasts(forecaster: Forecaster, sweep: Sweep, cases: int, seed: int) -> Found:
    """Count the steps of a sweep in which the mean days held, as promises are read off, go the wrong way."""
    walks = _walks(sweep, cases, np.random.default_rng(seed), charged=True)
    histories = [history for walk in walks for history in walk]
    tables = tables_from_histories(histories, _FAMILIES)
    origin = pd.DatetimeIndex([history.last_fact_time for history in histories]).tz_convert("UTC")
    batch = forecaster.forecast_batch(tables, pd.DataFrame({"pack_id": tables.packs["pack_id"], "origin": origin}))
    days = np.trapezoid(batch.told_survival, DAYS, axis=1).reshape(-1, STEPS)
    return _count(days.tolist(), sweep.sign, GRAIN_DAYS)


def sweep_missing(cases: int, seed: int) -> Found:
    """Count the steps in which a lower rest reading asks for less charge."""
    walks = _walks(MISSING, cases, np.random.default_rng(seed), charged=False)
    figures = [[plan_topup(h, _FAMILIES[h.family], block=WEAK).missing.missing_ah.best for h in walk] for walk in walks]
    return _count(figures, MISSING.sign, GRAIN_AH)

"""Histories of invented packs from a few words: what a case file says of a pack, the rest being ordinary."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np

from models.packs.family import PackFamily

BEFORE = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)
WEAK = 5
SPREAD_V = (0.0, 0.0008, -0.0008, 0.0004, -0.0004)
"""By how much ordinary cells differ, V. Invented."""


def history_of_case(pack: dict[str, Any], families: dict[str, PackFamily]) -> dict[str, Any]:
    """Return the history of a pack as it is sent to the service.

    Parameters
    ----------
    pack : dict
        ``family``; and, all of it optional: ``rest_v`` and ``load_v``, deviation of block 5 at rest and under load, V;
        ``peers_cell_v``, what the cells of the others rest at; ``deviations`` and ``volts`` by block, at rest;
        ``inspected``, noted with the first reading;
        ``read``, a share of each block that was read instead of the block; ``load_share``, resistance relative to an
        ordinary one, or None for no reading under load; ``temperature_c``; ``charge`` with fields of the top-up, or
        None for none; ``after_v``, rest deviation of block 5 after it, or None for no reading; ``after_deviations`` by
        block; ``after_h``; ``after_c``; ``usage``; ``readings``, further ones; ``holds``, days that earlier top-ups
        held.
    families : dict
        By name.
    """
    family = families[pack["family"]]
    cells, nimh = family.cells_per_block, family.chemistry == "nimh"
    read = pack.get("read", 1.0)
    middle = 0.6 if nimh else 0.5
    each = pack.get("peers_cell_v", float(np.interp(middle, family.curves.soc, family.curves.ocv_v)))
    ohm = 1e-3 * cells * 1.6 * float(np.interp(middle, family.curves.soc, family.curves.discharge_mohm))
    per_cell = 0.02 if nimh else 0.04

    def volts(weak_v: float, more: dict[str, float], absolute: dict[str, float], sag_v: float = 0.0) -> list[float]:
        blocks = [cells * (each + SPREAD_V[b % 5]) - sag_v for b in range(family.blocks)]
        blocks[WEAK - 1] = cells * each - sag_v + weak_v
        for name, value in more.items():
            blocks[int(name) - 1] = cells * each - sag_v + value
        for name, value in absolute.items():
            blocks[int(name) - 1] = value
        return [round(read * v, 3) for v in blocks]

    rest_v = pack.get("rest_v", -per_cell * cells)
    temperature = {"temperature_c": pack["temperature_c"]} if "temperature_c" in pack else {}
    rest = volts(rest_v, pack.get("deviations", {}), pack.get("volts", {}))
    readings = [{"time": BEFORE, "state": "rest", "current_a": 0.0, "block_v": rest, **temperature}]
    if "inspected" in pack:
        readings[0]["inspected"] = pack["inspected"]
    if pack.get("load_share", 1.0) is not None:
        amps = round(6 * family.rated_ah, 1)
        sag = amps * ohm * pack.get("load_share", 1.0)
        under = volts(pack.get("load_v", 2.5 * rest_v), {}, {}, sag)
        readings.append({"time": BEFORE + timedelta(minutes=20), "state": "discharge", "current_a": amps,
                         "block_v": under, **temperature})  # fmt: skip
    topups = []
    hours = 0.22 / 0.1
    end = BEFORE + timedelta(hours=1 + hours)
    if pack.get("charge", {}) is not None:
        ordinary = {
            "blocks": [WEAK],
            "charge_ah": round(0.22 * family.rated_ah, 2),
            "end_v": round(cells * (1.38 if nimh else 3.85), 2),
            "duration_h": round(hours, 2),
        }
        topups.append({"time": end, **ordinary, **pack.get("charge", {})})
        if pack.get("after_v", 0.0) is not None:
            after = volts(pack.get("after_v", per_cell * cells), pack.get("after_deviations", {}), {})
            warmth = {"temperature_c": pack["after_c"]} if "after_c" in pack else {}
            readings.append({"time": end + timedelta(hours=pack.get("after_h", 17.0)), "state": "rest",
                             "current_a": 0.0, "block_v": after, **warmth})  # fmt: skip
    outcomes, start = [], end
    for held in reversed(pack.get("holds", [])):
        back = start - timedelta(days=1)
        start = back - timedelta(days=held)
        topups.insert(0, {"time": start, "blocks": [WEAK], "charge_ah": round(0.22 * family.rated_ah, 2)})
        outcomes.insert(0, {"time": back, "kind": "returned"})
    for more in pack.get("readings", []):
        readings.append({**more, "time": BEFORE + timedelta(hours=more["hours"])})
        readings[-1].pop("hours")
    usage = {"km_per_day": 30.0, "trips_per_day": 2.0, "ambient_c": 15.0, **pack.get("usage", {})}
    return _plain(
        {
            "pack_id": "MB-CASE-01",
            "family": family.name,
            "age_years": 9.0,
            "readings": sorted(readings, key=lambda reading: reading["time"]),
            "topups": topups,
            "outcomes": outcomes,
            "usage": [{"time": BEFORE, **usage}],
        }
    )


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(part) for name, part in value.items()}
    if isinstance(value, list):
        return [_plain(part) for part in value]
    return value.isoformat() if isinstance(value, datetime) else value

"""A pack that may be let go: one mild top-up that held five months before, cool, little driven; invented."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import Any


def mild_pack(record: Callable[[str, dict[str, Any]], object], now: datetime) -> str:
    """Record a pack of which days are promised at `now`, and return its name; `record` sends a fact to an address."""
    name, begun = "MB-CAB-40", now - timedelta(days=2)

    def volts(low: float, base: float) -> list[float]:
        return [round(base - low if block == 4 else base + 0.01 * (block * 7 % 3 - 1), 3) for block in range(14)]

    def read(at: datetime, state: str, block_v: list[float], **more: object) -> None:
        fact = {"pack_id": name, "time": at.isoformat(), "state": state, "block_v": block_v, "temperature_c": 12.0}
        record("/v1/readings", {**fact, **more})

    def topped(at: datetime, hours: float) -> None:
        charge = {"pack_id": name, "time": at.isoformat(), "blocks": [5], "charge_ah": 0.9, "duration_h": hours}
        record("/v1/topups", charge)

    record("/v1/packs", {"id": name, "family": "gravel-14", "age_years": 4.0, "odometer_km": 60_000})
    topped(begun - timedelta(days=152), 1.5)
    back = (begun - timedelta(days=1)).isoformat()
    record("/v1/outcomes", {"pack_id": name, "time": back, "kind": "returned"})
    read(begun, "rest", volts(0.17, 13.1))
    read(begun + timedelta(minutes=20), "discharge", volts(0.2, 12.2), current_a=40.0)
    topped(begun + timedelta(hours=5), 1.5)
    read(now - timedelta(minutes=20), "rest", volts(-0.1, 13.1), inspected="sound")
    read(now - timedelta(minutes=10), "discharge", volts(0.0, 12.2), current_a=40.0)
    plan = {"km_per_day": 5.0, "trips_per_day": 1.0, "ambient_c": 5.0, "parked_days_in_30": 10.0}
    record("/v1/usage", {"pack_id": name, "time": (now - timedelta(minutes=5)).isoformat(), **plan})
    return name

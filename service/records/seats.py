"""The vehicle that an open case is told under: brought up to date with every write of who sits where."""

from __future__ import annotations

from collections.abc import Collection
from typing import Any

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.store.schema import Assignment, Score, Vehicle


def mind_seats(session: Session, pack_ids: Collection[str]) -> None:
    """Tell the cases of some packs under the vehicles that those sit in now."""
    if not pack_ids:
        return

    def of_vehicle(column: Any) -> Any:
        sits = select(column).join(Assignment, Assignment.vehicle_id == Vehicle.id)
        sits = sits.where(Assignment.pack_id == Score.pack_id, Assignment.until.is_(None))
        return sits.limit(1).correlate(Score).scalar_subquery()

    seats = {"vehicle_id": of_vehicle(Vehicle.id), "site": of_vehicle(Vehicle.site), "duty": of_vehicle(Vehicle.duty)}
    session.execute(update(Score).where(Score.pack_id.in_(sorted(pack_ids))).values(seats))

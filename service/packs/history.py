"""A pack's history as the store tells it."""

from __future__ import annotations

from typing import Any

from pydantic import ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.history import BlockReading, Outcome, PackHistory, TopUp, UsagePlan
from models.problems import BadInput, problems_from
from service.records.errors import NoSuchRecord
from service.store import schema
from service.store.schema import Base, Pack

_PARTS: dict[str, tuple[type[Base], type[Any]]] = {
    "readings": (schema.Reading, BlockReading),
    "topups": (schema.TopUp, TopUp),
    "usage": (schema.Usage, UsagePlan),
    "outcomes": (schema.Outcome, Outcome),
}


def history_of_pack(session: Session, pack_id: str) -> PackHistory | None:
    """Return everything stored about a pack; None if there is no reading and no top-up yet.

    Raises
    ------
    NoSuchRecord
        There is no such pack.
    BadInput
        What is stored contradicts itself.
    """
    pack = session.get(Pack, pack_id)
    if pack is None:
        raise NoSuchRecord(f"There is no pack {pack_id}.")
    facts: dict[str, tuple[Any, ...]] = {}
    for name, (table, kind) in _PARTS.items():
        columns = [table.__table__.c[field] for field in kind.model_fields]
        query = select(*columns).where(table.__table__.c.pack_id == pack_id).order_by(table.__table__.c.time)
        # Checked when they were stored; what cannot be seen in one fact alone is checked below.
        facts[name] = tuple(kind.model_validate(row._asdict()) for row in session.execute(query))
    if not facts["readings"] and not facts["topups"]:
        return None
    try:
        return PackHistory(
            pack_id=pack.id, family=pack.family, age_years=pack.age_years, odometer_km=pack.odometer_km, **facts
        )
    except ValidationError as error:
        raise BadInput(problems_from(error, (f"packs/{pack_id}",))) from error

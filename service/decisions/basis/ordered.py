"""Packs that were ordered for a vehicle: on their way, or come and not fitted yet. They are not bought again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final, Literal

from sqlalchemy import func, or_, select
from sqlalchemy.orm import Session

from service.core.translation import _, ngettext
from service.forecasting.issued.scores import still_out
from service.store.schema import Delivery, Score

PackOnOrder = Literal["coming", "arrived"]

ABOUT: Final = (
    "The pack that was ordered for it: `coming`, or `arrived` and waiting to be fitted. It is not bought again. Null "
    "where none was."
)

MOST_NAMED: Final = 10
"""Vehicles named in one sentence."""


@dataclass(frozen=True)
class Ordered:
    """A vehicle for which a pack was ordered."""

    pack_id: str
    name: str
    state: PackOnOrder


def state_of(arrived_at: datetime | None, now: datetime) -> PackOnOrder:
    """Return whether a pack on order has come."""
    return "coming" if arrived_at is None or arrived_at > now else "arrived"


def ordered_for(session: Session, now: datetime, picked: Sequence[Any] = ()) -> dict[str, Ordered]:
    """Return the open cases for which a pack is on order, or came since the top-up, by the pack to be replaced.

    Parameters
    ----------
    picked : sequence of SQL conditions on `Score`
    """
    named = func.coalesce(Score.vehicle_id, Score.pack_id)
    query = (
        select(Score.pack_id, named, Delivery.arrived_at)
        .join(Delivery, Delivery.pack_id == Score.pack_id)
        .where(still_out(), Delivery.ordered_at <= now, *picked)
        .where(or_(Delivery.arrived_at.is_(None), Delivery.arrived_at >= Score.topped_at))
        .order_by(Delivery.ordered_at, Delivery.id)
    )
    # The newest of several counts, as in the order queue.
    return {
        pack_id: Ordered(pack_id, name, state_of(arrived_at, now))
        for pack_id, name, arrived_at in session.execute(query)
    }


def ordered_said(ordered: Sequence[Ordered]) -> list[str]:
    """Name the vehicles for which a pack waits to be fitted, and those for which one is on its way."""
    said = []
    if names := _named([one for one in ordered if one.state == "arrived"]):
        words = ngettext(
            "A pack has come and waits to be fitted, so none is bought again: %(vehicles)s.",
            "Packs have come and wait to be fitted, so none is bought again: %(vehicles)s.",
            len(names),
        )
        said.append(words % {"vehicles": _listed(names)})
    if names := _named([one for one in ordered if one.state == "coming"]):
        words = ngettext(
            "A pack is on order, so none is bought again: %(vehicles)s.",
            "Packs are on order, so none is bought again: %(vehicles)s.",
            len(names),
        )
        said.append(words % {"vehicles": _listed(names)})
    return said


def _named(ordered: Sequence[Ordered]) -> list[str]:
    return sorted(one.name for one in ordered)


def _listed(names: Sequence[str]) -> str:
    more = _(" and %(count)s more") % {"count": len(names) - MOST_NAMED} if len(names) > MOST_NAMED else ""
    return ", ".join(names[:MOST_NAMED]) + more

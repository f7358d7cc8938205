"""Grave warnings that the facts on record bear, found anew from them: no forecast need have been made of them."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.messages import say
from models.forecasts.charge_warnings import charge_warnings
from models.forecasts.forecast import Flag
from models.packs.family import PackFamily
from models.packs.history import PackHistory, family_problems
from models.packs.stops import stops_of
from models.packs.tables import SECONDS_PER_DAY, date_of
from service.records.history import HEAD_OF_PACK, in_parts, sound_or_not
from service.records.unweighed import out_of_use
from service.store.schema import Pack

Warnings = Mapping[str, Mapping[str, Flag]]
"""What gravely warns of packs, by pack and code."""

FAULT_BACK: Final = "fault-back"
"""The fault that is on record as back: a warning here alone, that no correction may take away unsaid."""


def warned_by(session: Session, pack_ids: Collection[str], families: Mapping[str, PackFamily]) -> Warnings:
    """Return of some packs in use what their readings and charges gravely warn of; none of those that facts stop.

    Neither is a pack among them whose record contradicts itself.
    """
    found: dict[str, dict[str, Flag]] = {}
    for some in in_parts(sorted(pack_ids)):
        heads = session.execute(select(*HEAD_OF_PACK).where(Pack.id.in_(some))).all()
        for pack_id, history in sound_or_not(session, heads):
            family = families.get(history.family) if isinstance(history, PackHistory) else None
            if not isinstance(history, PackHistory) or family is None or family_problems(history, family):
                continue
            if not out_of_use(history) and not stops_of(history, family):
                flags = (*charge_warnings(history, family), *_fault_back(history))
                found[pack_id] = {flag.code: flag for flag in flags if flag.grave}
    return found


def _fault_back(history: PackHistory) -> tuple[Flag, ...]:
    """Return the fault that is back since the newest charge as a warning: a car must not go again by a word less."""
    ended = history.ended
    if ended is None or ended.kind != "returned":
        return ()
    text = say("The fault is on record as back since %(day)s.", day=date_of(ended.time.timestamp() / SECONDS_PER_DAY))
    return (Flag(FAULT_BACK, text, grave=True),)

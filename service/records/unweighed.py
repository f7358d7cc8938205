"""Packs of which something is recorded that their newest forecast does not know: taken note of with every write.

What a forecast warned of has to be looked at whether or not it still stands. So a pack whose forecast is dropped, as
its facts were corrected or it was charged again, stays noted with that warning until it is forecast anew or out of use.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime

from sqlalchemy import delete, insert, select
from sqlalchemy.orm import Session

from models.packs.history import PackHistory
from service.store.schema import Score, StoppedPack, UnweighedPack


def note_unweighed(
    session: Session,
    histories: Sequence[PackHistory],
    forecasts: Mapping[str, tuple[datetime, bool]],
    borne: Collection[str],
) -> None:
    """Note of which packs the newest forecast does not know something, and whether it warned.

    Parameters
    ----------
    forecasts : mapping of str to (datetime, bool)
        Origin of each pack's newest forecast, and whether it warns.
    borne : collection of str
        Packs whose facts still are what that forecast was made from.
    """
    ids = [history.pack_id for history in histories]
    query = select(UnweighedPack.pack_id, UnweighedPack.warned).where(UnweighedPack.pack_id.in_(ids))
    noted = {row.pack_id: row.warned for row in session.execute(query)}
    new: dict[str, bool] = {}
    for history in histories:
        pack_id = history.pack_id
        if out_of_use(history):
            continue
        if pack_id not in forecasts:
            if pack_id in noted:
                new[pack_id] = noted[pack_id]
            continue
        origin, warns = forecasts[pack_id]
        if pack_id not in borne or newest_entry(history) > origin:
            new[pack_id] = warns or noted.get(pack_id, False)
    if new == noted:
        return
    session.execute(delete(UnweighedPack).where(UnweighedPack.pack_id.in_(ids)))
    if new:
        session.execute(
            insert(UnweighedPack), [{"pack_id": pack_id, "warned": new[pack_id]} for pack_id in sorted(new)]
        )


def newest_entry(history: PackHistory) -> datetime:
    """Return when the newest reading or top-up on record was."""
    return max([r.time for r in history.readings[-1:]] + [t.time for t in history.topups[-1:]])


def out_of_use(history: PackHistory) -> bool:
    """Whether a pack is in no vehicle any more."""
    return history.ended is not None and history.ended.kind in ("replaced", "retired")


def warned_packs(session: Session, pack_ids: Collection[str]) -> set[str]:
    """Return those of some packs of which the newest forecast gravely warns, also where it was dropped since."""
    scored = select(Score.pack_id).where(Score.pack_id.in_(pack_ids), Score.grave)
    noted = select(UnweighedPack.pack_id).where(UnweighedPack.pack_id.in_(pack_ids), UnweighedPack.warned)
    return {*session.scalars(scored), *session.scalars(noted)}


def unweighed_packs(session: Session, pack_ids: Collection[str] | None = None) -> dict[str, bool]:
    """Return the packs of which something is recorded that their newest forecast does not know; True if that warned.

    Those under a stop are none of them.

    Parameters
    ----------
    pack_ids : collection of str, optional
        Of these alone.
    """
    query = select(UnweighedPack.pack_id, UnweighedPack.warned).order_by(UnweighedPack.pack_id)
    query = query.where(~select(StoppedPack.pack_id).where(StoppedPack.pack_id == UnweighedPack.pack_id).exists())
    if pack_ids is not None:
        query = query.where(UnweighedPack.pack_id.in_(pack_ids))
    return {row.pack_id: row.warned for row in session.execute(query)}

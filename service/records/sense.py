"""Whether facts of a pack can be true together: the same rules for one write and for an import."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from statistics import median
from typing import Any, NamedTuple

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.errors import Problem
from models.packs.family import PackFamily
from models.packs.history import BlockReading, PackHistory, TopUp, family_problems
from service.records.field_words import to_the_minute
from service.records.subject import FactKind, Situation
from service.store.schema import Outcome, Pack
from service.store.schema import TopUp as TopUpRow


class Mark(NamedTuple):
    """A top-up or an outcome in time; `key` tells which, `outcome` what became of the pack."""

    time: datetime
    kind: FactKind
    key: Any
    outcome: str | None = None


class OrderFault(NamedTuple):
    """A top-up or an outcome that cannot stand where it does."""

    mark: Mark
    what: str
    mend: str


def order_faults(marks: Iterable[Mark]) -> list[OrderFault]:
    """List outcomes before any top-up, second returns of one, and top-ups made while an earlier one was open.

    A top-up ends in an outcome: returned, replaced, retired, or last known running. Without it nobody could tell how
    long the earlier one held. It ends once: a fault comes back only to a pack that was topped up since.

    Parameters
    ----------
    marks : iterable of Mark
        Of one pack, in any order.
    """
    faults = []
    seen: Mark | None = None
    topped: Mark | None = None
    over: Mark | None = None
    # At the same moment the outcome of the earlier top-up comes before the next one ("outcomes" sorts first).
    for mark in sorted(marks, key=lambda m: (m.time, m.kind)):
        if mark.kind == "outcomes":
            if seen is None:
                what = f"The outcome of {to_the_minute(mark.time)} lies before the pack's first top-up."
                faults.append(OrderFault(mark, what, "Record the top-up that it followed first, or correct the time."))
            if mark.outcome == "returned" and over is not None:
                what = (
                    f"At {to_the_minute(mark.time)} the fault came back, but it was over at {to_the_minute(over.time)}."
                )
                mend = "Record the top-up made between, or correct or withdraw one of the two."
                faults.append(OrderFault(mark, what, mend))
            if mark.outcome != "running":
                over = mark
            topped = None
            continue
        over = None
        if topped is not None:
            what = (
                f"At {to_the_minute(mark.time)} the top-up of {to_the_minute(topped.time)} is still open: it has no "
                "outcome."
            )
            mend = (
                "If it is the same one, entered twice, leave it out. Else record the earlier one's outcome first "
                "(running, if the fault had not returned), or correct the time."
            )
            faults.append(OrderFault(mark, what, mend))
        seen = topped = mark
    return faults


def unknown_family(name: str, families: Mapping[str, PackFamily]) -> Problem | None:
    """Return the problem of a family that nobody has described."""
    if name in families:
        return None
    return Problem("family", f"The family {name!r} is not known.", f"Name one of {', '.join(sorted(families))}.")


def fit_problems(family: PackFamily, fact: BlockReading | TopUp) -> list[Problem]:
    """List what in one reading or top-up cannot be true of a family; fields are named as in the fact."""
    readings, topups = ((fact,), ()) if isinstance(fact, BlockReading) else ((), (fact,))
    # Every field is given: looking up defaults would take longer than the check, a million times over in an import.
    history = PackHistory.model_construct(
        pack_id="",
        family=family.name,
        age_years=None,
        odometer_km=None,
        readings=readings,
        topups=topups,
        usage=(),
        outcomes=(),
    )
    return [Problem(p.where.split(".", 1)[1], p.what, p.mend) for p in family_problems(history, family)]


def of_one_cell(block_v: Sequence[float | None], family: PackFamily) -> list[Problem]:
    """Return the problem of volts that are those of one cell each, where a block of the family has several."""
    known = [volts for volts in block_v if volts is not None]
    if family.cells_per_block == 1 or not known or not family.min_cell_v <= median(known) <= family.max_cell_v:
        return []
    what = f"The volts are those of one cell each; a block of family {family.name} has {family.cells_per_block}."
    return [Problem("block_v[0]", what, "Give the volts of whole blocks, or name the right family.")]


def fits_family(situation: Situation, kind: type[BlockReading | TopUp]) -> list[Problem]:
    """Check a reading or a top-up against the family of its pack."""
    if situation.after is None:
        return []
    pack = situation.session.get(Pack, situation.after["pack_id"])
    assert pack is not None, "references are looked up first"
    family = situation.families.get(pack.family)
    if family is None:
        known = f"The pack is of the family {pack.family!r}, which this service does not know any more."
        return [Problem("pack_id", known, "Put the family file back, or correct the pack's family.")]
    fact = kind.model_construct(**{field: situation.after[field] for field in kind.model_fields})
    return fit_problems(family, fact)


def keeps_order(situations: Sequence[Situation], kind: FactKind) -> list[list[Problem]]:
    """Check the order of packs' top-ups and outcomes after changes that are made together.

    Parameters
    ----------
    situations : sequence of Situation
        Changes of top-ups, or of outcomes, none of which is in the store yet.
    kind : {"topups", "outcomes"}

    Returns
    -------
    list of list of Problem
        Of each change.
    """
    found: list[list[Problem]] = [[] for _ in situations]
    touched: dict[str, list[int]] = {}
    for i, situation in enumerate(situations):
        for pack_id in {values["pack_id"] for values in (situation.before, situation.after) if values is not None}:
            touched.setdefault(pack_id, []).append(i)
    for pack_id, places in sorted(touched.items()):
        marks = _marks(situations[places[0]].session, pack_id)
        own = {situations[i].record_id for i in places}
        new = [
            Mark(after["time"], kind, _Change(i), after.get("kind"))
            for i in places
            if (after := situations[i].after) is not None and after["pack_id"] == pack_id
        ]
        rest = [mark for mark in marks if not (mark.kind == kind and mark.key in own)]
        already = {(fault.mark.kind, fault.mark.key) for fault in order_faults(marks)}
        for fault in order_faults([*rest, *new]):
            if (fault.mark.kind, fault.mark.key) not in already:
                found[_blamed(fault.mark, new, places)].append(Problem("time", fault.what, fault.mend))
    return found


class _Change(NamedTuple):
    """The key of a mark that is not in the store yet: the place of its change."""

    place: int


def _blamed(mark: Mark, new: Sequence[Mark], places: Sequence[int]) -> int:
    """Return the change that a fault comes from: the one it lies in, else the last before it."""
    if isinstance(mark.key, _Change):
        return mark.key.place
    earlier = [other.key.place for other in sorted(new, key=lambda m: m.time) if other.time <= mark.time]
    return earlier[-1] if earlier else places[0]


def _marks(session: Session, pack_id: str) -> Sequence[Mark]:
    marks = []
    kinds: tuple[tuple[FactKind, type[TopUpRow | Outcome]], ...] = (("topups", TopUpRow), ("outcomes", Outcome))
    for kind, table in kinds:
        columns = table.__table__.c
        what = [columns.kind] if table is Outcome else []
        rows = session.execute(select(columns.id, columns.time, *what).where(columns.pack_id == pack_id))
        marks += [Mark(time, kind, number, *outcome) for number, time, *outcome in rows]
    return marks

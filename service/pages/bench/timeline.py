"""Everything recorded of a pack, newest first, as a list to look through and to correct from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.packs.stops.known import any_volts
from models.physics.imbalance import deviation_v
from service.core.translation import _, ngettext
from service.pages.drawing import signed
from service.pages.wording import code_state_words, found_words, inspected_words, outcome_words, state_words
from service.records.subject import Subject
from service.records.subjects.outcomes import OUTCOMES
from service.records.subjects.readings import READINGS
from service.records.subjects.topups import TOPUPS
from service.records.subjects.usage import USAGE

FACTS: Final[Mapping[str, Subject]] = {"reading": READINGS, "topup": TOPUPS, "usage": USAGE, "outcome": OUTCOMES}
"""By the word in the address of its form."""


@dataclass(frozen=True)
class FactLine:
    """One fact in the list.

    Attributes
    ----------
    word : str
        Of `FACTS`.
    """

    word: str
    number: int
    time: datetime
    what: str
    details: str


def timeline(session: Session, pack_id: str) -> list[FactLine]:
    """List every fact of a pack, the newest first."""
    lines = []
    for word, subject in FACTS.items():
        table = subject.table
        rows: Sequence[Any] = session.scalars(select(table).where(table.__table__.c.pack_id == pack_id)).all()
        lines += [FactLine(word, row.id, row.time, *_SAID[word](row)) for row in rows]
    return sorted(lines, key=lambda line: (line.time, line.word), reverse=True)


def _known(*parts: tuple[str, float | None, str]) -> str:
    told = [(words, f"{value:g}".replace("-", "−"), unit) for words, value, unit in parts if value is not None]
    return ", ".join(" ".join(one).strip() for one in told)


def _reading(row: Any) -> tuple[str, str]:
    if not any_volts(row):
        return _("Reading %(state)s") % {"state": state_words()[row.state]}, inspected_words()[row.inspected]
    off = deviation_v(np.array([[np.nan if v is None else v for v in row.block_v]]))[0]
    lowest = int(np.nanargmin(off)) + 1
    low = _("lowest: block %(block)s, %(volts)s V from the median") % {
        "block": lowest,
        "volts": signed(off[lowest - 1], 2),
    }
    rest = _known(
        (_("current"), row.current_a, "A"), (_("pack"), row.temperature_c, "°C"), (_("charge"), row.soc_pct, "%")
    )
    seen = inspected_words()[row.inspected] if row.inspected else ""
    code = f"{row.code} {code_state_words()[row.code_state].lower()}" if row.code else ""
    return _("Reading %(state)s") % {"state": state_words()[row.state]}, "; ".join(
        filter(None, (low, rest, seen, code))
    )


def _topup(row: Any) -> tuple[str, str]:
    blocks = ", ".join(map(str, row.blocks))
    what = ngettext("Top-up of block %(blocks)s", "Top-up of blocks %(blocks)s", len(row.blocks)) % {"blocks": blocks}
    return what, _known(
        (_("charge"), row.charge_ah, "Ah"),
        (_("end"), row.end_v, "V"),
        (_("took"), row.duration_h, "h"),
        (_("rest before"), row.rest_before_v, "V"),
        (_("rest after"), row.rest_after_v, "V"),
    )


def _usage(row: Any) -> tuple[str, str]:
    return _("Planned use"), _known(
        ("", row.km_per_day, _("km a day")),
        ("", row.trips_per_day, _("trip a day") if row.trips_per_day == 1 else _("trips a day")),
        (_("outside"), row.ambient_c, "°C"),
        ("", row.parked_days_in_30, _("of 30 days parked")),
    )


def _outcome(row: Any) -> tuple[str, str]:
    more = _known((_("odometer"), row.odometer_km, "km"))
    return outcome_words()[row.kind], "; ".join(
        filter(None, (row.code, found_words()[row.found] if row.found else "", more))
    )


_SAID: Final = {"reading": _reading, "topup": _topup, "usage": _usage, "outcome": _outcome}

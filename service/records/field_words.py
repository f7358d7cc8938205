"""What kinds of records, and their fields, are called in sentences for people; `where` keeps the field's own name."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Final

from service.core.translation import N_, _

KINDS: Final[Mapping[str, str]] = {
    "topup": N_("top-up"),
    "usage-plan": N_("plan of use"),
    "delivery": N_("order"),
    "cost": N_("statement of costs"),
}
"""Where a kind is called otherwise than in addresses."""

FIELDS: Final[Mapping[str, str]] = {
    "pack_id": N_("pack"),
    "vehicle_id": N_("vehicle"),
    "time": N_("time"),
    "id": N_("number"),
}


def kind_word(one: str) -> str:
    """Return what people call a record of a kind."""
    return _(KINDS.get(one, one))


def field_words(names: Iterable[str]) -> str:
    """Return what people call some fields, in one phrase."""
    return _(" and ").join(_(FIELDS.get(name, name.replace("_", " "))) for name in names)


def to_the_minute(time: datetime) -> str:
    """Write a moment as sentences have it."""
    return time.isoformat(sep=" ", timespec="minutes")

"""Why a record is corrected or withdrawn, and when that has to be said."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from models.base.errors import BadInput
from models.forecasts.forecast import Flag
from models.packs.ledger import BY_READING, LEDGER, Standing
from models.packs.stops import Stop
from service.core.translation import _
from service.records.stopped import Stops
from service.records.warned import FAULT_BACK, Warnings


@dataclass(frozen=True)
class Why:
    """Why a record is corrected or withdrawn.

    Attributes
    ----------
    reason : str or None
        In somebody's own words; kept with the version before.
    undone : bool
        What was just entered is taken back as a slip: the way back that the page offers at once.
    """

    reason: str | None = None
    undone: bool = False


NO_REASON: Final = Why()


def left_out(before: Any, after: Any) -> bool:
    """Whether something that was noted is not any more: a value, or one in a row of them."""
    if isinstance(before, list | tuple) and isinstance(after, list | tuple):
        return any(map(left_out, before, after))
    return before is not None and after is None


def require_why(stood: Stops, stands: Stops, why: Why, emptied: Sequence[str]) -> None:
    """Refuse that a stop goes without a word, or because what it rests on is left out."""
    gone = _gone_stops(stood, stands)
    if not gone or why.undone:
        return
    words = {"stop": _(gone[0].text)}
    if emptied:
        raise BadInput.one(
            emptied[0],
            _("A stop rests on it: %(stop)s Leaving it out does not lift that.") % words,
            " ".join([_("Give the value that was read, with the reason."), _what_ends(gone[0].standing)]),
        )
    if not why.reason:
        raise BadInput.one(
            "reason",
            _("A stop would go with this: %(stop)s") % words,
            " ".join([_("Say why it was wrong: the reason is kept."), _what_ends(gone[0].standing)]),
        )


def require_why_unwarned(warned: Warnings, warns: Warnings, why: Why) -> None:
    """Refuse that a grave warning goes without a word."""
    gone = _gone_warnings(warned, warns)
    if gone and not (why.reason or why.undone):
        mend = [_("Say why it was wrong: the reason is kept.")]
        if gone[0].code != FAULT_BACK:
            mend.append(_what_ends(LEDGER.get(gone[0].code, BY_READING)))
        raise BadInput.one(
            "reason",
            _("A grave warning would go with this: %(warning)s") % {"warning": _(gone[0].text)},
            " ".join(mend),
        )


def lifted(stood: Stops, stands: Stops, warned: Warnings, warns: Warnings) -> list[str] | None:
    """Return what no longer stops a pack, or gravely warns of it, as it was told; None where nothing went."""
    stops = [stop.text for stop in _gone_stops(stood, stands)]
    return [_(text) for text in (*stops, *(flag.text for flag in _gone_warnings(warned, warns)))] or None


def _gone_stops(stood: Stops, stands: Stops) -> list[Stop]:
    return [
        stop for pack_id, found in stood.items() for code, stop in found.items() if code not in stands.get(pack_id, {})
    ]


def _gone_warnings(warned: Warnings, warns: Warnings) -> list[Flag]:
    """Return the grave warnings that went; of a pack that is stopped by then, none has gone."""
    return [
        flag
        for pack_id, found in warned.items()
        for code, flag in found.items()
        if pack_id in warns and code not in warns[pack_id]
    ]


def _what_ends(standing: Standing) -> str:
    """Say what ends a fact that was no slip."""
    if standing.by_cells:
        return _(
            "If it was right, have the cells measured and note that with a reading of the next day or later "
            "(inspected: cells), or note the module that was swapped."
        )
    if "insulation" in standing.ends:
        return _(
            "If it was right, have the insulation measured and note that with a later reading (inspected: insulation)."
        )
    if "swap and look" in standing.ends:
        return _("If it was right, note the module that was swapped, and a look after that.")
    if standing.by_look:
        return _("If it was right, note a look with a reading of the next day or later.")
    if "swap" in standing.ends:
        return _("If it was right, it stands until a module of the block was swapped: note that.")
    return _("If it was right, read it again.")

"""The table of stops, the most pressing first, and how a pack is asked."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from models.base.counts import hours
from models.base.messages import Said, say
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.stops.cells import below_floor, cell_down, collapsed, driven_backwards, no_volts
from models.packs.stops.charging import (
    charged_cold,
    charged_hot,
    lithium,
    over_voltage,
    too_cold,
    too_hot,
    wrong_block,
)
from models.packs.stops.heat import hot, was_hot
from models.packs.stops.identity import chemistry, its_volts, label_unread
from models.packs.stops.inspection import damaged
from models.packs.stops.isolation import isolation
from models.packs.stops.known import LOOK_AFTER, Known, known_at, moment
from models.packs.stops.overfilled import overfilled
from models.packs.stops.rules import Stop, Stopped, StopRule

_NOT_CHARGED_ON = say(
    "Charge nothing and do not drive on it. Have the block measured cell by cell by somebody licensed to, and replaced "
    "where that shows a bad cell. This stands until a reading of the next day or later says that its cells were "
    "measured and none is bad (inspected), or a module of the block was swapped; a look alone does not lift it. If "
    "the meter slipped, correct that reading and say why: the reason is kept."
)
_LITHIUM_DOWN = say(
    "Charge nothing and do not drive on it. A lithium-ion cell that was driven below its floor is never charged again, "
    "whatever it reads later: have the module replaced by somebody licensed to. This stands until a module of the "
    "block was swapped. If the meter slipped, correct that reading and say why: the reason is kept."
)
_LITHIUM_OVER = say(
    "Charge nothing and do not drive on it. Keep people and whatever burns away: a lithium-ion cell that was "
    "overcharged can catch fire days later, and nothing may show before. Have the module replaced by somebody licensed "
    "to. This stands until a module of the block was swapped; a look does not lift it. If the meter slipped, correct "
    "that entry and say why: the reason is kept."
)
_LITHIUM_INSTEAD: Final = {
    "below-floor": _LITHIUM_DOWN, "over-voltage": _LITHIUM_OVER, "overfilled": _LITHIUM_OVER,
}  # fmt: skip
"""Where nobody's look or measurement ends what a lithium-ion cell suffered (`models.packs.ledger`)."""

_LOOK = say(
    "Charge nothing more and do not drive on it. Let it stand in a ventilated place, look for swelling, leaks and "
    "heat, and read all blocks at rest the next day, at least 20 hours later; replace the block if anything shows. "
    "This stands until that reading says what was seen (inspected), or a module of the block was swapped."
)
_LOOK_OR_CORRECT = say(
    "Charge nothing more and do not drive on it. Let it stand in a ventilated place, look for swelling, leaks and "
    "heat, and read all blocks at rest the next day, at least 20 hours later; replace the block if anything shows. "
    "This stands until that reading says what was seen (inspected), or a module of the block was swapped. If the meter "
    "slipped, correct that entry and say why: the reason is kept."
)
_PRACTICE: Final = "common practice, no source"
_CURVE: Final = "derived from the family's own curve (source there)"
_LIMIT: Final = (
    "NREL ADVISOR data file ESS_NIMH6 for nickel-metal hydride (1.0 and 1.5 V a cell), else the family's own"
)

STOPS: Final[tuple[StopRule, ...]] = (
    StopRule(
        "hot-pack",
        "everything",
        hot,
        say(
            "Keep away, nobody opens or charges it, open doors and move what burns; let it cool by itself and call the "
            "fire service if it warms on, smokes or smells."
        ),
        "from memory, unverified: the usual discharging range of such cells ends at 60 °C",
    ),
    StopRule(
        "isolation",
        "everything",
        isolation,
        say(
            "Nobody touches the pack, its leads or bare metal beside it, charges it or drives on. Keep people away. "
            "Somebody licensed to switches it off by the maker's instructions, in rated gloves, and measures the "
            "insulation before anything else. This stands until a later reading says that the insulation was measured "
            "and holds (inspected); no other look lifts it, nor that the code was cleared. If another code was "
            "meant, correct that entry and say why: the reason is kept."
        ),
        "SAE J2012-DA, P0AA6 (a public table of codes); what to do is common practice, no source",
    ),
    StopRule(
        "damaged",
        "everything",
        damaged,
        say(
            "Charge nothing and do not drive on it. Keep people and whatever burns away if it is warm, smells or "
            "hisses, and have it replaced by somebody licensed to: order another pack today, from whoever delivers "
            "soonest. A later look that finds nothing does not lift this: it stands until a module was swapped and a "
            "reading after that says that nothing shows (inspected)."
        ),
        _PRACTICE,
        needs_pack=True,
    ),
    StopRule(
        "not-its-volts",
        "everything",
        its_volts,
        say(
            "Do not go by any figure: check on the pack what cells it has, name the right family, and enter volts a "
            "block, not "
            "a cell, a module or the whole string. If it is flat throughout, it is no case for a bench charge."
        ),
        _CURVE,
    ),
    StopRule(
        "chemistry",
        "everything",
        chemistry,
        say(
            "Read on the pack's label what cells it has before anything else. Then read all blocks at rest and under a "
            "steady load, note the current, and name the right family. Where the label names the cells of the family, "
            "note that with a reading."
        ),
        "derived from volts and resistances a cell: NREL ADVISOR data file ESS_NIMH6; lithium-ion from memory, "
        "unverified",
    ),
    StopRule("reversed", "everything", driven_backwards, _NOT_CHARGED_ON, _PRACTICE),
    StopRule(
        "no-volts",
        "everything",
        no_volts,
        say(
            "Charge nothing and do not drive on it. Check the sense lead and its plug, with the pack made safe by "
            "somebody licensed to; then read all blocks again. A block that reads nothing on its own terminals is "
            "dead. If it was the lead, remove that reading and say why: the reason is kept. Else this stands until a "
            "module of the block was swapped, or a reading of the next day or later says that its cells were measured "
            "and none is bad (inspected)."
        ),
        _PRACTICE,
    ),
    StopRule("below-floor", "everything", below_floor, _NOT_CHARGED_ON, _LIMIT),
    StopRule("cell-down", "everything", cell_down, _NOT_CHARGED_ON, _CURVE),
    StopRule(
        "collapsed",
        "everything",
        collapsed,
        _NOT_CHARGED_ON,
        "common practice, no source; the limit, two reversed cells, is derived, their volts from memory, unverified",
    ),
    StopRule("over-voltage", "everything", over_voltage, _LOOK_OR_CORRECT, _LIMIT),
    StopRule(
        "overfilled",
        "everything",
        overfilled,
        _LOOK,
        "derived: a block holds its rated charge, and loses by leaking and driving what sources say at most",
    ),
    StopRule("charged-cold", "everything", charged_cold, _LOOK, "from memory, unverified"),
    StopRule("charged-hot", "everything", charged_hot, _LOOK, "from memory, unverified"),
    StopRule(
        "was-hot",
        "everything",
        was_hot,
        _LOOK,
        "from memory, unverified: the usual discharging range of such cells ends at 60 °C",
    ),
    StopRule(
        "wrong-block",
        "everything",
        wrong_block,
        say(
            "Charge nothing more and do not drive on it. Check the order of the sense leads, read all blocks at rest, "
            "and correct the record, or bring the overfull block down before anything is charged. A look for swelling "
            "tells nothing of crossed leads: this stands until the record is corrected, a reading at least 20 hours "
            "later says that the cells of both blocks were measured and none is bad (inspected), a module of the block "
            "was swapped, or the fault has come back."
        ),
        _PRACTICE,
    ),
    StopRule(
        "lithium",
        "charging",
        lithium,
        say(
            "Leave balancing to the pack's own management system and the maker's workshop. A cell that was driven "
            "below its floor is never charged again."
        ),
        _PRACTICE,
    ),
    StopRule(
        "label-unread",
        "charging",
        label_unread,
        say(
            "Read on the pack's label what cells it has before anything is charged: by hand, lithium-ion cells catch "
            "fire. If it names the cells of the family, note that once with a reading (inspected). If not, name the "
            "right family."
        ),
        "derived from volts and resistances a cell: NREL ADVISOR data file ESS_NIMH6; lithium-ion from memory, "
        "unverified",
    ),
    StopRule(
        "too-cold", "charging", too_cold, say("Warm the pack through first, and read it again."),
        "from memory, unverified",
    ),
    StopRule(
        "too-hot", "charging", too_hot, say("Let the pack cool first, and read it again."), "from memory, unverified",
    ),
)  # fmt: skip
"""The table, the most pressing first."""


def stops_of(
    history: PackHistory,
    family: PackFamily,
    *,
    at: datetime | None = None,
    ambient_c: float | None = None,
    charging: bool = False,
    among: Collection[str] | None = None,
) -> tuple[Stop, ...]:
    """List what ends the job.

    Parameters
    ----------
    history : PackHistory
        Fits the family.
    at : datetime, optional
        Facts after it are not used; all are if left out.
    ambient_c : float, optional
        Temperature where the pack stands, °C; else that of the newest reading at rest.
    charging : bool
        Also list what ends charging alone.
    among : collection of str, optional
        Codes to ask about, where the others are known to find nothing (`models.packs.screens`); all if left out.

    Returns
    -------
    tuple of Stop
        Empty if nothing does; the most pressing first.
    """
    known = known_at(history, family, at, ambient_c)
    found, lithium = [], family.chemistry == "lithium-ion"
    for rule in STOPS:
        if (rule.ends == "everything" or charging) and (among is None or rule.code in among):
            text = rule.find(known)
            if text is not None:
                said = _with_early_look(text, rule, known)
                standing = rule.standing(family)
                instead = _LITHIUM_INSTEAD.get(rule.code, rule.instead) if lithium else rule.instead
                found.append(Stop(rule.code, rule.ends, said, instead, rule.source, standing, rule.needs_pack))
    return tuple(found)


def _with_early_look(text: Said, rule: StopRule, known: Known) -> Said:
    """Say of a look that came too early for what was found that it does not count, why, and from when one would."""
    by_cells = rule.standing(known.family).by_cells
    looks = known.measurings if by_cells else known.looks

    def lifts(time: datetime) -> bool:
        by_then = replace(known, measured_after=time) if by_cells else replace(known, looked_after=time)
        return rule.find(by_then) is None

    if not looks or not lifts(looks[-1]):
        return text
    done = next(time for time in known.moments if lifts(time))
    return say(
        "%(what)s The look noted on %(look)s came too early and does not count: what was done may show only after "
        "%(least)s. It takes another look, not before %(from)s.",
        what=text,
        look=moment(looks[-1]),
        least=hours(LOOK_AFTER / timedelta(hours=1)),
        **{"from": moment(done + LOOK_AFTER)},
    )


def require_no_stop(
    history: PackHistory,
    family: PackFamily,
    *,
    at: datetime | None = None,
    ambient_c: float | None = None,
    charging: bool = False,
    among: Collection[str] | None = None,
) -> None:
    """Raise `Stopped` with everything that ends the job; parameters as for `stops_of`."""
    if found := stops_of(history, family, at=at, ambient_c=ambient_c, charging=charging, among=among):
        raise Stopped(found, family)

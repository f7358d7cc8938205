"""What looks like a slip of the pen in a reading, top-up, plan or outcome: asked about at every door, never refused.

A doubt is a `Problem` at its field: what was written, and what is more usual. Whoever wrote it says that it is right,
with one tap or over REST with `Sure`; the same doubts then do not ask again, others do. An import lists them.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any, Final

from models.base.errors import Problem
from models.packs.family import PackFamily
from service.core.translation import _
from service.records.ahead import CLOCKS_DIFFER
from service.records.subject import Situation
from service.store.schema import Pack

REST_CURRENT_A: Final = 1.0
"""At rest only the controller draws, well under this. Common practice, no source."""

COLDEST_C: Final = -30.0
HOTTEST_C: Final = 60.0
"""Temperatures outside of which packs are not used. Common practice, no source."""

TROUBLE_CODE: Final = re.compile(r"[PCBU][0-3][0-9A-F]{3}")
"""A code of SAE J2012: a letter for the system, a digit from 0 to 3, three hexadecimal digits."""


def slips(situation: Situation, now: datetime, word: str) -> list[Problem]:
    """List what looks like a slip in what a change writes anew."""
    before, after = situation.before, situation.after
    if after is None:
        return []
    pack = situation.session.get(Pack, after["pack_id"])
    family = None if pack is None else situation.families.get(pack.family)
    found = doubts_of(word, after, family, now)
    if before is None:
        return found
    return [doubt for doubt in found if _plain(before[name := doubt.where.partition("[")[0]]) != _plain(after[name])]


def _plain(value: Any) -> Any:
    """Return a value so that what is stored and what is sent compare."""
    return list(value) if isinstance(value, tuple) else value


def doubts_of(word: str, values: Mapping[str, Any], family: PackFamily | None, now: datetime) -> list[Problem]:
    """List what looks like a slip in a fact that the schemas take.

    Parameters
    ----------
    word : {"reading", "topup", "usage", "outcome"}
    values : mapping
        The fact's fields, checked.
    """
    found = []
    if word == "usage" and values["time"] > now + CLOCKS_DIFFER:
        found.append(Problem("time", _("This is in the future."), _("It is usually when it was measured or done.")))
    if word == "reading":
        found += _of_reading(values, family)
    if word == "topup" and family is not None:
        found += _of_topup(values, family)
    code = values.get("code")
    if word == "outcome" and values.get("kind") == "running" and code is not None:
        what = _("It is said to hold, and %(code)s was stored.") % {"code": code}
        mend = _("If the fault is back, say so (returned); if it is pending, note it with a reading (code_state).")
        found.append(Problem("code", what, mend))
    if code is not None and not TROUBLE_CODE.fullmatch(code.upper()):
        what = _("%(code)s is not a trouble code.") % {"code": code}
        found.append(
            Problem("code", what, _("A code has a letter, a digit from 0 to 3 and three more signs, as P0A80."))
        )
    return found


def _of_reading(values: Mapping[str, Any], family: PackFamily | None) -> list[Problem]:
    found = []
    current, heat = values.get("current_a"), values.get("temperature_c")
    if values["state"] == "rest" and current is not None and abs(current) > REST_CURRENT_A:
        what = _("%(amps)s A is too much for a pack at rest.") % {"amps": f"{current:g}"}
        found.append(Problem("current_a", what, _("At rest it is about 0; else the state is under load, or charging.")))
    if heat is not None and not COLDEST_C <= heat <= HOTTEST_C:
        what = _("%(heat)s °C is unusual for a pack.") % {"heat": f"{heat:g}"}
        found.append(Problem("temperature_c", what, _("Is it in °C, and of the pack?")))
    if family is None:
        return found
    low, high = (family.cells_per_block * edge for edge in (family.min_cell_v, family.max_cell_v))
    known = sorted(volts for volts in values["block_v"] if volts is not None)
    middle = known[len(known) // 2] if known else 0.0
    for place, volts in enumerate(values["block_v"]):
        if volts is not None and not low <= volts <= high:
            what = _("%(volts)s V, %(off)s V from the median.") % {
                "volts": f"{volts:g}",
                "off": f"{volts - middle:+.2f}".replace("-", "−"),
            }
            mend = _("Such blocks read %(low)s to %(high)s V in use.") % {"low": f"{low:.1f}", "high": f"{high:.1f}"}
            found.append(Problem(f"block_v[{place}]", what, mend))
    return found


def _of_topup(values: Mapping[str, Any], family: PackFamily) -> list[Problem]:
    found = []
    charge = values.get("charge_ah")
    if charge is not None and charge > family.rated_ah:
        what = _("%(charge)s Ah is more than a block of this pack holds.") % {"charge": f"{charge:g}"}
        mend = _("It is rated %(rated)s Ah. Is it in Ah, not mAh, and of one block?") % {
            "rated": f"{family.rated_ah:g}"
        }
        found.append(Problem("charge_ah", what, mend))
    for name in ("rest_before_v", "rest_after_v"):
        volts = values.get(name)
        low, high = (family.cells_per_block * edge for edge in (family.min_cell_v, family.max_cell_v))
        if volts is not None and not low <= volts <= high:
            what = _("%(volts)s V is unusual for such a block.") % {"volts": f"{volts:g}"}
            mend = _("Such blocks read %(low)s to %(high)s V in use.") % {"low": f"{low:.1f}", "high": f"{high:.1f}"}
            found.append(Problem(name, what, mend))
    return found

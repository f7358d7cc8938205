"""Blocks into which more was put than they hold, reckoned from empty and with all that they can have lost between."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from models.base.counts import hours
from models.base.messages import Said, say
from models.packs.family import PackFamily
from models.packs.history import TopUp
from models.packs.stops.known import BEFORE_DRIVING, Known, day

FIRST_DAY_SHARE: Final = 0.2
"""Most of its rated charge that a block loses in the first day after a charge, at 20 °C. An instrument maker's pack
manual, read second-hand."""

LATER_SHARE_PER_DAY: Final = 0.05
"""And a day after that. Derived: 100 Ω across a cell of 6.5 Ah takes 4.8 % a day, and the fastest of standard
nickel-metal hydride cells (70.6 % a month, encyclopedia article "Nickel-metal hydride battery", 2020 copy) 4.1 %."""

WARM_TIMES: Final = 3.0
MILD_C: Final = 20.0
WARM_K: Final = 20.0
"""A warm block loses so many times as much at 40 °C as at 20 °C: the same manual."""


@dataclass(frozen=True)
class _Fill:
    """Charges of one block that together are more than it holds, the last of them the newest such."""

    block: int
    charge_ah: float
    count: int
    first: datetime
    last: datetime


def overfilled(known: Known) -> Said | None:
    """Find the newest charge, not looked at since, that a block had no room for."""
    blocks = sorted({block for topup in known.topups for block in topup.blocks})
    found = [fill for block in blocks if (fill := _newest_fill(known, block)) is not None]
    if not found:
        return None
    worst = max(found, key=lambda fill: (fill.last, -fill.block))
    words = {
        "charge": f"{worst.charge_ah:g}",
        "block": worst.block,
        "rated": f"{known.family.rated_ah:g}",
        "day": day(worst.last),
    }
    if worst.count == 1:
        return say(
            "On %(day)s %(charge)s Ah were put into block %(block)s, which holds %(rated)s Ah when new: it was "
            "overcharged, or the charge was written down wrong.",
            **words,
        )
    return say(
        "%(charge)s Ah were put into block %(block)s by %(count)s charges within %(time)s, until %(day)s. It holds "
        "%(rated)s Ah when new and cannot have lost so much between them: it was overcharged, or a charge was written "
        "down twice.",
        count=worst.count,
        time=hours(max(round((worst.last - worst.first) / timedelta(hours=1)), 1)),
        **words,
    )


def _newest_fill(known: Known, block: int) -> _Fill | None:
    """Follow the least that a block (from 1) can hold from charge to charge."""
    rated = known.family.rated_ah
    found, held, put_in, count = None, 0.0, 0.0, 0
    before: TopUp | None = None
    first = known.topups[0].time
    for topup in known.topups:
        if block not in topup.blocks or topup.charge_ah is None or known.swapped_since(topup.time, block - 1):
            continue
        if before is not None:
            lost = rated * most_lost_share(known, before.time, topup.time)
            held = min(held - lost, _least_read_ah(known, block, before.time, topup))
        if held <= 0:
            held, put_in, count, first = 0.0, 0.0, 0, topup.time
        held, put_in, count = held + topup.charge_ah, put_in + topup.charge_ah, count + 1
        if held > rated:
            if known.stands("overfilled", topup.time, block - 1):
                found = _Fill(block, put_in, count, first, topup.time)
            held = rated  # the rest went up in gas
        before = topup
    return found


def most_lost_share(known: Known, start: datetime, end: datetime) -> float:
    """Return the most that a weak block loses between two moments, as a share of its rated charge.

    It leaks, faster when warm and in the first day, and if it was driven the string may stand at the low end of the
    controller's window instead of the high one: whatever was driven, no more is taken out for good.
    """
    days = (end - start) / timedelta(days=1)
    read = [r.temperature_c for r in known.readings if r.temperature_c is not None and start <= r.time <= end]
    planned = [plan.ambient_c for plan in known.plans if plan.ambient_c is not None]
    warmer = max([0.0, *(c - MILD_C for c in (*read, *planned))])
    leaked = FIRST_DAY_SHARE * min(days, 1.0) + LATER_SHARE_PER_DAY * max(days - 1.0, 0.0)
    leaked *= float(WARM_TIMES ** (warmer / WARM_K))
    driven = (
        end - start > BEFORE_DRIVING
        # "Still running" is also what has to be noted before the next charge, driven or not.
        or any(start < outcome.time <= end and outcome.kind == "returned" for outcome in known.outcomes)
        or any(r.state == "discharge" and start < r.time < end for r in known.readings)
    )
    window = known.family.soc_high - known.family.soc_low if driven else 0.0
    return min(leaked + window, 1.0)


def _least_read_ah(known: Known, block: int, after: datetime, topup: TopUp) -> float:
    """Return the least that a block held by what it rested at between two charges, Ah; without end if not read."""
    start = topup.time - timedelta(hours=topup.duration_h or 0.0)
    volts = [r.block_v[block - 1] for r in known.rests if after < r.time <= start]
    read = [_least_soc(known.family, v) for v in volts if v is not None]
    return known.family.rated_ah * min(read, default=float("inf"))


def _least_soc(family: PackFamily, block_v: float) -> float:
    """Charge of a block that rests at these volts, on the upper branch of its hysteresis."""
    cell_v = block_v / family.cells_per_block - family.hysteresis_charge_v
    return float(np.interp(cell_v, family.curves.ocv_v, family.curves.soc))

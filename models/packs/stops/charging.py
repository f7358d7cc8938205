"""Charges that should not have been made, and packs that nothing may be put into."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

import numpy as np

from models.base.messages import Said, say
from models.packs.stops.known import VISIT, Known, blocks_said, day, others_v, volts_of

COLDEST_C: Final = 0.0
HOTTEST_C: Final = 45.0
"""Nothing is charged outside these. From memory, unverified: the usual charging range of nickel-metal hydride cells."""

BAD_SHARE: Final = 0.25 / 0.7
"""Deviation at rest usually called bad, of the one that the monitor counts: 0.2 to 0.3 V on 12 cells (common practice,
no source) of 0.7 V (invented, as in the families)."""

AROUND_CHARGE: Final = timedelta(hours=1)
"""A temperature read so shortly before or after a charge was its temperature: common practice, no source."""


def over_voltage(known: Known) -> Said | None:
    """Find a block that was charged, or read, above the limit in use since somebody looked."""
    family = known.family
    most = family.cells_per_block * family.max_cell_v
    words = {"most": f"{most:g}", "each": f"{family.max_cell_v:g}"}
    for topup in known.charges():
        if topup.end_v is not None and topup.end_v > most:
            return say(
                "On %(day)s block %(block)s was charged up to %(volts)s V, past %(most)s V (%(each)s V a cell): it was "
                "overcharged.",
                day=day(topup.time),
                block=topup.blocks[0],
                volts=f"{topup.end_v:g}",
                **words,
            )
    over = np.zeros(family.blocks, dtype=np.bool_)
    rests = {id(reading) for reading in known.rests}
    for reading in known.readings:
        # A car that brakes hard may pass the limit for seconds; a bench supply never does.
        gentle = reading.state == "charge" and -(reading.current_a or 0.0) <= family.rated_ah
        if (gentle or id(reading) in rests) and (now := np.nan_to_num(volts_of(reading), nan=0.0) > most).any():
            over |= now & known.unseen(reading.time)
    if not over.any() or not known.its_volts:
        return None
    return say("%(blocks)s read above %(most)s V (%(each)s V a cell).", blocks=blocks_said(over), **words)


def _charge_temperatures(known: Known) -> list[tuple[float, datetime]]:
    """Return what was read around each charge that is still to be looked at, with the end of that charge."""
    warmth = [(r.time, r.temperature_c) for r in known.readings if r.temperature_c is not None]
    return [
        (read, topup.time)
        for topup in known.charges()
        for time, read in warmth
        if topup.time - timedelta(hours=topup.duration_h or 0.0) - AROUND_CHARGE <= time <= topup.time + AROUND_CHARGE
    ]


def charged_cold(known: Known) -> Said | None:
    """Find a charge in the frost that nobody has looked at since."""
    coldest, time = min(_charge_temperatures(known), default=(COLDEST_C, None))
    if time is None or coldest >= COLDEST_C:
        return None
    return say(
        "On %(day)s the pack was charged at %(read)s °C, below %(coldest)s °C: cells that cold gas instead of filling.",
        day=day(time),
        read=f"{coldest:g}",
        coldest=f"{COLDEST_C:g}",
    )


def charged_hot(known: Known) -> Said | None:
    """Find a charge in the heat that nobody has looked at since."""
    hottest, time = max(_charge_temperatures(known), default=(HOTTEST_C, None))
    if time is None or hottest <= HOTTEST_C:
        return None
    return say(
        "On %(day)s the pack was charged at %(read)s °C, past %(hottest)s °C.",
        day=day(time),
        read=f"{hottest:g}",
        hottest=f"{HOTTEST_C:g}",
    )


def wrong_block(known: Known) -> Said | None:
    """Find that the newest charge went into another block than the low one, or than was noted."""
    topup = known.topup
    if topup is None or not known.its_volts or topup not in known.charges():
        return None
    bad = BAD_SHARE * known.family.rest_spread_limit_v
    start = topup.time - timedelta(hours=topup.duration_h or 0.0)
    rests = known.rests
    earlier = [r for r in rests if start - VISIT <= r.time <= start]
    if not earlier:
        return None
    before = volts_of(earlier[-1])
    off = before - others_v(before)
    charged = np.zeros(known.family.blocks, dtype=np.bool_)
    charged[[b - 1 for b in topup.blocks]] = True
    later = next((r for r in rests if topup.time <= r.time <= topup.time + VISIT), None)
    if later is not None:
        after = volts_of(later)
        rise = np.nan_to_num(after - others_v(after) - off, nan=0.0)
        other = int(np.argmax(np.where(charged, -np.inf, rise)))
        if rise[other] >= bad and (rise[charged] < rise[other] / 2).all():
            return say(
                "Block %(block)s is noted as charged, but block %(other)s rose by %(rise)s V against the others: "
                "another block was charged than was noted.",
                block=topup.blocks[0],
                other=other + 1,
                rise=f"{rise[other]:.2f}",
            )
    low = np.nan_to_num(off, nan=0.0)
    worst = int(np.argmin(low))
    loads = [r for r in known.readings if r.state == "discharge" and start - VISIT <= r.time <= start]
    if loads and charged[int(np.nanargmin(volts_of(loads[-1]) - others_v(volts_of(loads[-1]))))]:
        return None
    if charged[worst] or low[worst] > -bad or (low[charged] <= low[worst] / 2).any():
        return None
    if later is not None and (volts_of(later) - others_v(volts_of(later)))[worst] > -bad / 2:
        return None
    return say(
        "Block %(block)s was charged, but block %(other)s was the low one before it, at %(low)s V against the others: "
        "the wrong block was charged and may now be overfull.",
        block=topup.blocks[0],
        other=worst + 1,
        low=f"{low[worst]:+.2f}",
    )


def lithium(known: Known) -> Said | None:
    """Find cells into which nothing is put by hand."""
    if known.family.chemistry != "lithium-ion":
        return None
    return say(
        "The cells are lithium-ion: nothing is put into a block by hand. Such a cell, charged outside its own "
        "management system, can burn and cannot be put out."
    )


def too_cold(known: Known) -> Said | None:
    """Find that the pack stands in the frost."""
    if known.ambient_c is None or known.ambient_c >= COLDEST_C:
        return None
    return say(
        "The pack stands at %(ambient)s °C: never charge below %(coldest)s °C.",
        ambient=f"{known.ambient_c:g}",
        coldest=f"{COLDEST_C:g}",
    )


def too_hot(known: Known) -> Said | None:
    """Find that the pack stands in the heat, or was last read hot."""
    read = [r.temperature_c for r in known.readings if r.temperature_c is not None]
    warmest = max([c for c in (known.ambient_c, *read[-1:]) if c is not None], default=None)
    if warmest is None or warmest < HOTTEST_C:
        return None
    return say(
        "The pack stands at %(ambient)s °C: never charge past %(hottest)s °C.",
        ambient=f"{warmest:g}",
        hottest=f"{HOTTEST_C:g}",
    )

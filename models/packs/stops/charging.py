"""Charges that should not have been made, and packs that nothing may be put into."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.base.counts import hours
from models.base.messages import Said, say
from models.packs.contradictions import least_ohm
from models.packs.family import PackFamily
from models.packs.history import TopUp
from models.packs.stops.known import VISIT, Known, blocks_said, day, ocv_at, others_v, volts_of

COLDEST_C: Final = 0.0
HOTTEST_C: Final = 45.0
"""Nothing is charged outside these. From memory, unverified: the usual charging range of nickel-metal hydride cells."""

BAD_SHARE: Final = 0.25 / 0.7
"""Deviation at rest usually called bad, of the one that the monitor counts: 0.2 to 0.3 V on 12 cells (common practice,
no source) of 0.7 V (invented, as in the families)."""

AROUND_CHARGE: Final = timedelta(hours=1)
"""A temperature read so shortly before or after a charge was its temperature: common practice, no source."""

SOAKED: Final = timedelta(days=1)
"""A pack read in the frost so long before a charge, and nowhere nearer to it, is taken to have been as cold then. By
itself it warms within hours, with a time constant of 1.5 to 1.8 h in still air (800 to 974 J/kg/K over 0.15 W/K/kg,
NREL ADVISOR data files ESS_NIMH6 and ESS_NiMH7_rc_temp), but only where it stands in the warm, which nobody noted. That
it stands about for a day before it is charged is invented."""

GENTLE_CHARGE_PER_H: Final = 0.1
"""Rate of a topping charge, in rated capacities an hour (common practice, no source): of one whose duration was not
noted."""


def most_charged_v(family: PackFamily, into_a: Floats) -> Floats:
    """Volts of a block under charge past which it is overcharged; one for each current that flows in, A.

    The limit in use. A car that brakes hard passes it for seconds: above the rated current nickel-metal hydride may
    stand as much higher as that current takes to flow through new cells at their usual charge and 25 °C, from the
    family's curve. Lithium-ion may not.
    """
    cell_ohm = 1e-3 * float(np.interp(family.soc_target, family.curves.soc, family.curves.charge_mohm))
    braking = (into_a > family.rated_ah) & (family.chemistry == "nimh")
    return family.cells_per_block * (family.max_cell_v + np.where(braking, into_a * cell_ohm, 0.0))


def most_drawn_v(family: PackFamily, out_a: Floats) -> Floats:
    """Volts of a block under load past which it is overfull, or misread; one for each current that flows out, A.

    While current flows out no block stands above its own open-circuit voltage. That of a full one, on its charge branch
    and no higher than the limit in use, less what the current takes from new, warm cells at least. Derived from the
    family's curve.
    """
    full = min(ocv_at(family, 1.0) + family.hysteresis_charge_v, family.max_cell_v)
    return family.cells_per_block * full - out_a * least_ohm(family, family.curves.discharge_mohm)


def over_voltage(known: Known) -> Said | None:
    """Find a block that was charged, or read, above the limit in use since somebody looked.

    Of one under load, above what a full block can stand at then.
    """
    family = known.family
    most = family.cells_per_block * family.max_cell_v
    words = {"most": f"{most:g}", "each": f"{family.max_cell_v:g}"}
    for topup in known.charges("over-voltage"):
        if topup.end_v is not None and topup.end_v > most:
            return say(
                "On %(day)s block %(block)s was charged up to %(volts)s V, past %(most)s V (%(each)s V a cell): it was "
                "overcharged.",
                day=day(topup.time),
                block=topup.blocks[0],
                volts=f"{topup.end_v:g}",
                **words,
            )
    if not known.its_volts:
        return None
    charging = known.noted_as("charge")
    at_most_v = most_charged_v(family, np.where(charging, -known.current_a, 0.0))
    read_v = np.where((known.at_rest | charging)[:, None], known.volts_v, np.nan)
    over = known.still("over-voltage", read_v > at_most_v[:, None])
    if not over.any():
        return _over_under_load(known)
    return say("%(blocks)s read above %(most)s V (%(each)s V a cell).", blocks=blocks_said(over), **words)


def _over_under_load(known: Known) -> Said | None:
    at_most_v = most_drawn_v(known.family, known.current_a)
    over = (known.volts_v > at_most_v[:, None]) & known.noted_as("discharge")[:, None]
    found = known.newest_still("over-voltage", over)
    if found is None:
        return None
    row, now = found
    volts = known.volts_v[row]
    worst = int(np.argmax(np.where(now, volts, -np.inf)))
    return say(
        "Under load on %(day)s block %(block)s stood at %(volts)s V, where a full block stands at %(most)s V "
        "at most: it is overcharged, or the reading is off.",
        day=day(known.readings[row].time),
        block=worst + 1,
        volts=f"{volts[worst]:g}",
        most=f"{at_most_v[row]:.2f}",
    )


def begun(topup: TopUp, family: PackFamily) -> datetime:
    """Return when a charge began; at the rate of a gentle one where its duration was not noted."""
    gentle_h = (topup.charge_ah or 0.0) / (GENTLE_CHARGE_PER_H * family.rated_ah)
    return topup.time - timedelta(hours=gentle_h if topup.duration_h is None else topup.duration_h)


@dataclass(frozen=True)
class _Warmth:
    """A temperature of the pack, °C, that speaks of a charge: when it was read, and when the charge began and ended."""

    read_c: float
    read_at: datetime
    begun: datetime
    ended: datetime

    @property
    def before(self) -> bool:
        """Whether it was read too long before to be that of the charge itself."""
        return self.read_at < self.begun - AROUND_CHARGE


def _charge_temperatures(known: Known, code: str) -> list[_Warmth]:
    """Return what was read around each charge that is still to be looked at, or else what was last read before it."""
    warmth = [(r.time, r.temperature_c) for r in known.readings if r.temperature_c is not None]
    found = []
    for topup in known.charges(code):
        start, end = begun(topup, known.family), topup.time
        then = [
            _Warmth(read, time, start, end) for time, read in warmth if start - SOAKED <= time <= end + AROUND_CHARGE
        ]
        found += [one for one in then if not one.before] or then[-1:]
    return found


def charged_cold(known: Known) -> Said | None:
    """Find a charge in the frost, or of a pack last read in the frost before it, that nobody has looked at since."""
    found = [one for one in _charge_temperatures(known, "charged-cold") if one.read_c < COLDEST_C]
    if not found:
        return None
    coldest = min(found, key=lambda one: (one.before, one.read_c))
    words = {"day": day(coldest.ended), "read": f"{coldest.read_c:g}", "coldest": f"{COLDEST_C:g}"}
    if coldest.before:
        return say(
            "On %(day)s the pack was charged; %(hours)s before, it was read at %(read)s °C, and no warmer since. Cells "
            "below %(coldest)s °C gas instead of filling.",
            hours=hours(round((coldest.begun - coldest.read_at) / timedelta(hours=1))),
            **words,
        )
    return say(
        "On %(day)s the pack was charged at %(read)s °C, below %(coldest)s °C: cells that cold gas instead of filling.",
        **words,
    )


def charged_hot(known: Known) -> Said | None:
    """Find a charge in the heat that nobody has looked at since."""
    # A pack that was hot hours before cools by itself, wherever it stands.
    found = [one for one in _charge_temperatures(known, "charged-hot") if one.read_c > HOTTEST_C and not one.before]
    if not found:
        return None
    hottest = max(found, key=lambda one: one.read_c)
    return say(
        "On %(day)s the pack was charged at %(read)s °C, past %(hottest)s °C.",
        day=day(hottest.ended),
        read=f"{hottest.read_c:g}",
        hottest=f"{HOTTEST_C:g}",
    )


def wrong_block(known: Known) -> Said | None:
    """Find the newest charge since the fault last returned that went into another block than the low one or the noted.

    What was charged since and not looked at stands, whatever was charged later.
    """
    if known.topup is None or not known.its_volts:
        return None
    returned = max((o.time for o in known.outcomes if o.kind == "returned"), default=None)
    for topup in known.charges("wrong-block"):
        if (returned is None or topup.time > returned) and (text := _wrong_block(known, topup)) is not None:
            return text
    return None


def _wrong_block(known: Known, topup: TopUp) -> Said | None:
    bad = BAD_SHARE * known.family.rest_spread_limit_v
    start = topup.time - timedelta(hours=topup.duration_h or 0.0)
    rests = known.rests
    earlier = [r for r in rests if start - VISIT <= r.time <= start]
    if not earlier:
        return None
    before = volts_of(earlier[-1])
    off = before - others_v(before)
    later = next((r for r in rests if topup.time <= r.time <= topup.time + VISIT), None)
    until = topup.time if later is None else later.time
    charged = np.zeros(known.family.blocks, dtype=np.bool_)
    for one in known.topups:  # several blocks of one visit may be noted as a charge each
        if one is topup or earlier[-1].time < one.time <= until:
            charged[[b - 1 for b in one.blocks]] = True
    if later is not None:
        after = volts_of(later)
        rise = np.nan_to_num(after - others_v(after) - off, nan=0.0)
        other = int(np.argmax(np.where(charged, -np.inf, rise)))
        if rise[other] >= bad and (rise[charged] < rise[other] / 2).all():
            return say(
                "On %(day)s block %(block)s is noted as charged, but block %(other)s rose by %(rise)s V against the "
                "others: another block was charged than was noted.",
                day=day(topup.time),
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
        "On %(day)s block %(block)s was charged, but block %(other)s was the low one before it, at %(low)s V against "
        "the others: the wrong block was charged and may now be overfull.",
        day=day(topup.time),
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
    """Find that the pack stands in the frost, or was last read in it."""
    coldest = min([c for c in (known.ambient_c, *known.last_c) if c is not None], default=None)
    if coldest is None or coldest >= COLDEST_C:
        return None
    return say(
        "The pack stands at %(ambient)s °C: never charge below %(coldest)s °C.",
        ambient=f"{coldest:g}",
        coldest=f"{COLDEST_C:g}",
    )


def too_hot(known: Known) -> Said | None:
    """Find that the pack stands in the heat, or was last read hot."""
    warmest = max([c for c in (known.ambient_c, *known.last_c) if c is not None], default=None)
    if warmest is None or warmest < HOTTEST_C:
        return None
    return say(
        "The pack stands at %(ambient)s °C: never charge past %(hottest)s °C.",
        ambient=f"{warmest:g}",
        hottest=f"{HOTTEST_C:g}",
    )

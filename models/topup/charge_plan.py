"""How to put a missing charge in: ampere-hours, current, time, the voltage to stop at, and when to stop in any case.

The limits are those of careful topping charges: about a tenth of the rated capacity an hour, timed and watched, never
below 0 °C, stopped at a fast rise of temperature, 10 °C over ambient, 45 °C or 1.5 V a cell. The voltage limit is the
family's (1.5 V: NREL ADVISOR data file ESS_NIMH6); the others are from memory, unverified.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.base.messages import say
from models.packs.family import PackFamily
from models.packs.stops.charging import COLDEST_C, HOTTEST_C
from models.physics.block_voltage import resistance_temperature_factor
from models.physics.cell_curves import ocv_v, resistance_mohm
from models.topup.charge_rise import hysteresis_share, stored_share
from models.topup.missing_charge import MissingCharge, Range, weighted_range
from models.topup.possible_packs import PossiblePacks, open_v

CURRENT_SHARE_PER_H: Final = 0.1
"""Charging current, of rated capacity in an hour. Common practice, no source."""

OVER_AMBIENT_C: Final = 10.0
"""Limits of a topping charge. From memory, unverified."""

TOP_SOC: Final = 0.9
OVERFILL_RISK: Final = 0.05
"""No more is put in than leaves a chance of 1 in 20 that the block stands above this state of charge. Invented."""

WAIT_H: Final = 1.0
"""Hours after the charge before the rest voltage is read: by then the current's own overvoltage has gone. Common
practice, no source."""

POLARISATION_V: Final = 0.012
"""Overvoltage of a cell under a charge of a tenth of its capacity an hour, besides its resistance, V. Invented."""

WARM_C: Final = 3.0
"""How much warmer than ambient a block is while it is charged so gently. Invented."""

LEAST_SHARE: Final = 0.03
"""Less missing charge than this share of the rated capacity is not worth putting in. Invented."""


@dataclass(frozen=True)
class StopRule:
    """One condition on which the charge must stop; whichever comes first.

    Attributes
    ----------
    code : str
        Short and stable, for machines.
    text : str
        A sentence.
    """

    code: str
    limit: float
    unit: str
    text: str


@dataclass(frozen=True)
class ChargePlan:
    """How to put it in.

    Attributes
    ----------
    put_in_ah : Range
        From the supply: the missing charge and what the charge itself loses, Ah. From 0 up to `most_ah`.
    most_ah : float
        Stop by then whatever is read: more could overfill a block of small capacity.
    current_a : float
        About a tenth of the rated capacity in an hour.
    duration_h : Range
        At that current.
    most_h : float
        Time after which `most_ah` has gone in.
    rest_stop_v : Range
        Rest voltage of the block at which it is level, `wait_h` after the charge, while its peers read `peers_rest_v`:
        their voltage and the offset that the charge leaves, which is no charge.
    peers_rest_v : float
        Median of the other blocks in the newest rest reading; at the controller's target where there is none.
    looks_level_at_ah : float
        Charge put in after which the block reads level with its peers, although it is not: hysteresis.
    wait_h : float
        Hours to wait before reading.
    end_v : Range
        Block voltage to expect at the end with the current still flowing.
    """

    put_in_ah: Range
    most_ah: float
    current_a: float
    duration_h: Range
    most_h: float
    rest_stop_v: Range
    peers_rest_v: float
    looks_level_at_ah: float
    wait_h: float
    end_v: Range
    stop: tuple[StopRule, ...]


def charge_plan(
    family: PackFamily,
    packs: PossiblePacks,
    missing: MissingCharge,
    peers_rest_v: float | None,
    ambient_c: float | None,
) -> ChargePlan | None:
    """Plan the charge.

    Parameters
    ----------
    missing : MissingCharge
        Read off them.
    peers_rest_v : float or None
        Median of the other blocks at rest, V.
    ambient_c : float or None
        Temperature where the pack stands.

    Returns
    -------
    ChargePlan or None
        None where too little is missing to put anything in, or where no more could safely go in.
    """
    kept, current = stored_share(family), CURRENT_SHARE_PER_H * family.rated_ah
    room = (TOP_SOC - packs.block_soc) * packs.block_ah
    safe = float(_quantile(room, packs.weight, OVERFILL_RISK)) / kept
    wanted = missing.missing_ah
    best = min(wanted.best / kept, safe)
    if best < LEAST_SHARE * family.rated_ah:
        return None
    # No end of the range lies past what may go in.
    most = max(best, min(wanted.high / kept, safe))
    put_in = Range(best, min(max(wanted.low / kept, 0.0), best), most)
    cells, curves = family.cells_per_block, family.curves
    peers_v = cells * float(ocv_v(curves, np.array([family.soc_target]))[0]) if peers_rest_v is None else peers_rest_v

    def offset(stored: Floats) -> Floats:
        return np.asarray(family.hysteresis_charge_v * packs.hysteresis * hysteresis_share(stored, packs.block_ah))

    lacking = np.maximum(packs.missing_ah, 0.0)
    peer_v = open_v(family, packs.stretch, packs.peer_soc)
    level = packs.live_cells * (peer_v + offset(lacking)) - cells * peer_v
    stored = np.full(len(packs.weight), best * kept)
    after = packs.block_soc + stored / packs.block_ah
    warm_c = packs.ambient_c + WARM_C
    cell_ohm = 1e-3 * resistance_mohm(curves, after, charging=True) * resistance_temperature_factor(family, warm_c)
    ohm = cells * cell_ohm * packs.block_scale + 1e-3 * packs.joint_mohm
    end = packs.live_cells * (open_v(family, packs.stretch, after) + offset(stored) + POLARISATION_V) + current * ohm
    return ChargePlan(
        put_in_ah=put_in,
        most_ah=most,
        current_a=current,
        duration_h=put_in.times(1 / current),
        most_h=most / current,
        rest_stop_v=_plus(weighted_range(level, packs.weight), peers_v),
        peers_rest_v=peers_v,
        looks_level_at_ah=_looks_level_at(family, packs, most * kept) / kept,
        wait_h=WAIT_H,
        end_v=weighted_range(end, packs.weight),
        stop=stop_rules(family, most / current, most, ambient_c),
    )


def stop_rules(family: PackFamily, most_h: float, most_ah: float, ambient_c: float | None) -> tuple[StopRule, ...]:
    """List the conditions on which a topping charge stops."""
    most_v = family.cells_per_block * family.max_cell_v
    hottest = HOTTEST_C if ambient_c is None else min(HOTTEST_C, ambient_c + OVER_AMBIENT_C)
    over = f"{OVER_AMBIENT_C:g}"
    where = (
        say("%(over)s °C over the room", over=over)
        if ambient_c is None
        else say("%(over)s °C over %(ambient)s °C", over=over, ambient=f"{ambient_c:g}")
    )
    hot = say("Stop at %(where)s, and at %(hottest)s °C in any case.", where=where, hottest=f"{HOTTEST_C:g}")
    voltage = say(
        "Stop at %(block)s V across the block (%(cell)s V a cell), the current still flowing.",
        block=f"{most_v:g}",
        cell=f"{family.max_cell_v:g}",
    )
    timer = say(
        "Stop after %(hours)s h (%(charge)s Ah) whatever is read: set a timer.",
        hours=f"{most_h:.1f}",
        charge=f"{most_ah:.1f}",
    )
    return (
        StopRule("time", most_h, "h", timer),
        StopRule("hot", hottest, "°C", hot),
        StopRule("voltage", most_v, "V", voltage),
        StopRule("cold", COLDEST_C, "°C", say("Never charge below %(coldest)s °C.", coldest=f"{COLDEST_C:g}")),
    )


def _looks_level_at(family: PackFamily, packs: PossiblePacks, most_ah: float) -> float:
    """Find the stored charge at which the middle one of the possible packs reads level at rest, Ah."""
    tries = np.linspace(0.0, max(most_ah, 1e-3), 25)
    peers_v = family.cells_per_block * open_v(family, packs.stretch, packs.peer_soc)
    for stored in tries:
        own = family.hysteresis_charge_v * packs.hysteresis * hysteresis_share(stored, packs.block_ah)
        block_v = open_v(family, packs.stretch, packs.block_soc + stored / packs.block_ah)
        read = packs.live_cells * (block_v + own) - peers_v
        if weighted_range(read, packs.weight).best >= 0:
            return float(stored)
    return float(tries[-1])


def _quantile(values: Floats, weight: Floats, share: float) -> float:
    order = np.argsort(values, kind="stable")
    return float(np.interp(share, np.cumsum(weight[order]) - weight[order] / 2, values[order]))


def _plus(around: Range, shift: float) -> Range:
    return Range(around.best + shift, around.low + shift, around.high + shift)

"""What speaks against topping a block up, or must be looked at first: a joint, a short, lost capacity, the cold."""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from math import isnan
from typing import Final, Literal

import numpy as np

from models.base.messages import Said, say, say_count
from models.base.percents import percent
from models.packs.contradictions import Unused
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.stops import Stop
from models.packs.stops.cells import half_a_cell_v
from models.packs.stops.charging import COLDEST_C, HOTTEST_C
from models.packs.stops.known import ocv_at
from models.topup.charge_plan import LEAST_SHARE, OVER_AMBIENT_C, TOP_SOC, ChargePlan
from models.topup.evidence import BenchEvidence, LowBlock, days_between
from models.topup.missing_charge import MissingCharge
from models.topup.possible_packs import CAUSE_SHARES

Worth = Literal["worth trying", "doubtful", "pointless"]
"""What the evidence says of a top-up; the later in this list, the graver. What is not safe is no concern but a stop."""

_GRAVITY: Final = {"worth trying": 0, "doubtful": 1, "pointless": 2}

LIKELY: Final = 0.5
POSSIBLE: Final = 0.2
"""Probabilities from which a cause is called likely, and is mentioned at all. Our choice."""

CONTRADICTORY: Final = 1e-3
"""Share of the possible packs below which the readings hardly fit any one pack. Our choice."""

USUAL_HOLD_DAYS: Final = 7.0
"""How long a topped-up block is usually said to last with confidence: one week. Common practice, no source."""

HOLDS_TOLD: Final = 3
"""Earlier top-ups of which is told how long they held, the last ones. Our choice."""

LOWER_ELSEWHERE_V_PER_CELL: Final = 0.004
"""Another block this much lower at rest is the weaker one. Twice a fair meter's error on 12 cells. Invented."""

HOT_ROOM_C: Final = HOTTEST_C - OVER_AMBIENT_C


@dataclass(frozen=True)
class Concern:
    """Something that speaks against the charge, or must be looked at first.

    Attributes
    ----------
    code : str
        Short and stable, for machines.
    worth : str
        What it makes of the charge.
    text : str
        A sentence.
    """

    code: str
    worth: Worth
    text: str


def gravest(concerns: tuple[Concern, ...]) -> Worth:
    """Return what the gravest concern makes of a charge."""
    return max((c.worth for c in concerns), key=lambda worth: _GRAVITY[worth], default="worth trying")


def concerns_of(
    history: PackHistory,
    family: PackFamily,
    evidence: BenchEvidence,
    missing: MissingCharge,
    charge: ChargePlan | None,
    aside: float,
    unused: tuple[Unused, ...] = (),
) -> tuple[Concern, ...]:
    """List what speaks against a charge, the gravest first.

    Parameters
    ----------
    aside : float
        Probability that the rest reading says nothing of the block.
    unused : tuple of Unused
        Readings that contradict themselves or others.
    """
    found = [
        *(Concern("reading-not-used", "doubtful", one.text) for one in unused),
        *_surroundings(evidence),
        *_causes(family, evidence, missing),
        *_block(family, evidence, missing, charge),
        *_earlier(history, evidence),
        *_readings(evidence, missing, aside),
    ]
    return tuple(sorted(found, key=lambda concern: -_GRAVITY[concern.worth]))


def stops_of_block(
    family: PackFamily, evidence: BenchEvidence, missing: MissingCharge, charge: ChargePlan | None
) -> tuple[Stop, ...]:
    """List what ends charging by what physics makes of the readings, beyond `models.packs.stops.STOPS`."""
    found = []
    if missing.causes["shorted cell"] >= LIKELY:
        found.append(
            Stop(
                "shorted-cell",
                "charging",
                say(
                    "Block %(block)s reads as if one of its cells were shorted: a charge overfills the sound cells "
                    "beside it, and it comes back at once.",
                    block=evidence.block,
                ),
                say("Charge nothing: have the block measured cell by cell, and replaced."),
                "derived: probability by the readings, weighed against simulated physics",
            )
        )
    if charge is None and missing.missing_ah.best >= LEAST_SHARE * family.rated_ah:
        found.append(
            Stop(
                "may-overfill",
                "charging",
                say(
                    "Block %(block)s may be too full already, or too small, for any charge: what is known of it does "
                    "not rule that out.",
                    block=evidence.block,
                ),
                say("Charge nothing: read all blocks again, at rest and under load."),
                "derived: probability by the readings, weighed against simulated physics",
            )
        )
    rest = evidence.rest
    if rest is not None and rest.median_v > full_v(family):
        found.append(
            Stop(
                "pack-full",
                "charging",
                say(
                    "The peers of block %(block)s rest at %(volts)s V, above the %(full)s V of a block at %(soc)s "
                    "of charge: the pack is full, and a block that is brought up to them is overfilled.",
                    block=evidence.block,
                    volts=f"{rest.median_v:.2f}",
                    full=f"{full_v(family):.2f}",
                    soc=percent(TOP_SOC),
                ),
                say(
                    "Charge nothing: a full pack is not topped up like this. Have it brought down into its usual "
                    "window, as the maker's service instructions allow, and read all blocks at rest again."
                ),
                "derived from the family's own curve (source there); the state of charge is invented",
            )
        )
    ambient = evidence.ambient_c
    if ambient is not None and not COLDEST_C <= ambient < HOTTEST_C:
        found.append(
            Stop(
                "too-cold" if ambient < COLDEST_C else "too-hot",
                "charging",
                say(
                    "The pack is taken to stand at %(ambient)s °C: nothing is charged below %(coldest)s °C or past "
                    "%(hottest)s °C.",
                    ambient=f"{ambient:g}",
                    coldest=f"{COLDEST_C:g}",
                    hottest=f"{HOTTEST_C:g}",
                ),
                say("Read the temperature of the pack; warm it through or let it cool first."),
                "from memory, unverified",
            )
        )
    return tuple(found)


def full_v(family: PackFamily) -> float:
    """Highest rest voltage of a block that is no fuller than any block may be filled, V: on its charge branch."""
    return family.cells_per_block * (ocv_at(family, TOP_SOC) + family.hysteresis_charge_v)


def _surroundings(evidence: BenchEvidence) -> list[Concern]:
    ambient = evidence.ambient_c
    if ambient is None or ambient < HOT_ROOM_C:
        return []
    text = say(
        "The pack stands at %(ambient)s °C: little is left to the limit of %(hottest)s °C. Let it cool first.",
        ambient=f"{ambient:g}",
        hottest=f"{HOTTEST_C:g}",
    )
    return [Concern("too-hot", "doubtful", text)]


def _causes(family: PackFamily, evidence: BenchEvidence, missing: MissingCharge) -> list[Concern]:
    found, chance = [], missing.causes
    if chance["shorted cell"] >= POSSIBLE:
        found.append(
            Concern(
                "shorted-cell",
                "doubtful",
                say(
                    "One of the block's cells may be shorted. Topping it up would overcharge the sound cells beside "
                    "it, and it would come back at once: measure cell by cell first."
                ),
            )
        )
    rest, nimh = evidence.rest, family.chemistry == "nimh"
    if (
        rest is not None
        and nimh
        and chance["shorted cell"] < POSSIBLE
        and -rest.deviation_v >= half_a_cell_v(family.cells_per_block, np.array(rest.median_v))
    ):
        found.append(
            Concern(
                "cell-in-doubt",
                "doubtful",
                say(
                    "Block %(block)s rests %(volts)s V below its peers: that is nearer to the %(cell)s V of one whole "
                    "cell than to nothing. Either the block as a whole is nearly empty, or one of its cells is empty "
                    "or reversed, which no charge of the block mends. Measure each cell before charging.",
                    block=evidence.block,
                    volts=f"{-rest.deviation_v:.2f}",
                    cell=f"{rest.median_v / family.cells_per_block:.2f}",
                ),
            )
        )
    if chance["joint"] >= POSSIBLE and evidence.discharge is not None:
        found.append(
            Concern(
                "joint",
                "pointless" if chance["joint"] >= LIKELY else "doubtful",
                "The block is near level at rest but low under load: look at bus bars, terminals and sense leads. "
                "A top-up does not cure a joint.",
            )
        )
    # Mentioned where the readings speak for it: from the share that it has before anything is read.
    if chance["lost capacity"] >= CAUSE_SHARES["lost capacity"]:
        lost = (
            say(
                "The block has probably lost capacity: about %(lost)s Ah that no charge restores. A top-up buys days, "
                "it mends nothing; more than what is missing overfills the block.",
                lost=f"{missing.lost_ah.best:.1f}",
            )
            if chance["lost capacity"] >= LIKELY
            else say(
                "The block may have lost capacity: up to %(lost)s Ah that no charge restores. A top-up buys days, it "
                "mends nothing; more than what is missing overfills the block.",
                lost=f"{missing.lost_ah.high:.1f}",
            )
        )
        found.append(Concern("lost-capacity", "doubtful", lost))
    return found


def _block(
    family: PackFamily, evidence: BenchEvidence, missing: MissingCharge, charge: ChargePlan | None
) -> list[Concern]:
    found = []
    if charge is None:
        found.append(
            Concern(
                "nothing-missing",
                "pointless",
                say(
                    "Hardly any charge is missing (about %(missing)s Ah): there is nothing to top up.",
                    missing=f"{max(missing.missing_ah.best, 0.0):.1f}",
                ),
            )
        )
    if evidence.lead_v is not None and evidence.lead_v < -LOWER_ELSEWHERE_V_PER_CELL * family.cells_per_block:
        found.append(
            Concern(
                "other-block-lower",
                "doubtful",
                say(
                    "Another block lies %(volts)s V lower at rest than block %(block)s: it needs the charge first.",
                    volts=f"{-evidence.lead_v:.2f}",
                    block=evidence.block,
                ),
            )
        )
    if evidence.also_low:
        found.append(
            Concern(
                "others-low",
                "doubtful",
                say_count(
                    "Another block is low as well: %(blocks)s. Charging block %(block)s does nothing for it: weigh it "
                    "by itself.",
                    "Other blocks are low as well: %(blocks)s. Charging block %(block)s does nothing for them: weigh "
                    "each by itself.",
                    len(evidence.also_low),
                    blocks=reduce(_both, map(_low_said, evidence.also_low)),
                    block=evidence.block,
                ),
            )
        )
    return found


def _both(one: Said, other: Said) -> Said:
    return say("%(one)s, %(other)s", one=one, other=other)


def _low_said(low: LowBlock) -> Said:
    """Say how a block reads against its peers."""
    at_rest = say("%(volts)s V at rest", volts=f"{-low.rest_v:+.2f}")
    under_load = say("%(volts)s V under load", volts=f"{-low.load_v:+.2f}")
    if isnan(low.load_v):
        return say("block %(block)s (%(one)s)", block=low.block, one=at_rest)
    if isnan(low.rest_v):
        return say("block %(block)s (%(one)s)", block=low.block, one=under_load)
    return say("block %(block)s (%(one)s, %(other)s)", block=low.block, one=at_rest, other=under_load)


def holds_of(history: PackHistory, evidence: BenchEvidence) -> list[float]:
    """Return how long the last earlier top-ups of the block held until the fault was back, days, the oldest first."""
    ends = sorted(o.time for o in history.outcomes if o.kind == "returned" and o.time <= evidence.at)
    starts = [topup.time for topup in history.topups]
    held = []
    for earlier in evidence.earlier:
        start = earlier.topup.time
        until = min((time for time in starts if time > start), default=evidence.at)
        held += [days_between(start, end) for end in ends if start <= end <= until][:1]
    return held[-HOLDS_TOLD:]


def holds_said(held: list[float]) -> Said:
    """Say how long top-ups held, one after the other."""
    each = ", ".join(f"{round(days)}" for days in held)
    return say_count(
        "the last top-up of this block held about %(days)s", "the last top-ups of this block held about %(days)s",
        len(held),
        days=say_count("%(days)s day", "%(days)s days", 1 if each == "1" else 2, days=each),
    )  # fmt: skip


def _earlier(history: PackHistory, evidence: BenchEvidence) -> list[Concern]:
    held = holds_of(history, evidence)
    if not held or held[-1] >= USUAL_HOLD_DAYS:
        return []
    text = say(
        "It has come back soon: %(held)s, where a week is usual. Another is likely to hold no longer.",
        held=holds_said(held),
    )
    return [Concern("short-hold", "doubtful", text)]


def _readings(evidence: BenchEvidence, missing: MissingCharge, aside: float) -> list[Concern]:
    found = []
    if evidence.rest is not None and aside >= LIKELY:
        found.append(
            Concern(
                "reading-set-aside",
                "doubtful",
                say(
                    "The rest reading (block %(block)s at %(volts)s V against the others) does not fit what else is "
                    "known, so the plan hardly goes by it: read all blocks at rest again first.",
                    block=evidence.block,
                    volts=f"{evidence.rest.deviation_v:+.2f}",
                ),
            )
        )
    if evidence.rest is None:
        found.append(
            Concern(
                "no-rest-reading",
                "doubtful",
                say(
                    "There is no usable rest reading of the last four days since the last top-up: how much is missing "
                    "is hardly known. Read all blocks at rest first."
                ),
            )
        )
    if evidence.discharge is None:
        found.append(
            Concern(
                "no-load-reading",
                "doubtful",
                say(
                    "There is no usable reading under load of the last four days since the last top-up: a bad joint "
                    "cannot be told from a weak block. Read all blocks under a steady discharge first, and note the "
                    "current."
                ),
            )
        )
    if missing.agreement < CONTRADICTORY:
        found.append(
            Concern(
                "contradiction",
                "doubtful",
                say(
                    "The readings hardly fit together in any one pack: check sense leads and the order of the blocks, "
                    "and read again."
                ),
            )
        )
    return found

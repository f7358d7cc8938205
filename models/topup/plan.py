"""The top-up plan before a charge: how much, at what current, where to stop, what it buys, and whether it is worth it.

Nothing here says "go". A licensed technician decides and watches; the maker's service instructions come first.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from models.base import counts
from models.base.errors import BadInput
from models.base.messages import Said, say
from models.forecaster import Forecaster
from models.forecasts.charge_warnings import charge_warnings, forbidding, stops_of_warnings
from models.packs.cautions import cautions_for
from models.packs.contradictions import without_contradictions
from models.packs.family import PackFamily
from models.packs.history import PackHistory, UsagePlan, require_fit
from models.packs.stops import Stopped, require_no_stop, stops_of
from models.topup.block_readings import rest_set_aside
from models.topup.charge_plan import ChargePlan, charge_plan
from models.topup.concerns import (
    POSSIBLE,
    Concern,
    Worth,
    concerns_of,
    gravest,
    holds_of,
    holds_said,
    stops_of_block,
)
from models.topup.evidence import (
    BenchEvidence,
    BlockSnapshot,
    require_read_since_return,
    unread_since_charge,
    weak_block_of,
)
from models.topup.gain_per_charge import ChargeStep, charges_to_try, what_it_buys
from models.topup.missing_charge import MissingCharge
from models.topup.possible_packs import PossiblePacks
from models.topup.reckoning import missing_when_last_read, reckon, worth_putting_in

UNSURE: Final = 0.4
"""Width of the range, relative to its figure, from which a pause to read is advised. Our choice."""

FADE_SURE: Final = 0.95
"""Probability of lost capacity from which a draw-down is no longer advised: it would tell little. Our choice."""

DRAWN_SHARE: Final = 0.1
DRAWN_C: Final = 1.0
DRAWN_WAIT_H: Final = 1.0
"""A draw-down as it is advised: charge, of rated capacity; load, in amperes per rated ampere-hour; hours to wait before
the rest reading. Our choice."""

EMPTY_RISK: Final = 0.05
"""Probability of running the weak block empty above which it is not advised: cells that are driven below empty reverse,
and are damaged (common practice, no source). Our choice."""


@dataclass(frozen=True)
class TopUpPlan:
    """A top-up thought through before it is made. Read the cautions first.

    Attributes
    ----------
    cautions : tuple of str
        Whoever shows the plan shows them first.
    at : datetime
        Only facts known by then are used.
    block : int
        From 1.
    worth : str
        What the gravest of the concerns makes of it, "worth trying" without any.
    concerns : tuple of Concern
        The gravest first.
    charge : ChargePlan or None
        None where too little is missing to put anything in, or where no more could safely go in.
    steps : tuple of ChargeStep
        Half ampere-hour by half ampere-hour, from a good half of what is missing; empty without a forecaster, without
        a charge, or out of its reach.
    basis : tuple of str
        What the figures rest on, in sentences.
    sentences : tuple of str
        The plan in plain words.
    """

    cautions: tuple[str, ...]
    pack_id: str
    at: datetime
    block: int
    worth: Worth
    concerns: tuple[Concern, ...]
    missing: MissingCharge
    charge: ChargePlan | None
    steps: tuple[ChargeStep, ...]
    basis: tuple[str, ...]
    sentences: tuple[str, ...]


def plan_topup(
    history: PackHistory,
    family: PackFamily,
    *,
    at: datetime | None = None,
    block: int | None = None,
    ambient_c: float | None = None,
    usage: UsagePlan | None = None,
    forecaster: Forecaster | None = None,
) -> TopUpPlan:
    """Think a top-up through before it is made.

    Parameters
    ----------
    at : datetime, optional
        Moment of the plan, with offset; the newest reading if left out. Facts after it are not used.
    block : int, optional
        From 1; if left out the one that reads weakest, or the one that was charged last where that lacks more.
    ambient_c : float, optional
        Temperature where the pack stands, °C.
    usage : UsagePlan, optional
        How the vehicle will be used; takes the place of the history's own plans.
    forecaster : Forecaster, optional
        To say what each half ampere-hour buys.

    Raises
    ------
    BadInput
        If the history does not fit the family, has no reading to go by, or none since the fault came back, if the weak
        block may be one that was not read, or the block does not exist.
    Stopped
        If a fact, or a grave warning of the newest charge, ends the job, or charging, until something else is done; or
        nobody has read the blocks at rest since the newest charge.
    """
    require_fit(history, family)
    moment = moment_of(history, at)
    require_no_stop(history, family, at=at, ambient_c=ambient_c, charging=True)
    if warned := forbidding(charge_warnings(history, family, at)):
        raise Stopped(stops_of_warnings(warned), family)
    _require_no_danger_since(history, family, moment)
    require_read_since_return(history, at)
    if unread := unread_since_charge(history, at):
        raise Stopped((unread,), family)
    history, unused = without_contradictions(history, family, moment)
    chosen, why = _weakest(family, history, moment) if block is None else (_existing(block, family), None)
    reckoned = reckon(history, family, chosen, moment, ambient_c)
    evidence, packs, missing = reckoned.evidence, reckoned.packs, reckoned.missing
    peers_v = None if evidence.rest is None else evidence.rest.median_v
    charge = charge_plan(family, packs, missing, peers_v, evidence.ambient_c)
    if found := stops_of_block(family, evidence, missing, charge):
        raise Stopped(found, family)
    aside = rest_set_aside(family, packs, evidence)
    concerns = concerns_of(history, family, evidence, missing, charge, aside, unused)
    steps: tuple[ChargeStep, ...] = ()
    if forecaster is not None and charge is not None:
        tries = charges_to_try(charge.put_in_ah.best, charge.most_ah)
        steps = what_it_buys(forecaster, history, family, chosen, moment, tries, charge.current_a, usage)
    worth = gravest(concerns)
    return TopUpPlan(
        cautions=tuple(caution.text for caution in cautions_for(family.chemistry)),
        pack_id=history.pack_id,
        at=moment,
        block=chosen,
        worth=worth,
        concerns=concerns,
        missing=missing,
        charge=charge,
        steps=steps,
        basis=_basis(evidence, holds_of(history, evidence), told=forecaster is None or charge is None or bool(steps)),
        sentences=(
            *(() if why is None else (why,)),
            *_sentences(
                family,
                evidence,
                worth,
                missing,
                charge,
                steps,
                advised=draw_down_would_tell(family, evidence, packs, missing),
            ),
        ),
    )


def _require_no_danger_since(history: PackHistory, family: PackFamily, moment: datetime) -> None:
    """Refuse to plan for a moment of the past where what is on record after it ends the job, or charging, by now.

    Raises
    ------
    Stopped
    """
    if history.last_fact_time <= moment:
        return
    found = stops_of(history, family) or stops_of_warnings(forbidding(charge_warnings(history, family)))
    if found:
        raise Stopped(tuple(replace(stop, text=_since(moment, stop.text)) for stop in found), family)


def _since(moment: datetime, what: str) -> Said:
    return say(
        "There are entries after %(day)s, the moment that was asked about: %(what)s",
        day=moment.isoformat(sep=" ", timespec="minutes"),
        what=what,
    )


def moment_of(history: PackHistory, at: datetime | None) -> datetime:
    """Return the moment of a plan: the one given, else the newest reading.

    Raises
    ------
    BadInput
        If there is no reading by then, or the moment has no offset.
    """
    if at is not None and at.tzinfo is None:
        raise BadInput.one("at", f"{at.isoformat()} has no offset.", "Write the time as in 2026-03-02T08:30:00+00:00.")
    times = [reading.time for reading in history.readings if at is None or reading.time <= at]
    if not times:
        raise BadInput.one(
            "readings",
            "No reading is known by the moment of the plan: without a reading nothing is known of the block.",
            "Read all blocks at rest, and under load, and add the readings.",
        )
    return times[-1] if at is None else at


def _weakest(family: PackFamily, history: PackHistory, at: datetime) -> tuple[int, Said | None]:
    """Return the block to plan for, and why, where the one that reads weakest is not the one charged last.

    Whoever is told that a charged block still lacks some is not given a plan for another without a word.
    """
    weakest = weak_block_of(family, history, at)
    topup = next((topup for topup in reversed(history.topups) if topup.time <= at), None)
    over = topup is None or any(
        topup.time <= outcome.time <= at and outcome.kind != "running" for outcome in history.outcomes
    )
    if topup is None or over or weakest in topup.blocks:
        return weakest, None
    lacks = {block: missing_when_last_read(history, family, block, at) for block in (*topup.blocks, weakest)}
    short = {
        block: missing.missing_ah.best
        for block, missing in lacks.items()
        if missing is not None and worth_putting_in(family, missing)
    }
    charged = max((block for block in topup.blocks if block in short), key=lambda block: short[block], default=None)
    if charged is None:
        return weakest, None
    words = {"weakest": weakest, "charged": charged, "short": f"{short[charged]:.1f}"}
    if short[charged] > short.get(weakest, 0.0):
        said = say(
            "Block %(weakest)s reads weakest, but block %(charged)s, which was charged last, lacks more: about "
            "%(short)s Ah. This plan is for block %(charged)s.",
            **words,
        )
        return charged, said
    said = say(
        "Block %(charged)s, which was charged last, still lacks about %(short)s Ah, but block %(weakest)s lacks more: "
        "this plan is for block %(weakest)s.",
        **words,
    )
    return weakest, said


def _existing(block: int, family: PackFamily) -> int:
    if not 1 <= block <= family.blocks:
        raise BadInput.one(
            "block",
            f"is {block}, but family {family.name} has {family.blocks} blocks.",
            f"Count blocks from 1 to {family.blocks}.",
        )
    return block


def _basis(evidence: BenchEvidence, held: list[float], *, told: bool) -> tuple[str, ...]:
    said = []
    if evidence.rest is not None:
        said.append(_rest_reading(evidence.rest, evidence.block))
    if evidence.discharge is not None:
        said.append(
            say(
                "Reading under discharge at %(current)s: %(volts)s V against the others.",
                current=_current(evidence.discharge),
                volts=f"{evidence.discharge.deviation_v:+.2f}",
            )
        )
    if evidence.charge is not None:
        said.append(
            say(
                "Reading under charge at %(current)s: %(volts)s V against the others.",
                current=_current(evidence.charge),
                volts=f"{evidence.charge.deviation_v:+.2f}",
            )
        )
    if evidence.drawn is not None:
        said.append(
            say(
                "With about %(drawn)s Ah drawn from the whole string, block %(block)s rested at %(volts)s V against "
                "the others, before that at %(before)s V.",
                drawn=f"{evidence.drawn.drawn_ah:.1f}",
                block=evidence.block,
                volts=f"{evidence.drawn.lower.deviation_v:+.2f}",
                before=f"{evidence.drawn.higher.deviation_v:+.2f}",
            )
        )
    if evidence.tripped:
        said.append(
            say(
                "Nothing was charged since its fault, or ever: the block is taken to have sunk just far enough for the "
                "fault code, unless the readings say that it sank further."
            )
        )
    else:
        said.append(say("No fault code since the last top-up: how far the block has sunk rests on the readings alone."))
    if evidence.earlier:
        said.append(say("Earlier top-ups of this block on record: %(count)s.", count=len(evidence.earlier)))
    if held:
        said.append(say("Until the fault was back, %(held)s.", held=holds_said(held)))
    if evidence.age_years is None:
        said.append(say("The pack's age is not known, so its capacity is less sure."))
    if evidence.ambient_c is None:
        said.append(say("The temperature is not known."))
    if not told:
        said.append(say("This pack lies too far from anything the model has seen to say what a charge buys."))
    return tuple(said)


def _rest_reading(rest: BlockSnapshot, block: int) -> Said:
    values = {"when": _when(rest.time), "block": block, "volts": f"{abs(rest.deviation_v):.2f}"}
    if rest.deviation_v < 0:
        return say(
            "Rest reading of %(when)s: block %(block)s lies %(volts)s V below the middle of the others.", **values
        )
    return say("Rest reading of %(when)s: block %(block)s lies %(volts)s V above the middle of the others.", **values)


def _current(shot: BlockSnapshot) -> Said:
    if shot.current_a is None:
        return say("a current that was not noted")
    return say("%(amps)s A", amps=f"{abs(shot.current_a):.0f}")


def _when(time: datetime) -> str:
    return time.isoformat(sep=" ", timespec="minutes")


def _sentences(
    family: PackFamily,
    evidence: BenchEvidence,
    worth: Worth,
    missing: MissingCharge,
    charge: ChargePlan | None,
    steps: tuple[ChargeStep, ...],
    *,
    advised: bool,
) -> tuple[str, ...]:
    lacking = missing.missing_ah
    said = [_opening(worth, missing.block)]
    if charge is None:
        return tuple(said)
    said.append(
        say(
            "Block %(block)s is short of its peers by about %(best)s Ah; nine times in ten between %(low)s and "
            "%(high)s Ah.",
            block=missing.block,
            best=f"{lacking.best:.1f}",
            low=f"{max(lacking.low, 0.0):.1f}",
            high=f"{lacking.high:.1f}",
        )
    )
    put_in = charge.put_in_ah
    said.append(
        say(
            "Put in about %(put_in)s Ah at %(current)s A, that is %(hours)s h; stop after %(most)s h whatever is read.",
            put_in=f"{put_in.best:.1f}",
            current=f"{charge.current_a:.2f}",
            hours=f"{charge.duration_h.best:.1f}",
            most=f"{charge.most_h:.1f}",
        )
    )
    said.append(
        say(
            "It is level when, %(wait)s h after the charge and as warm as its neighbours, it rests at about %(stop)s V "
            "while they rest at %(peers)s V.",
            wait=f"{charge.wait_h:g}",
            stop=f"{charge.rest_stop_v.best:.2f}",
            peers=f"{charge.peers_rest_v:.2f}",
        )
    )
    if round(charge.looks_level_at_ah, 1) < round(put_in.best, 1):
        early = f"{charge.looks_level_at_ah:.1f}"
        said.append(say("It will read level after about %(early)s Ah: that is too early.", early=early))
    if evidence.drawn is not None and evidence.drawn.higher == evidence.rest:
        said.append(
            say(
                "All this is for the pack as it stood before it was drawn down: bring it back there before "
                "you charge the block."
            )
        )
    if advised:
        said.append(_draw_down(family, missing.block))
    if _wide(missing):
        said.append(
            say(
                "To be surer, pause after about %(half)s Ah, wait %(wait)s h, read all blocks at rest and enter both: "
                "how the block rose then tells what is still missing, and whether it has lost capacity.",
                half=f"{put_in.best / 2:.1f}",
                wait=f"{charge.wait_h:g}",
            )
        )
    if steps:
        last = steps[-1]
        near = min(steps, key=lambda step: abs(step.put_in_ah - put_in.best))
        said.append(
            say(
                "After about %(near)s Ah %(held)s; after %(most)s Ah, the most that should go in, %(most_held)s.",
                near=f"{near.put_in_ah:.1f}",
                held=held_words(near.good_for_days),
                most=f"{last.put_in_ah:.1f}",
                most_held=held_words(last.good_for_days),
            )
        )
    return tuple(said)


def held_words(good_for_days: float) -> Said:
    """Say how long nine in ten packs hold; below a day that none is promised."""
    if good_for_days < 1:
        return say("not even one day can be promised")
    return say("nine in ten such packs hold %(days)s", days=counts.days(int(good_for_days)))


def _wide(missing: MissingCharge) -> bool:
    lacking = missing.missing_ah
    return lacking.high - lacking.low > UNSURE * lacking.best


def draw_down_would_tell(
    family: PackFamily, evidence: BenchEvidence, packs: PossiblePacks, missing: MissingCharge
) -> bool:
    """Judge whether drawing the pack down and reading it again is worth its work, and would not empty the block.

    Of simulated packs for which it is, it brings 75 rather than 56 in 100 within 15 %
    (tests/benchmarks/bench_topup_plan.py).
    """
    open_question = POSSIBLE <= missing.causes["lost capacity"] <= FADE_SURE and _wide(missing)
    empty = packs.weight[packs.block_soc * packs.block_ah < DRAWN_SHARE * family.rated_ah].sum()
    return evidence.rest is not None and evidence.drawn is None and open_question and bool(empty <= EMPTY_RISK)


def _draw_down(family: PackFamily, block: int) -> Said:
    return say(
        "How much capacity block %(block)s has left would settle most of this range, and the pack drawn down tells it. "
        "Only for those licensed to work on a live pack, and only as the maker's service instructions allow: the "
        "vehicle standing, draw about %(drawn)s Ah from the whole string with a steady load of at most %(amps)s A; "
        "stop at once when any block falls to %(least)s V or gets hot. Read all blocks and the current just after the "
        "load goes on and just before it comes off, and all blocks at rest %(wait)s h later; enter all three. Then "
        "bring the pack back up before charging the block.",
        block=block,
        drawn=f"{DRAWN_SHARE * family.rated_ah:.1f}",
        amps=f"{DRAWN_C * family.rated_ah:g}",
        least=f"{family.cells_per_block * family.min_cell_v:g}",
        wait=f"{DRAWN_WAIT_H:g}",
    )


def _opening(worth: Worth, block: int) -> Said:
    return {
        "worth trying": say(
            "Nothing speaks against topping up block %(block)s, as far as the readings go.", block=block
        ),
        "doubtful": say("Topping up block %(block)s is doubtful: see what speaks against it.", block=block),
        "pointless": say("Topping up block %(block)s is most likely pointless.", block=block),
    }[worth]

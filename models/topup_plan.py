"""The top-up plan before a charge: how much, at what current, where to stop, what it buys, and whether it is worth it.

Nothing here says "go". A licensed technician decides and watches; the maker's service instructions come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from models.bench_evidence import BenchEvidence, bench_evidence, weak_block_of
from models.charge_plan import COLDEST_C, HOTTEST_C, OVER_AMBIENT_C, RISE_C_PER_MIN, ChargePlan, charge_plan
from models.families import PackFamily
from models.forecaster import Forecaster
from models.history import PackHistory, UsagePlan, require_fit
from models.missing_charge import MissingCharge, missing_charge
from models.possible_packs import possible_packs
from models.problems import BadInput
from models.topup_concerns import Concern, Worth, concerns_of, gravest
from models.topup_gain import ChargeStep, charges_to_try, what_it_buys

UNSURE: Final = 0.4
"""Width of the range, relative to its figure, from which a pause to read is advised. Our choice."""


@dataclass(frozen=True)
class TopUpPlan:
    """A top-up thought through before it is made. Read the cautions first.

    Attributes
    ----------
    cautions : tuple of str
        With the figures of this block; whoever shows the plan shows them first.
    pack_id : str
    at : datetime
        Only facts known by then are used.
    block : int
        From 1.
    worth : str
        What the gravest of the concerns makes of it, "worth trying" without any.
    concerns : tuple of Concern
        The gravest first.
    missing : MissingCharge
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
    history : PackHistory
    family : PackFamily
    at : datetime, optional
        Moment of the plan, with offset; the newest reading if left out. Facts after it are not used.
    block : int, optional
        From 1; the one that reads weakest if left out.
    ambient_c : float, optional
        Temperature where the pack stands, °C.
    usage : UsagePlan, optional
        How the vehicle will be used; takes the place of the history's own plans.
    forecaster : Forecaster, optional
        To say what each half ampere-hour buys.

    Returns
    -------
    TopUpPlan

    Raises
    ------
    BadInput
        If the history does not fit the family, has no reading to go by, or the block does not exist.
    """
    require_fit(history, family)
    moment = moment_of(history, at)
    chosen = weak_block_of(family, history, moment) if block is None else _existing(block, family)
    evidence = bench_evidence(history, family, chosen, moment, ambient_c)
    packs = possible_packs(family, evidence)
    missing = missing_charge(packs, chosen)
    peers_v = None if evidence.rest is None else evidence.rest.median_v
    charge = charge_plan(family, packs, missing, peers_v, evidence.ambient_c)
    concerns = concerns_of(history, family, evidence, missing, charge)
    steps: tuple[ChargeStep, ...] = ()
    if forecaster is not None and charge is not None:
        tries = charges_to_try(charge.put_in_ah.best, charge.most_ah)
        steps = what_it_buys(forecaster, history, family, chosen, moment, tries, charge.current_a, usage)
    worth = gravest(concerns)
    return TopUpPlan(
        cautions=cautions_of(family, evidence.ambient_c),
        pack_id=history.pack_id,
        at=moment,
        block=chosen,
        worth=worth,
        concerns=concerns,
        missing=missing,
        charge=charge,
        steps=steps,
        basis=_basis(evidence, told=forecaster is None or charge is None or bool(steps)),
        sentences=_sentences(worth, missing, charge, steps),
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
            "hold none by the moment of the plan: without a reading nothing is known of the block.",
            "Read all blocks at rest, and under load, and add the readings.",
        )
    return times[-1] if at is None else at


def _existing(block: int, family: PackFamily) -> int:
    if not 1 <= block <= family.blocks:
        raise BadInput.one(
            "block",
            f"is {block}, but family {family.name} has {family.blocks} blocks.",
            f"Count blocks from 1 to {family.blocks}.",
        )
    return block


def cautions_of(family: PackFamily, ambient_c: float | None) -> tuple[str, ...]:
    """Say the cautions of a topping charge with the figures of this block."""
    most_v = family.cells_per_block * family.max_cell_v
    room = "" if ambient_c is None else f" (the pack stands at {ambient_c:g} °C)"
    return (
        (
            "Only a trained, licensed technician charges a block, under local rules and the maker's service "
            "instructions; nothing here is permission."
        ),
        (
            f"Stay with the charge: timed, watched, ventilated, modules clamped. Stop at once at {most_v:g} V across "
            f"the block, when it warms by about {RISE_C_PER_MIN:g} °C a minute, at {OVER_AMBIENT_C:g} °C over the "
            f"room{room}, or at {HOTTEST_C:g} °C. Overcharged cells vent gas that burns."
        ),
        f"Never charge below {COLDEST_C:g} °C, and never a block that is swollen, leaking or hot.",
        "A block that reads level after a charge need not be: the excess goes with use, not with rest.",
    )


def _basis(evidence: BenchEvidence, *, told: bool) -> tuple[str, ...]:
    said = []
    if evidence.rest is not None:
        said.append(
            f"Rest reading of {_when(evidence.rest.time)}: block {evidence.block} lies "
            f"{abs(evidence.rest.deviation_v):.2f} V {'below' if evidence.rest.deviation_v < 0 else 'above'} the "
            "middle of the others."
        )
    for shot, words in ((evidence.discharge, "discharge"), (evidence.charge, "charge")):
        if shot is not None:
            amps = "a current that was not noted" if shot.current_a is None else f"{abs(shot.current_a):.0f} A"
            said.append(f"Reading under {words} at {amps}: {shot.deviation_v:+.2f} V against the others.")
    if evidence.tripped:
        said.append("The fault code stands: the block is taken to have sunk just far enough for it.")
    else:
        said.append("No fault code since the last top-up: how far the block has sunk rests on the readings alone.")
    if evidence.earlier:
        said.append(f"Earlier top-ups of this block on record: {len(evidence.earlier)}.")
    if evidence.age_years is None:
        said.append("The pack's age is not known, so its capacity is less sure.")
    if evidence.ambient_c is None:
        said.append("The temperature is not known.")
    if not told:
        said.append("This pack lies too far from anything the model has seen to say what a charge buys.")
    return tuple(said)


def _when(time: datetime) -> str:
    return time.isoformat(sep=" ", timespec="minutes")


def _sentences(
    worth: Worth, missing: MissingCharge, charge: ChargePlan | None, steps: tuple[ChargeStep, ...]
) -> tuple[str, ...]:
    lacking = missing.missing_ah
    said = [_opening(worth, missing.block)]
    if charge is None:
        return tuple(said)
    said.append(
        f"Block {missing.block} is short of its peers by about {lacking.best:.1f} Ah; nine times in ten between "
        f"{max(lacking.low, 0.0):.1f} and {lacking.high:.1f} Ah."
    )
    put_in = charge.put_in_ah
    said.append(
        f"Put in about {put_in.best:.1f} Ah at {charge.current_a:.2f} A, that is {charge.duration_h.best:.1f} h; "
        f"stop after {charge.most_h:.1f} h whatever is read."
    )
    said.append(
        f"It is level when, {charge.wait_h:g} h after the charge and as warm as its neighbours, it rests at about "
        f"{charge.rest_stop_v.best:.2f} V while they rest at {charge.peers_rest_v:.2f} V. It will read level after "
        f"about {charge.looks_level_at_ah:.1f} Ah: that is too early."
    )
    if lacking.high - lacking.low > UNSURE * lacking.best:
        said.append(
            f"To be surer, pause after about {put_in.best / 2:.1f} Ah, wait {charge.wait_h:g} h, read all blocks at "
            "rest and enter both: how the block rose then tells what is still missing, and whether "
            "it has lost capacity."
        )
    if steps:
        last = steps[-1]
        near = min(steps, key=lambda step: abs(step.put_in_ah - put_in.best))
        said.append(
            f"After about {near.put_in_ah:.1f} Ah nine in ten such packs hold {int(near.good_for_days)} days; "
            f"after {last.put_in_ah:.1f} Ah, the most that should go in, {int(last.good_for_days)}."
        )
    return tuple(said)


def _opening(worth: Worth, block: int) -> str:
    return {
        "worth trying": f"Nothing speaks against topping up block {block}, as far as the readings go.",
        "doubtful": f"Topping up block {block} is doubtful: see what speaks against it.",
        "pointless": f"Topping up block {block} is most likely pointless.",
        "not safe": f"Do not charge block {block} as things stand.",
    }[worth]

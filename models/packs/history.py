"""A pack's history: what was measured, charged, planned and found, checked on the way in.

Discharge current is positive. Every name carries its unit. Anything may be missing (``None``) except the
times and the block voltages of a reading: missing evidence costs sharpness, not honesty.
"""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from typing import Annotated, Final, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, model_validator

from models.base import counts
from models.base.errors import BadInput, Problem, wrong
from models.base.messages import Said, say
from models.base.moments import Moment
from models.base.numbers import NO_TRUTH_VALUE
from models.packs.family import MOST_BLOCKS, PackFamily
from models.packs.fields import Measured

State = Literal["rest", "discharge", "charge"]
OutcomeKind = Literal["returned", "replaced", "retired", "running"]
Weakness = Literal["leak", "fade", "neglect", "joint"]
ChargedPart = Literal["block", "module"]
EndVoltageAt = Literal["block", "supply"]
AlsoDone = Literal["module-swapped", "bars-cleaned", "pack-reconditioned"]
Inspected = Literal["sound", "cells", "insulation", "label", "damaged"]
CodeState = Literal["none", "pending", "confirmed", "permanent"]

LOOKED: Final = ("sound", "cells", "insulation")
"""What is noted of `BlockReading.inspected` where somebody looked the pack over and nothing showed."""

MAX_BLOCK_V = 250.0
"""No block of a family (at most 60 cells of at most 4.2 V) reads above this; more is surely millivolts. Unit: V."""

MAX_BLOCK_MOHM = 10_000.0
"""A block of 10 Ω gives an ampere or two at most; more is an open joint, or micro-ohms. Invented. Unit: mΩ."""

BlockNumber = Annotated[int, Field(ge=1, le=MOST_BLOCKS), NO_TRUTH_VALUE]


class _Fact(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class BlockReading(_Fact):
    """One snapshot of all block voltages.

    Attributes
    ----------
    time : datetime
        With offset.
    state : {"rest", "discharge", "charge"}
    current_a : float, optional
        Pack current in A, discharge positive. At rest it is about 0.
    temperature_c : float, optional
        Pack temperature in °C.
    inspected : {"sound", "cells", "insulation", "label", "damaged"}, optional
        What somebody saw who looked the pack over for swelling, leaks and heat: nothing, or damage. "cells" where
        nothing showed and each cell of the blocks in doubt was measured and none is bad: a look tells nothing of volts.
        "insulation" where nothing showed and the insulation of the high-voltage system was measured and holds. Not
        noted means that nobody looked. Damage stands until a module was swapped and a look after that finds none.
        "label" where the pack's label was read and its cells are those of the family: no look over the pack.
    soc_pct : float, optional
        State of charge as the car's controller tells it, % (SAE J1979 and scan tools tell it so).
    spread_v : float, optional
        Highest less lowest block as the controller tells it, V.
    code : str, optional
        The generic trouble code of the pack that was stored then, for example P0A80 (SAE J2012-DA). What a freeze frame
        holds is a reading of its own, at its time.
    code_state : {"none", "pending", "confirmed", "permanent"}, optional
        How it was stored; ``none`` where somebody looked and there was no code. Not noted means that nobody looked.
    resistance_mohm : tuple of float or None, shape (blocks,), optional
        One resistance per block as the controller tells it, mΩ, in the order of `block_v`; or, of a log, the fall of
        each block's voltage per ampere (`models.packs.drive_log`). ``None`` for a block that was not told.
    log_rows : float, optional
        How many readings of a log this one stands for.
    log_error_v : float, optional
        The largest standard error of its block voltages, V, where it stands for a log.
    block_v : tuple of float or None, shape (blocks,)
        One voltage per block in V, in the pack's own order; ``None`` for a channel that was not read.
    """

    time: Moment
    state: State
    current_a: (
        Annotated[
            FiniteFloat,
            Field(ge=-1000, le=1000),
            Measured("A", "Current", say("Out of the pack is positive, into it negative.")),
            NO_TRUTH_VALUE,
        ]
        | None
    ) = None
    temperature_c: (
        Annotated[FiniteFloat, Field(ge=-50, le=100), Measured("°C", "Temperature of the pack"), NO_TRUTH_VALUE] | None
    ) = None
    inspected: Inspected | None = None
    soc_pct: (
        Annotated[
            FiniteFloat,
            Field(ge=0, le=100),
            Measured("%", "SOC told by the car", say("State of charge in the scan tool; no figure rests on it.")),
            NO_TRUTH_VALUE,
        ]
        | None
    ) = None
    spread_v: (
        Annotated[
            FiniteFloat,
            Field(ge=0, le=MAX_BLOCK_V),
            Measured(
                "V", "Spread told by the car", say("Highest less lowest block in the scan tool; no figure rests on it.")
            ),
            NO_TRUTH_VALUE,
        ]
        | None
    ) = None
    code: Annotated[str, Field(pattern=r"^[A-Za-z0-9-]{2,16}$", max_length=16)] | None = None
    code_state: CodeState | None = None
    resistance_mohm: (
        Annotated[
            tuple[Annotated[FiniteFloat, Field(ge=0, le=MAX_BLOCK_MOHM), NO_TRUTH_VALUE] | None, ...],
            Field(max_length=MOST_BLOCKS),
            Measured(
                "mΩ",
                "Resistance of each block told by the car",
                say(
                    "In the pack's own order, with spaces between; - for a block that was not told. No figure rests "
                    "on it."
                ),
            ),
        ]
        | None
    ) = None
    log_rows: Annotated[FiniteFloat, Field(ge=1), Measured("1"), NO_TRUTH_VALUE] | None = None
    log_error_v: Annotated[FiniteFloat, Field(ge=0), Measured("V"), NO_TRUTH_VALUE] | None = None
    block_v: Annotated[
        tuple[Annotated[FiniteFloat, Field(ge=-MAX_BLOCK_V), NO_TRUTH_VALUE] | None, ...], Field(max_length=MOST_BLOCKS)
    ]

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if len(self.block_v) < 2:
            raise wrong(
                f"A reading of {counts.blocks(len(self.block_v))} shows no imbalance: it takes at least two.",
                "Give one voltage for each block of the pack.",
            )
        known = [v for v in self.block_v if v is not None]
        if not known and self.inspected == "damaged":
            return self._of_the_car()  # what was seen of a pack counts, whether or not anybody dares to read it
        if len(known) < 2:
            raise wrong(
                "fewer than two blocks were read.",
                "Leave the reading out, or give the voltages that were measured. Damage that was seen needs none.",
            )
        if max(known) > MAX_BLOCK_V:
            what = say("A block reads %(volts)s V; this looks like millivolts.", volts=f"{max(known):g}")
            raise wrong(what, say("Give volts: divide by 1000."))
        return self._of_the_car()

    def _of_the_car(self) -> Self:
        if self.resistance_mohm is not None and len(self.resistance_mohm) != len(self.block_v):
            raise wrong(
                f"Resistances are told of {counts.blocks(len(self.resistance_mohm))}, voltages of {len(self.block_v)}.",
                "Give one resistance for each voltage, and for a block of which none was told say so.",
            )
        if (self.code is not None) != (self.code_state not in (None, "none")):
            raise wrong(
                "a trouble code and how it is stored (code_state) go together: one of the two is missing, or a code is "
                "named though none is stored.",
                "Give both, as P0A80 and pending; where no code is stored, none (code_state) and no code.",
            )
        if self.state == "discharge" and self.current_a is not None and self.current_a < 0:
            raise wrong(
                say(
                    "%(amps)s A flow into the pack, but the state is under load (discharge).",
                    amps=f"{-self.current_a:g}",
                ),
                say("Out of the pack is positive: turn the sign, or choose while charging (charge)."),
            )
        if self.state == "charge" and self.current_a is not None and self.current_a > 0:
            raise wrong(
                say(
                    "%(amps)s A flow out of the pack, but the state is while charging (charge).",
                    amps=f"{self.current_a:g}",
                ),
                say("Into the pack is negative: turn the sign, or choose under load (discharge)."),
            )
        return self


class TopUp(_Fact):
    """One topping charge of one or more blocks with a bench supply.

    Attributes
    ----------
    time : datetime
        End of the charge, with offset.
    blocks : tuple of int
        Blocks charged, counted from 1 in the order of `BlockReading.block_v`.
    charge_ah : float, optional
        Charge put into each of these blocks, Ah.
    end_v : float, optional
        Block voltage at the end of the charge, current still flowing, V.
    duration_h : float, optional
        Duration of the charge, h.
    rest_before_v, rest_after_v : float, optional
        Rest voltage of the (first) block before and after, V.
    rest_after_h : float, optional
        Hours between the end of the charge and `rest_after_v`.
    end_v_at : {"block", "supply"}, optional
        Where `end_v` was metered: on the block's own terminals, or at the supply, where the leads' drop is in it.
    charged_part : {"block", "module"}, optional
        Whether the whole block was charged or one of its modules; not noted means the block.
    also_done : {"module-swapped", "bars-cleaned", "pack-reconditioned"}, optional
        What else was done to the pack at that visit; of several the one that changes most.
    """

    time: Moment
    blocks: Annotated[tuple[BlockNumber, ...], Field(min_length=1, max_length=MOST_BLOCKS)]
    charge_ah: Annotated[FiniteFloat, Field(ge=0.001, le=500), Measured("Ah"), NO_TRUTH_VALUE] | None = None
    end_v: Annotated[FiniteFloat, Field(gt=0), Measured("V"), NO_TRUTH_VALUE] | None = None
    duration_h: Annotated[FiniteFloat, Field(ge=0.001, le=336), Measured("h"), NO_TRUTH_VALUE] | None = None
    rest_before_v: Annotated[FiniteFloat, Field(ge=-MAX_BLOCK_V), Measured("V"), NO_TRUTH_VALUE] | None = None
    rest_after_v: Annotated[FiniteFloat, Field(ge=-MAX_BLOCK_V), Measured("V"), NO_TRUTH_VALUE] | None = None
    rest_after_h: Annotated[FiniteFloat, Field(ge=0, le=2000), Measured("h"), NO_TRUTH_VALUE] | None = None
    end_v_at: EndVoltageAt | None = None
    charged_part: ChargedPart | None = None
    also_done: AlsoDone | None = None

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if len(set(self.blocks)) != len(self.blocks):
            twice = next(block for place, block in enumerate(self.blocks) if block in self.blocks[:place])
            raise wrong(say("Block %(block)s is named twice.", block=twice), say("Name each block once."))
        for name in ("end_v", "rest_before_v", "rest_after_v"):
            value = getattr(self, name)
            if value is not None and value > MAX_BLOCK_V:
                what = say("%(volts)s V looks like millivolts.", volts=f"{value:g}")
                raise wrong(what, say("Give volts: divide by 1000."))
        return self


class UsagePlan(_Fact):
    """How the vehicle will be used from the origin on.

    Attributes
    ----------
    time : datetime, optional
        When the plan was made, with offset; without it the plan is taken as known at every origin.
    km_per_day, trips_per_day : float, optional
        Averages over all days, parked days included.
    ambient_c : float, optional
        Mean outside temperature expected over the next weeks, °C.
    parked_days_in_30 : float, optional
        Days without a trip among the next 30.
    """

    time: Moment | None = None
    km_per_day: Annotated[FiniteFloat, Field(ge=0, le=2000), Measured("km"), NO_TRUTH_VALUE] | None = None
    trips_per_day: Annotated[FiniteFloat, Field(ge=0, le=200), Measured("1"), NO_TRUTH_VALUE] | None = None
    ambient_c: Annotated[FiniteFloat, Field(ge=-50, le=60), Measured("°C"), NO_TRUTH_VALUE] | None = None
    parked_days_in_30: Annotated[FiniteFloat, Field(ge=0, le=30), Measured("days"), NO_TRUTH_VALUE] | None = None


class Outcome(_Fact):
    """What became of the pack after a top-up.

    Attributes
    ----------
    time : datetime
        With offset.
    kind : {"returned", "replaced", "retired", "running"}
        The fault was confirmed again; the pack was replaced before that; the vehicle was taken out of use; last
        known running.
    code : str, optional
        The generic trouble code, for example P0A80 (SAE J2012-DA).
    odometer_km : float, optional
    found : {"leak", "fade", "neglect", "joint"}, optional
        What was found to be the matter with the weak block once the pack was open: self-discharge; lost capacity;
        imbalance without a defect; a bad joint or another resistance.
    """

    time: Moment
    kind: OutcomeKind
    code: Annotated[str, Field(max_length=16)] | None = None
    odometer_km: Annotated[FiniteFloat, Field(ge=0, le=5e6), Measured("km"), NO_TRUTH_VALUE] | None = None
    found: Weakness | None = None


class PackHistory(_Fact):
    """Everything known about one pack.

    Attributes
    ----------
    pack_id : str
        Fleet number or another identifier without personal data.
    family : str
        Name of its `PackFamily`.
    age_years, odometer_km : float, optional
        Of the pack and of its vehicle, at the first fact.
    readings, topups, usage, outcomes : tuple
        In order of time.
    """

    pack_id: Annotated[str, Field(min_length=1, max_length=64)]
    family: Annotated[str, Field(max_length=64)]
    age_years: Annotated[FiniteFloat, Field(ge=0, le=60), Measured("years"), NO_TRUTH_VALUE] | None = None
    odometer_km: Annotated[FiniteFloat, Field(ge=0, le=5e6), Measured("km"), NO_TRUTH_VALUE] | None = None
    readings: tuple[BlockReading, ...] = ()
    topups: tuple[TopUp, ...] = ()
    usage: tuple[UsagePlan, ...] = ()
    outcomes: tuple[Outcome, ...] = ()

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if not self.readings and not self.topups:
            raise wrong(
                "the history holds no reading and no top-up.",
                "Give at least the top-up, or one rest reading before and one after it.",
            )
        for name in ("readings", "topups", "outcomes"):
            times = [fact.time for fact in getattr(self, name)]
            for position, (earlier, later) in enumerate(pairwise(times), start=1):
                if later < earlier:
                    raise wrong(
                        f"{name}[{position}].time {later.isoformat()} lies before "
                        f"{name}[{position - 1}].time {earlier.isoformat()}.",
                        f"Sort {name} by time, or correct the clock.",
                    )
        counts = {len(r.block_v) for r in self.readings}
        if len(counts) > 1:
            first = len(self.readings[0].block_v)
            odd = next(i for i, r in enumerate(self.readings) if len(r.block_v) != first)
            raise wrong(
                f"readings[{odd}].block_v has {len(self.readings[odd].block_v)} blocks but readings[0].block_v "
                f"has {first}.",
                "Give every reading one value per block, null where a channel was not read.",
            )
        if self.topups:
            for position, outcome in enumerate(self.outcomes):
                if outcome.time < self.topups[0].time:
                    raise wrong(
                        f"outcomes[{position}] ({outcome.kind}, {outcome.time.isoformat()}) lies before the first "
                        f"top-up ({self.topups[0].time.isoformat()}).",
                        "An outcome follows a top-up: correct one of the two times, or leave the first fault out.",
                    )
        elif self.outcomes:
            raise wrong("there is an outcome but no top-up.", "Record the top-up that the outcome followed.")
        return self

    @property
    def ended(self) -> Outcome | None:
        """What ended the newest top-up: a return, a replacement or the vehicle's retirement; None while it is out."""
        last = self.outcomes[-1] if self.outcomes else None
        if last is None or last.kind == "running" or (self.topups and last.time < self.topups[-1].time):
            return None
        return last

    def seen_at(self, by: datetime) -> datetime | None:
        """Time of the newest record, by a moment, at which the pack was measured; None without one.

        A reading or a top-up. Neither a plan nor an outcome that says it was still running tells how its blocks are.
        """
        seen = [reading.time for reading in self.readings] + [topup.time for topup in self.topups]
        return max((time for time in seen if time <= by), default=None)

    @property
    def last_fact_time(self) -> datetime:
        """Time of the newest reading, top-up or plan of use: the usual origin of a forecast.

        A plan counts from when it was made: a forecast from before it could not know it.
        """
        plans = [plan.time for plan in self.usage if plan.time is not None]
        return max([r.time for r in self.readings] + [t.time for t in self.topups] + plans)


def family_problems(history: PackHistory, family: PackFamily) -> list[Problem]:
    """List what in a history cannot be true of its family.

    Returns
    -------
    list of Problem
        Empty if the history fits: right number of blocks, plausible volts per cell, top-ups on blocks that exist.
    """
    found = []
    low, high = -0.5 * family.cells_per_block, 1.25 * family.max_cell_v * family.cells_per_block

    def impossible(volts: float) -> Said:
        return say(
            "%(volts)s V is impossible for a block of %(cells)s, which reads %(low)s to %(high)s V.",
            volts=f"{volts:g}",
            cells=counts.cells(family.cells_per_block),
            low=f"{low:g}",
            high=f"{high:.4g}",
        )

    for i, reading in enumerate(history.readings):
        where = f"readings[{i}].block_v"
        if len(reading.block_v) != family.blocks:
            found.append(
                Problem(
                    where,
                    say(
                        "has %(blocks)s, but family %(family)s has %(right)s.",
                        blocks=counts.blocks(len(reading.block_v)),
                        family=family.name,
                        right=family.blocks,
                    ),
                    say("Give one value for each block, or name the right family."),
                )
            )
            continue
        for b, v in enumerate(reading.block_v, start=1):
            if v is not None and not low <= v <= high:
                found.append(
                    Problem(
                        f"{where}[{b - 1}]",
                        impossible(v),
                        say(
                            "Give the volts of each block, not millivolts, and not of a cell or of the whole pack; "
                            "leave a block empty that was not read."
                        ),
                    )
                )
                break
    for i, topup in enumerate(history.topups):
        for name in ("end_v", "rest_before_v", "rest_after_v"):
            value = getattr(topup, name)
            if value is not None and not low <= value <= high:
                found.append(
                    Problem(
                        f"topups[{i}].{name}",
                        impossible(value),
                        say("Give the volts of the block, metered on its own terminals, or leave it out."),
                    )
                )
        beyond = [b for b in topup.blocks if b > family.blocks]
        if beyond:
            found.append(
                Problem(
                    f"topups[{i}].blocks",
                    say(
                        "Block %(block)s is named, but family %(family)s has %(right)s.",
                        block=beyond[0],
                        family=family.name,
                        right=counts.blocks(family.blocks),
                    ),
                    say("Count blocks from 1 to %(last)s.", last=family.blocks),
                )
            )
    return found


def require_fit(history: PackHistory, family: PackFamily) -> None:
    """Raise `BadInput` with every way in which a history cannot be true of its family."""
    if found := family_problems(history, family):
        raise BadInput(found)

"""The top-up plan before a charge: how much, at what current, where to stop, what it buys, and whether it is worth it.

Nothing here says "go". A licensed technician decides and watches; the maker's service instructions come first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from models.missing_charge import MissingCharge, Range

Worth = Literal["worth trying", "doubtful", "pointless", "not safe"]
"""What the evidence says of a top-up; "not safe" comes before the others."""


@dataclass(frozen=True)
class StopRule:
    """One condition on which the charge must stop, whichever comes first.

    Attributes
    ----------
    code : str
        Short and stable, for machines.
    limit : float
    unit : str
    text : str
        A sentence.
    """

    code: str
    limit: float
    unit: str
    text: str


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


@dataclass(frozen=True)
class ChargeStep:
    """What a charge of so much would buy, by the forecast.

    Attributes
    ----------
    put_in_ah : float
        From the supply, Ah.
    good_for_days : float
        Days that nine in ten such packs hold.
    half_back_day : float or None
        Day by which half are back; None beyond the horizon.
    mean_days : float
        Mean days held, none counted beyond the horizon.
    added_mean_days : float
        What the last half ampere-hour adds to that: 0 or more.
    """

    put_in_ah: float
    good_for_days: float
    half_back_day: float | None
    mean_days: float
    added_mean_days: float


@dataclass(frozen=True)
class ChargePlan:
    """How to put it in.

    Attributes
    ----------
    put_in_ah : Range
        From the supply: the missing charge and what the charge itself loses, Ah.
    current_a : float
        About a tenth of the rated capacity in an hour.
    duration_h : Range
        At that current.
    most_h : float
        Stop by then whatever is read.
    rest_stop_v : Range
        Rest voltage of the block, as if its peers read the median of the newest rest reading, at which it is level: the
        open-circuit voltage and the offset that the charge leaves, which is no charge.
    looks_level_at_ah : float
        Charge put in after which the block reads level with its peers although it is not: the hysteresis trap.
    wait_h : float
        Hours after the charge to wait before reading that voltage.
    end_v : Range
        Block voltage to expect at the end with the current still flowing.
    stop : tuple of StopRule
    """

    put_in_ah: Range
    current_a: float
    duration_h: Range
    most_h: float
    rest_stop_v: Range
    looks_level_at_ah: float
    wait_h: float
    end_v: Range
    stop: tuple[StopRule, ...]


@dataclass(frozen=True)
class TopUpPlan:
    """A top-up thought through before it is made. Read the cautions first.

    Attributes
    ----------
    cautions : tuple of str
        With the figures of this block.
    pack_id : str
    at : datetime
    block : int
        From 1.
    worth : str
        What the gravest of the concerns makes of it, "worth trying" without any.
    concerns : tuple of Concern
        The gravest first.
    missing : MissingCharge
    charge : ChargePlan or None
        None where there is nothing to put in, or nothing may be.
    steps : tuple of ChargeStep
        Half ampere-hour by half ampere-hour; empty without a forecaster.
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


@dataclass(frozen=True)
class Finding:
    """What a charge reveals.

    Attributes
    ----------
    code : str
    text : str
        A sentence.
    """

    code: str
    text: str


@dataclass(frozen=True)
class TopUpComparison:
    """A charge that was made, against what was expected before it.

    Attributes
    ----------
    cautions : tuple of str
    block : int
    topped_at : datetime
    put_in_ah : float or None
        As noted.
    expected_ah : Range
        What the plan made from the readings before it would have put in.
    rise_v, expected_rise_v : float or None, Range or None
        Rise of the rest deviation over the charge, measured and expected for what was put in.
    still_missing_ah : Range
        Charge still missing right after it, from everything known by then.
    findings : tuple of Finding
    """

    cautions: tuple[str, ...]
    block: int
    topped_at: datetime
    put_in_ah: float | None
    expected_ah: Range
    rise_v: float | None
    expected_rise_v: Range | None
    still_missing_ah: Range
    findings: Sequence[Finding]

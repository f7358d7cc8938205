"""The one list of features: name, unit, meaning, the way each should push, its evidence, and its plain word."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from models.base.messages import Said, say

Evidence = Literal[
    "top-up",
    "readings before",
    "readings after",
    "while holding",
    "earlier top-ups",
    "planned use",
    "weather",
    "the pack",
]

EVIDENCE: Final[tuple[Evidence, ...]] = (
    "top-up",
    "readings before",
    "readings after",
    "while holding",
    "earlier top-ups",
    "planned use",
    "weather",
    "the pack",
)
"""Groups in which people think of evidence; explanations are given in these."""


Source = Literal["read", "family", "concluded"]

IEC_FULL_CHARGE_SHARE: Final = 1.6
"""What fills an empty nickel-metal hydride cell: 16 hours at a tenth of rated capacity an hour (IEC 61951-2, 7.2), in
rated capacities."""


@dataclass(frozen=True)
class Feature:
    """One column of the feature table: all that is asked of it. Only the sum that fills it stands elsewhere.

    Attributes
    ----------
    unit : str
        "share" is of rated capacity unless the meaning says otherwise; "1" has no unit.
    direction : {-1, 0, 1}
        1: more of it can only bring the fault back sooner; -1: only later; 0: physics does not say. Enforced.
    evidence : str
        Its group, one of `EVIDENCE`.
    source : {"read", "family", "concluded"}
        Read off what was measured, noted and planned (`models.features.raw`); a figure that no history lacks, of the
        family or the calendar (there too); or concluded from other features (`models.features.derived`).
    unknown : float
        What it reads where nothing is recorded: NaN, save where recording nothing says something.
    watched : bool
        A value outside those learned from is flagged, and widens the forecast; far outside it is read as unknown.
        Off where large values are nothing strange, because time alone makes them.
    nonsense_above : float
        A pack with a larger value is refused. Infinite unless physics leaves no doubt: an unusual pack gets a wide
        forecast, not none.
    """

    name: str
    unit: str
    meaning: str
    direction: Literal[-1, 0, 1]
    evidence: Evidence
    source: Source = "read"
    unknown: float = math.nan
    watched: bool = True
    nonsense_above: float = math.inf


FEATURES: Final[tuple[Feature, ...]] = (
    # What went into the block
    Feature(
        "charge_share",
        "share",
        "charge that the top-up left in the block",
        -1,
        "top-up",
        nonsense_above=2 * IEC_FULL_CHARGE_SHARE,
    ),
    Feature(
        "charge_surplus_share",
        "share",
        "that charge less what the rest reading before said was missing",
        -1,
        "top-up",
        source="concluded",
    ),
    Feature("charge_rate_per_h", "1/h", "rate of the charge, of rated capacity", 0, "top-up"),
    Feature(
        "end_v_per_cell",
        "V",
        "voltage per cell at the end of the charge above the family's middle voltage",
        0,
        "top-up",
    ),
    Feature("blocks_topped", "1", "number of blocks that were charged", 0, "top-up", unknown=1.0),
    # Before the charge
    Feature(
        "before_rest_mv_per_cell",
        "mV",
        "rest deviation of the topped block from the median before the charge, per cell",
        0,
        "readings before",
    ),
    Feature(
        "before_missing_share",
        "share",
        "charge missing before, from that deviation and the open-circuit curve",
        0,
        "readings before",
    ),
    Feature(
        "before_load_mv_per_cell",
        "mV",
        "deviation under discharge before the charge, per cell and 50 A",
        0,
        "readings before",
    ),
    Feature(
        "before_excess_mohm_per_cell",
        "mΩ",
        "resistance beyond the median before the charge, per cell",
        0,
        "readings before",
    ),
    Feature(
        "before_charge_mv_per_cell",
        "mV",
        "deviation while charging before the top-up, per cell and 30 A",
        0,
        "readings before",
    ),
    Feature(
        "before_second_mv_per_cell",
        "mV",
        "rest deviation of the lowest other block before the charge, per cell",
        0,
        "readings before",
    ),
    Feature(
        "before_lower_elsewhere_mv_per_cell",
        "mV",
        "how far another block lay below the topped one before",
        0,
        "readings before",
    ),
    Feature(
        "before_load_elsewhere_mv_per_cell",
        "mV",
        "how far another block lay below the topped one under discharge",
        0,
        "readings before",
    ),
    Feature(
        "before_lead",
        "1",
        "how clearly the lowest block stood out before, in standard deviations",
        0,
        "readings before",
        watched=False,
    ),
    Feature(
        "before_decline_share_per_day",
        "share/day",
        "loss of charge between an earlier visit and the fault",
        1,
        "readings before",
    ),
    # At the release
    Feature(
        "after_rest_mv_per_cell",
        "mV",
        "first rest deviation after the charge, per cell (hysteresis makes it high)",
        0,
        "readings after",
    ),
    Feature(
        "after_rise_mv_per_cell",
        "mV",
        "rise of the rest deviation over the charge, per cell",
        0,
        "readings after",
        source="concluded",
    ),
    Feature(
        "after_rise_per_share_mv",
        "mV",
        "that rise per share of charge put in, per cell",
        0,
        "readings after",
        source="concluded",
    ),
    Feature(
        "after_rest_hours",
        "h",
        "hours between the end of the charge and that reading",
        0,
        "readings after",
        watched=False,
    ),
    Feature(
        "after_load_mv_per_cell",
        "mV",
        "first deviation under discharge after the charge, per cell and 50 A",
        0,
        "readings after",
    ),
    Feature(
        "after_excess_mohm_per_cell",
        "mΩ",
        "resistance beyond the median after the charge, per cell",
        0,
        "readings after",
    ),
    Feature(
        "after_load_elsewhere_mv_per_cell",
        "mV",
        "how far another block lay below the topped one under discharge after",
        0,
        "readings after",
    ),
    Feature(
        "after_second_mv_per_cell",
        "mV",
        "rest deviation of the lowest other block after the charge, per cell",
        0,
        "readings after",
    ),
    # While holding
    Feature(
        "held_days", "days", "days since the end of the charge", 0, "while holding", source="family", watched=False
    ),
    Feature(
        "now_rest_mv_per_cell",
        "mV",
        "latest rest deviation of the topped block since it drove again, per cell",
        -1,
        "while holding",
    ),
    Feature("now_missing_share", "share", "charge missing now, from that deviation", 0, "while holding"),
    Feature("now_rest_age_days", "days", "age of that reading", 0, "while holding", watched=False),
    Feature("now_rest_held_days", "days", "days held when it was taken", 0, "while holding"),
    Feature(
        "now_loss_share_per_day",
        "share/day",
        "loss of charge per day since the charge, from it",
        1,
        "while holding",
        source="concluded",
    ),
    Feature(
        "now_loss_error_share_per_day",
        "share/day",
        "standard error of that loss",
        0,
        "while holding",
        source="concluded",
    ),
    Feature(
        "now_load_mv_per_cell",
        "mV",
        "latest deviation under discharge since it drove again, per cell and 50 A",
        -1,
        "while holding",
    ),
    Feature("now_load_age_days", "days", "age of that reading", 0, "while holding", watched=False),
    Feature(
        "now_load_lowest_mv_per_cell",
        "mV",
        "lowest block under discharge in the latest such reading, per cell and 50 A",
        -1,
        "while holding",
    ),
    Feature(
        "now_load_trend_mv_per_day",
        "mV/day",
        "slope of the deviation under discharge while holding, per cell and 50 A",
        0,
        "while holding",
    ),
    Feature(
        "now_charge_mv_per_cell",
        "mV",
        "latest deviation while charging since it drove again, per cell and 30 A",
        0,
        "while holding",
    ),
    # Earlier top-ups
    # No count is too large to be read: a strange one was unknown, and the forecast rose with the eighth charge.
    Feature("earlier_topups", "1", "earlier top-ups of this pack", 0, "earlier top-ups", unknown=0.0, watched=False),
    Feature(
        "last_hold_days", "days", "how long the last top-up held before the fault came back", -1, "earlier top-ups"
    ),
    Feature("shortest_hold_days", "days", "the shortest such time", -1, "earlier top-ups"),
    Feature("last_same_block", "1", "the last top-up was on the same block", 0, "earlier top-ups"),
    Feature(
        "last_loss_share_per_day",
        "share/day",
        "charge that the last top-up left in, divided by how long it held",
        1,
        "earlier top-ups",
    ),
    # Use, weather, pack
    Feature("km_per_day", "km/day", "planned kilometres", 1, "planned use"),
    Feature("trips_per_day", "1/day", "planned trips", 1, "planned use"),
    Feature("parked_days_in_30", "days", "days without a trip among the next 30", -1, "planned use"),
    Feature(
        "ambient_c", "°C", "expected outside temperature, or that of the pack at rest where no plan says", 0, "weather"
    ),
    Feature(
        "leak_factor", "1", "self-discharge at that temperature relative to 25 °C", 0, "weather", source="concluded"
    ),
    Feature(
        "critical_share",
        "share",
        "missing charge at which the spread passes its limit, at that temperature",
        -1,
        "weather",
        source="concluded",
    ),
    Feature("age_years", "years", "age of the pack", 0, "the pack"),
    Feature("odometer_km", "km", "odometer", 0, "the pack"),
    Feature("rated_ah", "Ah", "rated capacity of the family", 0, "the pack", source="family"),
    Feature("blocks", "1", "blocks in series", 0, "the pack", source="family"),
    Feature("cells_per_block", "1", "cells in a block", 0, "the pack", source="family"),
    Feature("lithium", "1", "1 for a lithium-ion family", 0, "the pack", source="family"),
    Feature(
        "limit_mv_per_cell", "mV", "the family's spread limit under discharge, per cell", 0, "the pack", source="family"
    ),
    # What physics makes of it all
    Feature(
        "level_share",
        "share",
        "charge missing right after the charge: before, less what went in",
        1,
        "top-up",
        source="concluded",
    ),
    Feature(
        "end_missing_share",
        "share",
        "charge missing at the end of the charge, from its voltage",
        0,
        "top-up",
    ),
    Feature(
        "end_drop_share", "share", "charge lost from there to the release", 1, "readings after", source="concluded"
    ),
    Feature(
        "level_estimate_share",
        "share",
        "charge missing right after the charge, from all evidence",
        1,
        "readings after",
        source="concluded",
    ),
    Feature(
        "loss_share_per_day",
        "share/day",
        "loss per day at the expected temperature, from all evidence",
        1,
        "while holding",
        source="concluded",
    ),
    Feature(
        "loss_error_share_per_day", "share/day", "standard error of that loss", 0, "while holding", source="concluded"
    ),
    Feature("loss_in_errors", "1", "that loss in standard errors", 0, "while holding", source="concluded"),
    Feature("loss_at_25c_share_per_day", "share/day", "that loss at 25 °C", 1, "while holding", source="concluded"),
    Feature(
        "excess_mohm_per_cell",
        "mΩ",
        "resistance beyond the others' per cell, from all evidence",
        0,
        "readings after",
        source="concluded",
    ),
    Feature(
        "excess_error_mohm_per_cell", "mΩ", "standard error of that resistance", 0, "readings after", source="concluded"
    ),
    Feature(
        "charge_effect",
        "1",
        "lift by the charge against that of a sound block: more where capacity is lost",
        0,
        "top-up",
        source="concluded",
    ),
    Feature("charge_effect_error", "1", "standard error of that lift", 0, "top-up", source="concluded"),
    Feature(
        "missing_share",
        "share",
        "charge missing at the moment of the forecast, from all evidence",
        1,
        "while holding",
        source="concluded",
    ),
    Feature("missing_error_share", "share", "standard error of that charge", 0, "while holding", source="concluded"),
    Feature(
        "own_critical_share",
        "share",
        "missing charge at which this pack's fault comes back, as found at the fault",
        0,
        "readings before",
        source="concluded",
    ),
    Feature("margin_share", "share", "that charge less the one missing now", -1, "while holding", source="concluded"),
    Feature(
        "passage_days",
        "days",
        "margin divided by loss: when a steady leak reaches the limit",
        -1,
        "while holding",
        source="concluded",
        watched=False,
    ),
    Feature("passage_error_days", "days", "standard error of that day", 0, "while holding", source="concluded"),
    Feature(
        "family_passage_days", "days", "the same day by the family's limit", -1, "while holding", source="concluded"
    ),
    Feature(
        "charge_passage_days", "days", "days until the charge put in is lost again", -1, "top-up", source="concluded"
    ),
    Feature(
        "earlier_passage_days",
        "days",
        "days until the charge put in is lost as fast as the last one was",
        -1,
        "earlier top-ups",
        source="concluded",
    ),
)
"""Columns of the feature table, in order. Nobody puts in more than twice what fills an empty cell (twice: invented)."""

PLAIN_WORDS: Final[Mapping[str, Said]] = {
    "charge_share": say("charge put into the block"),
    "charge_surplus_share": say("charge put in beyond what was missing"),
    "charge_rate_per_h": say("how fast it was charged"),
    "end_v_per_cell": say("voltage at the end of the charge"),
    "blocks_topped": say("how many blocks were charged"),
    "before_rest_mv_per_cell": say("how far the block rested below the others before the charge"),
    "before_missing_share": say("charge that was missing before"),
    "before_load_mv_per_cell": say("how far the block sank below the others under load, before the charge"),
    "before_excess_mohm_per_cell": say("resistance of the block beyond the others', before the charge"),
    "before_charge_mv_per_cell": say("how the block stood against the others while charging, before the top-up"),
    "before_second_mv_per_cell": say("how far the next weakest block rested below the others before the charge"),
    "before_lower_elsewhere_mv_per_cell": say("whether another block rested lower than the one that was charged"),
    "before_load_elsewhere_mv_per_cell": say("whether another block sank lower under load than the charged one"),
    "before_lead": say("how clearly one block stood out as the lowest, before the charge"),
    "before_decline_share_per_day": say("charge lost a day between an earlier visit and the fault"),
    "after_rest_mv_per_cell": say("how the block rested against the others just after the charge"),
    "after_rise_mv_per_cell": say("how far the charge lifted the block"),
    "after_rise_per_share_mv": say("how far the charge lifted the block, for what was put in"),
    "after_rest_hours": say("hours from the end of the charge to the reading after it"),
    "after_load_mv_per_cell": say("how far the block sank below the others under load, after the charge"),
    "after_excess_mohm_per_cell": say("resistance of the block beyond the others', after the charge"),
    "after_load_elsewhere_mv_per_cell": say("whether another block sank lower under load, after the charge"),
    "after_second_mv_per_cell": say("how far the next weakest block rested below the others after the charge"),
    "held_days": say("days since the charge"),
    "now_rest_mv_per_cell": say("how the block rests against the others, when last read"),
    "now_missing_share": say("charge missing when last read at rest"),
    "now_rest_age_days": say("age of the last reading at rest"),
    "now_rest_held_days": say("days after the charge at which it was last read at rest"),
    "now_loss_share_per_day": say("charge lost a day since the charge"),
    "now_loss_error_share_per_day": say("how uncertain that loss is"),
    "now_load_mv_per_cell": say("how far the block sinks below the others under load, when last read"),
    "now_load_age_days": say("age of the last reading under load"),
    "now_load_lowest_mv_per_cell": say("how far the lowest block sinks below the others under load"),
    "now_load_trend_mv_per_day": say("how fast the block sinks further under load, day by day"),
    "now_charge_mv_per_cell": say("how the block stands against the others while charging, when last read"),
    "earlier_topups": say("how often this pack was topped up before"),
    "last_hold_days": say("days that the last top-up held"),
    "shortest_hold_days": say("days that the shortest of its top-ups held"),
    "last_same_block": say("whether the same block was topped up the last time"),
    "last_loss_share_per_day": say("charge lost a day after the last top-up"),
    "km_per_day": say("kilometres a day, as planned"),
    "trips_per_day": say("trips a day, as planned"),
    "parked_days_in_30": say("days parked of the next thirty"),
    "ambient_c": say("temperature outside"),
    "leak_factor": say("how much faster cells lose charge at that temperature"),
    "critical_share": say("missing charge at which the fault comes back, at that temperature"),
    "age_years": say("age of the pack"),
    "odometer_km": say("odometer"),
    "rated_ah": say("rated capacity"),
    "blocks": say("number of blocks"),
    "cells_per_block": say("cells in a block"),
    "lithium": say("whether the cells are lithium-ion"),
    "limit_mv_per_cell": say("spread at which the monitor sets the fault"),
    "level_share": say("charge still missing right after the charge"),
    "end_missing_share": say("charge still missing at the end of the charge, by its voltage"),
    "end_drop_share": say("charge lost from the end of the charge to the release"),
    "level_estimate_share": say("charge still missing right after the charge, by all that is known"),
    "loss_share_per_day": say("charge lost a day, by all that is known"),
    "loss_error_share_per_day": say("how uncertain the loss a day is"),
    "loss_in_errors": say("how sure it is that the block loses charge at all"),
    "loss_at_25c_share_per_day": say("charge lost a day at 25 °C"),
    "excess_mohm_per_cell": say("resistance of the block beyond the others', by all that is known"),
    "excess_error_mohm_per_cell": say("how uncertain that resistance is"),
    "charge_effect": say("how far the charge lifted the block, against a sound one"),
    "charge_effect_error": say("how uncertain that lift is"),
    "missing_share": say("charge missing now, by all that is known"),
    "missing_error_share": say("how uncertain the missing charge is"),
    "own_critical_share": say("missing charge at which this pack's own fault came back"),
    "margin_share": say("charge that may still be lost before the fault is back"),
    "passage_days": say("days until a steady loss brings the fault back"),
    "passage_error_days": say("how uncertain those days are"),
    "family_passage_days": say("days until a steady loss brings the fault back, by the limit of its family"),
    "charge_passage_days": say("days until the charge put in is lost again"),
    "earlier_passage_days": say("days until the charge put in is lost as fast as after the last top-up"),
}
"""What each feature is, as a mechanic would say it; `Feature.meaning` is the exact word."""

FEATURES_VERSION: Final = (
    "1-"
    + hashlib.sha256(
        repr([(f.name, f.unit, f.meaning, f.direction, f.evidence) for f in FEATURES]).encode()
    ).hexdigest()[:8]
)
"""Names the columns and what they mean. A model reads no other columns than those it learned from: raise the leading
number when a column is computed otherwise and its words stay."""

FEATURE_NAMES: Final = tuple(f.name for f in FEATURES)
DIRECTIONS: Final[dict[str | int, int]] = {f.name: f.direction for f in FEATURES if f.direction}
"""Monotone constraints on the hazard, by feature name."""

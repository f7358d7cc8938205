"""What each feature is, and its values, as a mechanic would say them; `Feature.meaning` is the exact word for it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from models.base import counts
from models.base.messages import Said, say
from models.base.percents import level_percent
from models.features.definitions import FEATURES

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
"""By the feature's name."""

_IN_FULL: Final = 100.0
"""From here on a number is told in full instead of to three figures. Our choice."""

_UNIT: Final = {feature.name: feature.unit for feature in FEATURES}


def plain_value(name: str, value: float) -> Said:
    """Write a feature's value with its unit in words, to three figures, or in full from a hundred on."""
    unit, number = _UNIT[name], f"{value:.0f}" if abs(value) >= _IN_FULL else f"{value:.3g}"
    match unit:
        case "share" | "share/day":
            return say("%(share)s of its rated capacity", share=level_percent(float(f"{value:.3g}")))
        case "mV":
            return say("%(number)s mV a cell", number=number)
        case "mV/day":
            return say("%(number)s mV a cell and day", number=number)
        case "mΩ":
            return say("%(number)s mΩ a cell", number=number)
        case "V":
            return say("%(number)s V a cell above the middle of its range", number=number)
        case "1/h":
            return say("%(number)s of its rated capacity an hour", number=number)
        case "km/day":
            return say("%(number)s km", number=number)
        case "days":
            return counts.days(value)
        case "years":
            return counts.years(float(number))
        case "h":
            return counts.hours(value)
        case "1" | "1/day":
            return say("%(number)s", number=number)
        case _:
            return say("%(number)s %(unit)s", number=number, unit=unit)

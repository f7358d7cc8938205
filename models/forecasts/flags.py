"""What the reader of a forecast should know of its evidence: missing, stale, contradictory, out of range, nonsense."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite, isnan
from typing import Final

import numpy as np
import pandas as pd

from models.base import counts
from models.base.arrays import Bools, Floats
from models.base.messages import Said, say
from models.features.definitions import FEATURES, PLAIN_WORDS
from models.features.derived import WARMER_DRIVEN_C, some_features
from models.features.plain_value import plain_value
from models.features.raw import RELEASE_VISIT_DAYS
from models.forecasts.charge_flags import GENTLE_CHARGE_PER_H, flags_of_charges
from models.forecasts.controller import flags_of_controller
from models.forecasts.forecast import Flag
from models.forecasts.last_seen import ASK_AFTER_DAYS
from models.forecasts.noted import LEVEL_MV_PER_CELL, Noted
from models.forecasts.seen_range import FAR, SeenRange
from models.forecasts.withheld import UNREAD_AFTER
from models.packs.contradictions import Unused
from models.physics.thermal import FAN_SETPOINT_C
from models.physics.use_process import WEATHER_SD_C

SETTLED_H: Final = 1.0
"""A block read sooner after its charge has not settled: common practice, no source."""


LOWER_UNDER_LOAD_MV_PER_CELL: Final = 15.0
"""Under discharge, at 50 A, a block this far below another is the weaker one: on 12 cells about a sixth of the 1.0 to
1.2 V usually called bad (common practice, no source), three times the error of reading through the car. Invented."""


JOINT_MOHM_PER_CELL: Final = 1.0
"""Resistance beyond the others', per cell, from which a level block is suspected of a bad joint. Invented."""


LONG_STAND_DAYS: Final = 7.0
"""Days without a trip among the next 30 from which it is said what a stand does: a week, as the usual plan "start a
week later" has. Our choice."""


WORKSHOP_C: Final = 20.0
"""A pack that was read indoors may be this warm whatever the weather: common practice, no source."""


APART_K: Final = WARMER_DRIVEN_C + 3 * WEATHER_SD_C
"""A pack further from the weather of its plan than the last trip and the weather of a day explain (three standard
deviations) contradicts the plan. Derived from what the simulation assumes, which is invented."""


_NONSENSE_ABOVE: Final = {f.name: f.nonsense_above for f in FEATURES if isfinite(f.nonsense_above)}


_READ: Final = (
    *("charge_share", "charge_surplus_share", "charge_rate_per_h", "held_days", "km_per_day", "ambient_c"),
    *("parked_days_in_30", "rated_ah"),
    *("before_rest_mv_per_cell", "before_missing_share", "before_load_mv_per_cell"),
    *("before_lower_elsewhere_mv_per_cell", "before_load_elsewhere_mv_per_cell"),
    *("after_rest_mv_per_cell", "after_rest_hours", "after_load_mv_per_cell", "after_excess_mohm_per_cell"),
    *("now_rest_mv_per_cell", "now_load_mv_per_cell"),
)
"""Features that the rules below ask for."""


DONE: Final = {
    "supply": say(
        "The voltage at the end of the charge was metered at the supply: the drop of the leads is in it, so no figure "
        "rests on it. Next time meter on the block's own terminals."
    ),
    "module": say(
        "Only one module of the block was charged. The model cannot tell modules apart and takes it as the whole "
        "block: read both modules at rest, if they can be reached."
    ),
    "module-swapped": say(
        "A module was swapped when the block was charged. The model does not count that: it goes on taking the block "
        "for the weak one it was. With a sound module the next weakest block decides."
    ),
    "bars-cleaned": say(
        "The bars were cleaned when the block was charged. The model does not count that: read all blocks under load "
        "again, and it goes by that."
    ),
    "pack-reconditioned": say(
        "The whole pack was reconditioned when the block was charged. The model counts the charge of the blocks named "
        "and nothing else: read all blocks again, at rest and under load."
    ),
}
"""What is said of work of which the model makes nothing, by `TopUp.end_v_at`, `charged_part` and `also_done`."""


def nonsense(X: pd.DataFrame) -> list[Said | None]:
    """Say of each row which value, if any, can be true of no pack (`Feature.nonsense_above`). Length n."""
    found: list[Said | None] = [None] * len(X)
    names = tuple(_NONSENSE_ABOVE)
    values = some_features(X, names)
    above = values > np.array([_NONSENSE_ABOVE[name] for name in names])
    for place in np.flatnonzero(above.any(axis=0)):
        name = names[place]
        for row in np.flatnonzero(above[:, place]):
            found[row] = say(
                "No pack can have this: %(meaning)s (%(value)s).",
                meaning=PLAIN_WORDS[name],
                value=plain_value(name, values[row, place]),
            )
    return found


def flags_of(
    X: pd.DataFrame, seen: SeenRange, inferred: Bools, surplus: Floats, noted: Noted
) -> list[tuple[Flag, ...]]:
    """List what the reader should know of each row's evidence.

    Parameters
    ----------
    X : DataFrame, n rows
    inferred : bool array, shape (n,)
        The top-up was inferred.
    surplus : array, shape (n,)
        `models.features.derived.surplus_share`.

    Returns
    -------
    list of tuple of Flag, length n
    """
    watched, far = seen.watched, seen.beyond(X)
    outside: list[dict[str, float]] = [{} for _ in range(len(X))]
    for row, column in np.argwhere(far > 0):
        outside[row][watched[column]] = far[row, column]
    # Only what the rules read is taken out of the table: making a row of all of it would cost most of the time.
    read = (*_READ, *(watched[j] for j in np.flatnonzero((far > 0).any(axis=0)) if watched[j] not in _READ))
    rows = [dict(zip(read, values, strict=True)) for values in some_features(X, read).tolist()]
    work = [
        [DONE[word] for word in words if isinstance(word, str) and word in DONE]
        for words in zip(noted.end_v_at, noted.charged_part, noted.also_done, strict=True)
    ]
    own = zip(noted.gap_days, noted.rest_c, strict=True)
    charges = flags_of_charges(X, surplus, noted)
    strange = set(seen.within(some_features(X, ("ambient_c",))[:, 0], "ambient_c")[0].tolist())
    facts = zip(rows, outside, seen.new_family(X), inferred, own, strict=True)
    return [
        (
            *charges[place],
            *flags_of_controller(
                noted.code[place], noted.code_state[place], bool(noted.figures[place]), noted.resistances[place]
            ),
            *_of_origin(bool(new), bool(guess)),
            *_of_gaps(row, float(gap), noted.unread.get(place, ())),
            *_of_contradictions(row),
            *_of_use(row, float(rest_c)),
            *(Flag("work-not-used", text) for text in work[place]),
            *(_of_outside(name, row, ranges) for name, ranges in beyond.items()),
            *([_of_weather(row["ambient_c"], seen)] if place in strange and "ambient_c" not in beyond else []),
        )
        for place, (row, beyond, new, guess, (gap, rest_c)) in enumerate(facts)
    ]


_NEW_FAMILY: Final = Flag(
    "family-not-learned",
    say(
        "The model has learned from no pack of this layout: it carries over what it knows of others. "
        "The forecast is widened."
    ),
)


_INFERRED: Final = Flag(
    "topup-inferred",
    say("No top-up is recorded; it was inferred from the block that rose between two rest readings."),
)


_NO_CHARGE: Final = Flag(
    "charge-unknown",
    say("The charge put in is not known: a level reading may be voltage that goes again in use, rather than charge."),
)


_NO_REST_BEFORE: Final = Flag("no-rest-before", say("There is no usable rest reading from before the charge."))


_NO_REST_AFTER: Final = Flag(UNREAD_AFTER, say("There is no usable rest reading from after the charge."))


_NO_LOAD: Final = Flag(
    "no-load-reading", say("There is no usable reading under load: a bad joint cannot be told from a weak block.")
)


_NO_USAGE: Final = Flag(
    "usage-unknown", say("The planned usage is not known; the usage of comparable packs is assumed.")
)


_NO_WEATHER: Final = Flag("weather-unknown", say("Neither the expected temperature nor that of the pack is known."))


_STALE: Final = Flag(
    "stale", say("The newest reading is more than ten days old; a new one would sharpen this forecast.")
)


_LOWER: Final = Flag("other-block-lower", say("Before the charge another block lay below the one that was topped up."))


_LOWER_UNDER_LOAD: Final = Flag(
    "other-block-lower",
    say("Before the charge another block fell lower under load than the one that was topped up."),
)


_JOINT: Final = Flag(
    "looks-like-joint",
    say("Level at rest but low under load: check bus bars and sense leads; a top-up does not cure a joint."),
)


def _of_origin(new_family: bool, inferred: bool) -> list[Flag]:
    return [flag for flag, said in ((_NEW_FAMILY, new_family), (_INFERRED, inferred)) if said]


def _of_gaps(row: dict[str, float], gap: float, unread: Sequence[Flag]) -> list[Flag]:
    def known(name: str) -> bool:
        return not isnan(row[name])

    flags = []
    if not known("charge_share"):
        flags.append(_NO_CHARGE)
    if not known("before_rest_mv_per_cell"):
        flags.append(_NO_REST_BEFORE)
    if unread:
        flags.extend(unread)
    elif not known("after_rest_mv_per_cell") and not known("now_rest_mv_per_cell"):
        flags.append(_NO_REST_AFTER)
    if known("after_rest_mv_per_cell") and row["after_rest_hours"] < SETTLED_H:
        flags.append(
            Flag(
                "read-too-soon",
                say(
                    "The rest reading was taken %(minutes)s after the charge, when the block still stands "
                    "high: read all blocks at rest again some hours later.",
                    minutes=counts.minutes(60 * row["after_rest_hours"]),
                ),
            )
        )
    if (
        not known("before_load_mv_per_cell")
        and not known("after_load_mv_per_cell")
        and not known("now_load_mv_per_cell")
    ):
        flags.append(_NO_LOAD)
    if not known("km_per_day"):
        flags.append(_NO_USAGE)
    if not known("ambient_c"):
        flags.append(_NO_WEATHER)
    if row["held_days"] > RELEASE_VISIT_DAYS and not gap <= ASK_AFTER_DAYS:
        flags.append(_STALE)
    return flags


def _of_weather(ambient: float, seen: SeenRange) -> Flag:
    text = say(
        "The model has seen no pack at %(ambient)s °C, only at %(low)s to %(high)s °C: nothing longer is promised than "
        "at the nearest of these.",
        ambient=f"{ambient:g}",
        low=f"{seen.low['ambient_c']:.0f}",
        high=f"{seen.high['ambient_c']:.0f}",
    )
    return Flag("weather-not-seen", text)


def _of_contradictions(row: dict[str, float]) -> list[Flag]:
    flags = []
    if row["before_lower_elsewhere_mv_per_cell"] > LEVEL_MV_PER_CELL:
        flags.append(_LOWER)
    elif row["before_load_elsewhere_mv_per_cell"] > LOWER_UNDER_LOAD_MV_PER_CELL:
        flags.append(_LOWER_UNDER_LOAD)
    if row["after_excess_mohm_per_cell"] > JOINT_MOHM_PER_CELL and row["before_rest_mv_per_cell"] > -LEVEL_MV_PER_CELL:
        flags.append(_JOINT)
    return flags


def _of_use(row: dict[str, float], rest_c: float) -> list[Flag]:
    """Say what the plan of use holds that a figure alone would not tell."""
    flags = []
    ambient, stands = row["ambient_c"], row["parked_days_in_30"]
    if rest_c < ambient - APART_K or rest_c > max(ambient, WORKSHOP_C) + APART_K:
        text = say(
            "The plan expects %(ambient)s °C outside, but the pack was read at %(read)s °C at rest. The forecast goes "
            "by the plan: correct whichever is wrong.",
            ambient=f"{ambient:g}",
            read=f"{rest_c:g}",
        )
        flags.append(Flag("plan-against-temperature", text))
    if ambient > FAN_SETPOINT_C:
        text = say(
            "At %(ambient)s °C the block loses charge faster, but warm cells sink less under load, so the monitor sees "
            "it later. If it seems to hold longer than in milder weather, that is why: it is no sounder.",
            ambient=f"{ambient:g}",
        )
        flags.append(Flag("heat", text))
    if stands >= LONG_STAND_DAYS:
        text = say(
            "It is to stand for %(days)s of the next 30 days. Those days are counted in, but the weak block goes on "
            "losing charge on them and nothing watches it: read it again before it is driven.",
            days=f"{stands:g}",
        )
        flags.append(Flag("stands", text))
    return flags


def _of_outside(name: str, row: dict[str, float], ranges: float) -> Flag:
    value = row[name]
    if name == "charge_rate_per_h" and value > GENTLE_CHARGE_PER_H:
        text = say(
            "Charged at about %(current)s A, %(times)s times as fast as a gentle charge (a tenth of its rated "
            "current), and faster than any charge that the model has seen. Check the charge and how long it took: the "
            "forecast is widened, and reads it as no harder than the hardest seen.",
            current=f"{value * row['rated_ah']:.1f}",
            times=f"{float(f'{value / GENTLE_CHARGE_PER_H:.2g}'):g}",
        )
        return Flag("out-of-range", text)
    if name == "blocks_topped":
        text = say(
            "%(count)s blocks were charged at one visit, more than in any pack that the model has seen: it goes by the "
            "first of them, and the forecast is widened. Another of them may sink sooner: read all blocks, at rest and "
            "under load, before it goes.",
            count=f"{value:.0f}",
        )
        return Flag("out-of-range", text)
    told = {"meaning": PLAIN_WORDS[name], "value": plain_value(name, value)}
    if ranges > FAR:
        text = say(
            "Far outside what the model has seen: %(meaning)s (%(value)s). Check it; it is read as not known, and "
            "the forecast is widened.",
            **told,
        )
    else:
        text = say("Outside what the model has seen: %(meaning)s (%(value)s). The forecast is widened.", **told)
    return Flag("out-of-range", text)


def flags_of_unused(unused: Sequence[Unused]) -> tuple[Flag, ...]:
    """Name each reading that no figure rests on, and why."""
    return tuple(Flag("reading-not-used", one.text, grave=True) for one in unused)

"""What the reader of a forecast should know of its evidence: missing, stale, contradictory, out of range, nonsense."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from math import isfinite, isnan
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base import counts
from models.base.arrays import Bools, Floats
from models.base.messages import Said, say
from models.features.definitions import FEATURES, PLAIN_WORDS
from models.features.derived import WARMER_DRIVEN_C, some_features
from models.features.plain_value import plain_value
from models.features.raw import RELEASE_VISIT_DAYS
from models.forecasts.charged_again import ChargedAgain
from models.forecasts.controller import flags_of_controller
from models.forecasts.forecast import Flag
from models.forecasts.last_seen import ASK_AFTER_DAYS
from models.forecasts.not_risen import NOT_RISEN, NotRisen
from models.forecasts.seen_range import FAR, SeenRange
from models.forecasts.withheld import UNREAD_AFTER
from models.packs.contradictions import WARMEST_C, Unused
from models.packs.stops.charging import COLDEST_C
from models.packs.stops.known import LOOK_AFTER
from models.physics.thermal import FAN_SETPOINT_C
from models.physics.use_process import WEATHER_SD_C

SETTLED_H: Final = 1.0
"""A block read sooner after its charge has not settled: common practice, no source."""

LEVEL_MV_PER_CELL: Final = 4.0
"""A topped block this near the median or above it reads level. Twice a fair meter's error on 12 cells. Invented."""

LOWER_UNDER_LOAD_MV_PER_CELL: Final = 15.0
"""Under discharge, at 50 A, a block this far below another is the weaker one: on 12 cells about a sixth of the 1.0 to
1.2 V usually called bad (common practice, no source), three times the error of reading through the car. Invented."""

GENTLE_CHARGE_PER_H: Final = 0.1
FAST_CHARGE_PER_H: Final = 1.0
"""Rates of a charge, in rated capacities an hour: a topping charge (common practice, no source), and the fastest that a
cell is tested with, its end watched by the charger (IEC 61951-2, from memory, unverified)."""

MUCH_CHARGE_SHARE: Final = 0.12
"""Charge over what the rest reading said was missing, of rated capacity, that a sound block would not have taken: about
three standard errors of what a reading at the bench tells of it. Invented."""

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

_OF_CHARGE: Final = ("charge_share", "charge_surplus_share", "charge_rate_per_h", "before_missing_share", "ambient_c")
"""Those of them that tell of the charge itself."""


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


@dataclass(frozen=True, eq=False)
class Noted:
    """What is noted of n packs beside the features.

    Attributes
    ----------
    gap_days : array, shape (n,)
        Days between the newest reading and the origin; NaN without a reading.
    put_in_ah : array, shape (n,)
        Charge of the newest top-up; NaN where it was not noted.
    rest_c : array, shape (n,)
        Temperature of the pack in the newest reading at rest that notes it, °C; NaN where none does.
    last_c : array, shape (n,)
        The same of the newest reading in any state that notes it.
    warmest_c : array, shape (n,)
        The highest in any state since the visit of the newest charge that nobody has looked at since, °C; likewise.
    early_look_h : array, shape (n,)
        Hours after that at which somebody looked, too early to count; NaN where nobody did.
    frost_c : array, shape (n,)
        Below 0, read nearest to a newest charge at which nobody read it, °C (`models.forecasts.warmth`); else NaN.
    end_v : array, shape (n,)
        Of the newest top-up, V; NaN where it was not noted.
    after_v, read_after_v : array, shape (n,)
        Rest voltage of its block as noted with it, and as first read at rest within a day and a half, V; NaN without.
    after_apart_v : array, shape (n,)
        By how much the two may differ, V: what a block falls as its hysteresis decays. NaN where they do not compare.
    before_v, read_before_v : array, shape (n,)
        Rest voltage of its block as noted before the charge, and as last read at rest within a day and a half, V.
    before_apart_v : array, shape (n,)
        As `after_apart_v`; NaN also where another charge lies between.
    end_v_at, charged_part, also_done : object array, shape (n,)
        Of the newest top-up; a word, or what counts as missing.
    code, code_state, figures, resistances
        `models.forecasts.controller.told_by_controller`.
    not_risen : dict of int to list of NotRisen
        Blocks that were charged and did not rise, by place (`models.forecasts.not_risen`).
    charged_again : dict of int to list of ChargedAgain
        Blocks that are noted as charged twice, likewise (`models.forecasts.charged_again`).
    charge_unread : bool array, shape (n,)
        Whether nobody read how warm the pack was at the newest charge, or looked it over since.
    unread : dict of int to list of Flag
        Charged blocks that the newest readings leave out, likewise (`models.forecasts.unread_blocks`).
    standing : dict of int to list of Flag
        What was read or done at any time and is still to be looked at, likewise (`models.forecasts.standing`).
    looked_since : bool array, shape (n,)
        Whether somebody looked the pack over after its newest charge, late enough to count.
    """

    gap_days: Floats
    put_in_ah: Floats
    rest_c: Floats
    last_c: Floats
    warmest_c: Floats
    early_look_h: Floats
    frost_c: Floats
    end_v: Floats
    after_v: Floats
    read_after_v: Floats
    after_apart_v: Floats
    before_v: Floats
    read_before_v: Floats
    before_apart_v: Floats
    end_v_at: NDArray[np.object_]
    charged_part: NDArray[np.object_]
    also_done: NDArray[np.object_]
    code: NDArray[np.object_]
    code_state: NDArray[np.object_]
    figures: Bools
    resistances: NDArray[np.object_]
    not_risen: Mapping[int, Sequence[NotRisen]]
    charged_again: Mapping[int, Sequence[ChargedAgain]]
    charge_unread: Bools
    unread: Mapping[int, Sequence[Flag]]
    standing: Mapping[int, Sequence[Flag]]
    looked_since: Bools


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


def flags_of_charges(X: pd.DataFrame, surplus: Floats, noted: Noted) -> list[tuple[Flag, ...]]:
    """List what the newest charge of each row, and the warmth since, warn of; no model is asked for that.

    Parameters
    ----------
    X : DataFrame, n rows
    surplus : array, shape (n,)
        `models.features.derived.surplus_share`.
    """
    rows = [dict(zip(_OF_CHARGE, values, strict=True)) for values in some_features(X, _OF_CHARGE).tolist()]
    against = _against_itself(some_features(X, ("cells_per_block",))[:, 0], noted)
    put_in = zip(noted.put_in_ah.tolist(), np.asarray(surplus).tolist(), strict=True)
    warmth = zip(noted.warmest_c.tolist(), noted.last_c.tolist(), noted.early_look_h.tolist(), strict=True)
    frost = zip(noted.frost_c.tolist(), noted.charge_unread.tolist(), strict=True)
    return [
        (
            *_until_looked(_of_overcharge(row, *charge), place, noted),
            *_until_looked(_of_fast_charge(row), place, noted),
            *_of_heat(*warm),
            *_of_frost(*cold, row["ambient_c"]),
            *against.get(place, ()),
            *_until_looked(map(_of_charged_again, noted.charged_again.get(place, ())), place, noted),
            *map(_of_no_rise, noted.not_risen.get(place, ())),
            *noted.standing.get(place, ()),
        )
        for place, (row, charge, warm, cold) in enumerate(zip(rows, put_in, warmth, frost, strict=True))
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


def _until_looked(found: Iterable[Flag], place: int, noted: Noted) -> list[Flag]:
    """Return what the newest charge may have done: grave until somebody looked the pack over after it."""
    if not noted.looked_since[place]:
        return list(found)
    return [
        replace(flag, text=say("%(what)s Somebody has looked since, and nothing showed.", what=flag.text), grave=False)
        for flag in found
    ]


def _of_overcharge(row: dict[str, float], put_in_ah: float, surplus: float) -> list[Flag]:
    """More went in than was missing by the reading before, or, without one, than a block of the window can lack."""
    missing = row["before_missing_share"]
    beyond = surplus if isnan(missing) else row["charge_surplus_share"]
    if not beyond > MUCH_CHARGE_SHARE:
        return []
    put_in = f"{put_in_ah:.1f}"
    if isnan(missing):
        text = say(
            "Put in %(put_in)s Ah, and no reading from before says how much was missing: the block may be overcharged. "
            "Look for swelling, leaks and heat. The promise is reckoned as if less had gone in.",
            put_in=put_in,
        )
        return [Flag("overcharge", text, grave=True)]
    text = say(
        "Put in %(put_in)s Ah, about %(missing)s Ah was missing: the block may be overcharged, or it was further down "
        "than it read. Look for swelling, leaks and heat, and read all blocks at rest again. The promise is reckoned "
        "as if no more had gone in than was missing.",
        put_in=put_in,
        missing=f"{put_in_ah * max(missing, 0.0) / row['charge_share']:.1f}",
    )
    return [Flag("overcharge", text, grave=True)]


def _of_fast_charge(row: dict[str, float]) -> list[Flag]:
    times = row["charge_rate_per_h"] / GENTLE_CHARGE_PER_H
    if not row["charge_rate_per_h"] > FAST_CHARGE_PER_H:
        return []
    text = say(
        "By its charge and duration the block was charged %(times)s times as hard as a gentle charge (a tenth of its "
        "rated current): it may have been hot and have vented gas. Check both figures; if they are right, let it cool, "
        "look for swelling and leaks, and read all blocks at rest again.",
        times=f"{times:.0f}",
    )
    return [Flag("fast-charge", text, grave=True)]


def _of_frost(frost_c: float, unread: bool, ambient_c: float) -> list[Flag]:
    if isnan(frost_c):
        if not (unread and ambient_c < COLDEST_C):
            return []
        text = say(
            "Nobody read how warm the pack was when it was charged, and %(ambient)s °C are expected outside: below "
            "%(coldest)s °C cells gas instead of filling. If it was not warmed through, look for swelling and leaks.",
            ambient=f"{ambient_c:g}",
            coldest=f"{COLDEST_C:g}",
        )
        return [Flag("charge-temperature-unknown", text)]
    text = say(
        "Nobody read how warm the pack was when it was charged, and near that day it was read at %(read)s °C: below "
        "%(coldest)s °C cells gas instead of filling. If it was read then, enter that. Else look for swelling and "
        "leaks, and note what was seen with a reading of the next day or later.",
        read=f"{frost_c:g}",
        coldest=f"{COLDEST_C:g}",
    )
    return [Flag("maybe-charged-cold", text, grave=True)]


def _of_heat(warmest_c: float, last_c: float, early_look_h: float) -> list[Flag]:
    if not warmest_c > WARMEST_C:
        return []
    if not last_c > WARMEST_C:
        cooled = say(
            "The pack was read at %(read)s °C since it was last charged, past %(most)s °C, and is cooler now: "
            "something heated it, or it was just charged or driven hard. Look for swelling and leaks, note what was "
            "seen with a reading the next day, and go by the figures after that.",
            read=f"{warmest_c:g}",
            most=f"{WARMEST_C:g}",
        )
        return [Flag("warm-pack", _with_early_look(cooled, early_look_h), grave=True)]
    text = say(
        "The pack was read at %(read)s °C, past %(most)s °C: something heats it, or it was just charged or "
        "driven hard. Let it cool, look for swelling and leaks, and read all blocks at rest again before it is charged "
        "or driven.",
        read=f"{last_c:g}",
        most=f"{WARMEST_C:g}",
    )
    return [Flag("warm-pack", _with_early_look(text, early_look_h), grave=True)]


def _with_early_look(text: Said, hours: float) -> Said:
    """Say of a look that came too early that it does not count, and from when one would."""
    if isnan(hours):
        return text
    return say(
        "%(what)s A look was noted %(hours)s after that and does not count: swelling and leaks may show only after "
        "%(least)s. Look again then.",
        what=text,
        hours=counts.hours(max(round(hours), 1)),
        least=counts.hours(LOOK_AFTER / timedelta(hours=1)),
    )


def _against_itself(cells: Floats, noted: Noted) -> dict[int, list[Flag]]:
    """Name voltages around the newest charge that cannot all be true, by row."""
    found: dict[int, list[Flag]] = {}
    error_v = 1e-3 * LEVEL_MV_PER_CELL * cells
    rest_v = np.fmax(noted.after_v, noted.read_after_v)
    for row in np.flatnonzero(rest_v > noted.end_v + error_v):
        text = say(
            "The charge is noted to have ended at %(end)s V, but the block rested at %(rest)s V after it: under charge "
            "a block stands higher than at rest. Check both figures and the block, and read all blocks at rest again.",
            end=f"{noted.end_v[row]:.2f}",
            rest=f"{rest_v[row]:.2f}",
        )
        found.setdefault(int(row), []).append(Flag("end-voltage-below-rest", text, grave=True))
    for row in np.flatnonzero(np.abs(noted.after_v - noted.read_after_v) > noted.after_apart_v + error_v):
        text = say(
            "The rest voltage noted with the charge, %(noted)s V, and the reading after it, %(read)s V, are further "
            "apart than a block moves at rest. Check both, and read all blocks at rest again.",
            noted=f"{noted.after_v[row]:.2f}",
            read=f"{noted.read_after_v[row]:.2f}",
        )
        found.setdefault(int(row), []).append(Flag("rest-after-contradicted", text, grave=True))
    for row in np.flatnonzero(np.abs(noted.before_v - noted.read_before_v) > noted.before_apart_v + error_v):
        text = say(
            "The rest voltage noted before the charge, %(noted)s V, and the reading before it, %(read)s V, are further "
            "apart than a block moves at rest. Check both, and that it was the right block.",
            noted=f"{noted.before_v[row]:.2f}",
            read=f"{noted.read_before_v[row]:.2f}",
        )
        found.setdefault(int(row), []).append(Flag("rest-before-contradicted", text, grave=True))
    return found


def _of_charged_again(found: ChargedAgain) -> Flag:
    text = say(
        "Block %(block)s is noted as charged twice at this visit, and nothing was read between. If it is the same "
        "charge, entered twice, take one out. Else it may be overcharged: look for swelling, leaks and heat, and read "
        "all blocks at rest again.",
        block=found.block,
    )
    if not isnan(found.together_ah):
        text = say("%(what)s Together %(ah)s Ah went in.", what=text, ah=f"{found.together_ah:.1f}")
    return Flag("charged-again", text, grave=True)


def _of_no_rise(found: NotRisen) -> Flag:
    text = say(
        "Block %(block)s is noted as charged, but at rest it moved by %(rise)s V against the others, where at least "
        "+%(least)s V was due: hardly any of the charge shows. Was it the right block, and was the "
        "supply on it? A shorted cell, a bad lead or a strong leak looks like this. Look for heat and swelling, also "
        "at its neighbours, and have its cells measured: a look alone does not tell where the charge went.",
        block=found.block,
        rise=f"{round(found.rise_v, 2) + 0.0:+.2f}",
        least=f"{found.least_v:.2f}",
    )
    return Flag(NOT_RISEN, text, grave=True)


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

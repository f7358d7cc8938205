"""What the newest charge of a pack, and the warmth since, warn of."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from math import isnan
from typing import Final

import numpy as np
import pandas as pd

from models.base import counts
from models.base.arrays import Floats
from models.base.messages import Said, say
from models.features.derived import some_features
from models.forecasts.charged_again import ChargedAgain
from models.forecasts.forecast import Flag
from models.forecasts.not_risen import NOT_RISEN, NotRisen
from models.forecasts.noted import LEVEL_MV_PER_CELL, Noted
from models.packs.contradictions import WARMEST_C
from models.packs.stops.charging import COLDEST_C
from models.packs.stops.known import LOOK_AFTER

GENTLE_CHARGE_PER_H: Final = 0.1
FAST_CHARGE_PER_H: Final = 1.0
"""Rates of a charge, in rated capacities an hour: a topping charge (common practice, no source), and the fastest that a
cell is tested with, its end watched by the charger (IEC 61951-2, from memory, unverified)."""


MUCH_CHARGE_SHARE: Final = 0.12
"""Charge over what the rest reading said was missing, of rated capacity, that a sound block would not have taken: about
three standard errors of what a reading at the bench tells of it. Invented."""

MORE_CHARGE_SHARE: Final = 1.645 / 3 * MUCH_CHARGE_SHARE
"""The same from which it is past what the reading can be off by, nineteen times in twenty. Derived from the three
standard errors above. Of 358 simulated charges 90 lie above it; into 82 of these a plan would have put less."""


_OF_CHARGE: Final = ("charge_share", "charge_surplus_share", "charge_rate_per_h", "before_missing_share", "ambient_c")
"""Those of them that tell of the charge itself."""


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
    missing, put_in = row["before_missing_share"], f"{put_in_ah:.1f}"
    if isnan(missing):
        if not surplus > MUCH_CHARGE_SHARE:
            return []
        text = say(
            "Put in %(put_in)s Ah, and no reading from before says how much was missing: the block may be overcharged. "
            "Look for swelling, leaks and heat. The promise is reckoned as if less had gone in.",
            put_in=put_in,
        )
        return [Flag("overcharge", text, grave=True)]
    beyond = row["charge_surplus_share"]
    if not beyond > MORE_CHARGE_SHARE:
        return []
    lacked = f"{put_in_ah * max(missing, 0.0) / row['charge_share']:.1f}"
    if not beyond > MUCH_CHARGE_SHARE:
        text = say(
            "Put in %(put_in)s Ah, and by the reading before it about %(missing)s Ah was missing: more than a top-up "
            "plan lets in. Check the figure, and watch the block for heat and swelling.",
            put_in=put_in,
            missing=lacked,
        )
        return [Flag("more-than-missing", text)]
    text = say(
        "Put in %(put_in)s Ah, about %(missing)s Ah was missing: the block may be overcharged, or it was further down "
        "than it read. Look for swelling, leaks and heat, and read all blocks at rest again. The promise is reckoned "
        "as if no more had gone in than was missing.",
        put_in=put_in,
        missing=lacked,
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

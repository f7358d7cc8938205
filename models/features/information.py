"""What each reading says of the topped block, as information that adds up: charge missing, loss and excess resistance.

A reading of the block shows, through the open-circuit curve, an apparent missing charge

    m + λ τ + k x + noise,

with m missing right after the charge, λ lost per day, τ days since (more at first: `self_discharge.FRESH_FACTOR`), x
the block's resistance beyond the others' and k how much charge one milliohm looks like at the reading's current. So
all readings of a visit are summed up in one matrix and one vector, and visits add up. `block_estimate` joins them.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Floats, Rows
from models.features.definitions import Evidence
from models.packs.family import PackFamily
from models.physics.cell_curves import ocv_v, resistance_mohm
from models.physics.imbalance import AGED_RESISTANCE
from models.physics.self_discharge import FRESH_DAYS, FRESH_FACTOR

VISITS: Final[Mapping[str, Evidence]] = {
    "before": "readings before",
    "release": "readings after",
    "holding": "while holding",
}
"""Readings before the charge, at the release and since; and the evidence they are."""

PAIRS: Final = ("mm", "ml", "mx", "ll", "lx", "xx")
SINGLES: Final = ("m", "l", "x")
TERMS: Final = (*PAIRS, *SINGLES, *(f"v{name}" for name in SINGLES))
"""Entries of the matrix, of the vector, and by how much the vector rises for each volt a cell that all readings lie
higher than thought: the topping charge leaves an offset of voltage that depends on the charge put in."""

INFORMATION: Final[Mapping[str, Evidence]] = {
    f"{visit}_{term}": evidence for visit, evidence in VISITS.items() for term in TERMS
}
"""Columns in which a moment's readings are summed up; NaN where there are none."""

SWING_SHARE: Final = 0.06
"""How far from the centre of the swing a test under current is taken, as a share of rated capacity. Invented."""

REST_NOISE_V: Final = 0.0006
LOAD_NOISE_V: Final = 0.0013
"""Error of a block's deviation per cell, at rest and under current: a fair meter's 7 mV and the 15 mV of reading
through the car on 12 cells. Invented."""

REST_ERROR_SHARE: Final = 0.01
LOAD_ERROR_SHARE: Final = 0.02
"""What the curve leaves open, as a share of rated capacity: where the others stand, how far the test went. Invented."""

GUESSED_CURRENT_MOHM: Final = 0.25
"""Further error where the current was not noted: of that resistance per cell times the current. Invented."""

LEAST_MISSING, MOST_MISSING = -0.4, 0.9
"""Range in which the missing charge is sought, as a share of rated capacity."""

FLATTEST_V: Final = 5e-4
"""Least fall of voltage over 4 % of charge that is divided by: on a flatter curve nothing is learned."""


def days_of_loss(days: Floats) -> Floats:
    """Days since a charge, counting the first ones for more: a fresh charge leaks faster. 0 before it."""
    since = np.maximum(days, 0.0)
    return since - (FRESH_FACTOR - 1.0) * FRESH_DAYS * np.expm1(-since / FRESH_DAYS)


def apparent_missing(family: PackFamily, deviation_v: Floats, current_a: Floats) -> tuple[Floats, Floats]:
    """Charge missing in a block that explains its deviation from the others at a current.

    Parameters
    ----------
    deviation_v : array, shape (n,)
        Per cell, V.
    current_a : array, shape (n,)
        Discharge positive; 0 at rest.

    Returns
    -------
    missing : array, shape (n,)
        As a share of rated capacity, between `LEAST_MISSING` and `MOST_MISSING`, for a block of the others' resistance.
    per_v : array, shape (n,)
        By how much that rises for each volt a cell that the deviation falls.
    """
    centre = family.soc_target - SWING_SHARE * np.sign(current_a)

    def loaded(missing: Floats) -> Floats:
        soc = centre - missing
        ohm = 1e-3 * AGED_RESISTANCE * np.where(
            current_a < 0,
            resistance_mohm(family.curves, soc, charging=True),
            resistance_mohm(family.curves, soc),
        )  # fmt: skip
        return np.asarray(ocv_v(family.curves, soc) - current_a * ohm)

    level = loaded(np.zeros(len(current_a)))
    low, high = np.full(len(current_a), LEAST_MISSING), np.full(len(current_a), MOST_MISSING)
    for _ in range(16):
        middle = (low + high) / 2
        above = loaded(middle) - level > deviation_v
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    missing = (low + high) / 2
    return missing, 0.04 / np.maximum(loaded(missing - 0.02) - loaded(missing + 0.02), FLATTEST_V)


def visit_share(moment: Rows, current_a: Floats, day: Floats, visit_days: float) -> Floats:
    """Let readings of one visit count as one: what the curve and the meter leave open is the same in each of them.

    Parameters
    ----------
    moment : int array, shape (r,)
        Which moment each reading belongs to.
    current_a : array, shape (r,)
        Its sign parts readings at rest, under load and under charge.
    day : array, shape (r,)
        When each was taken, rising within a moment.
    visit_days : float
        Readings alike no further apart than this, one after the other, are of one visit.

    Returns
    -------
    array, shape (r,)
        One by the number of readings alike in the visit.
    """
    sign = np.sign(current_a)
    order = np.lexsort((day, sign, moment))
    apart = np.diff(moment[order]).astype(bool) | np.diff(sign[order]).astype(bool) | (np.diff(day[order]) > visit_days)
    visit = np.empty(len(order), dtype=np.intp)
    visit[order] = np.concatenate([[0], np.cumsum(apart)])[: len(order)]
    return np.asarray(1.0 / np.bincount(visit)[visit])


def add_up(
    moment: Rows,
    missing: Floats,
    per_v: Floats,
    current_a: Floats,
    guessed: NDArray[np.bool_],
    days: Floats,
    share: Floats,
    count: int,
) -> dict[str, Floats]:
    """Sum up the readings of each moment.

    Parameters
    ----------
    moment : int array, shape (r,)
        Which moment each reading belongs to.
    missing, per_v : array, shape (r,)
        From `apparent_missing`.
    current_a : array, shape (r,)
    guessed : bool array, shape (r,)
        The current was not noted.
    days : array, shape (r,)
        `days_of_loss` at each reading.
    share : array, shape (r,)
        By how much a reading counts: `visit_share`.
    count : int
        Number of moments.

    Returns
    -------
    dict of str to array, shape (count,)
        By `TERMS`; NaN for a moment without a reading.
    """
    rest = current_a == 0
    noise = np.hypot(
        per_v * np.where(rest, REST_NOISE_V, LOAD_NOISE_V), np.where(rest, REST_ERROR_SHARE, LOAD_ERROR_SHARE)
    )
    noise = np.hypot(noise, np.where(guessed, 1e-3 * GUESSED_CURRENT_MOHM, 0.0) * np.abs(current_a) * per_v)
    weight = share / noise**2
    by = {"m": np.ones(len(weight)), "l": days, "x": 1e-3 * current_a * per_v}

    def total(values: Floats) -> Floats:
        return np.bincount(moment, values, minlength=count).astype(np.float64)

    out = {pair: total(weight * by[pair[0]] * by[pair[1]]) for pair in PAIRS}
    out |= {name: total(weight * by[name] * missing) for name in SINGLES}
    # Under charge all blocks are on one branch, so none stands out by its offset.
    out |= {f"v{name}": total(weight * by[name] * np.where(current_a < 0, 0.0, -per_v)) for name in SINGLES}
    return {name: np.where(out["mm"] > 0, values, np.nan) for name, values in out.items()}

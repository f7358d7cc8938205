"""The topped block's charge, loss and resistance as all evidence together has it, with errors: one normal equation.

Unknown are m, the charge missing right after the top-up; λ, the loss per day at the expected temperature; x, the
block's resistance beyond the others'; and q, by how much the charge put in lifted the block against what it would a
sound one (a faded block is fuller for the same charge). Everything measured is linear in these, so that the best
estimate and its error follow from sums over the evidence (weighted least squares with a prior; any textbook of linear
estimation). What is missing simply adds nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.features.information import PAIRS, SINGLES, days_of_loss

PRIOR_LOSS_AT_25C: Final = 0.033
"""Loss of a weak block per day at 25 °C before anything is measured, and its error: a pack commonly lasts one to two
weeks (common practice, no source) over a margin of about a quarter, in cool weather."""

USUAL_LEAK_FACTOR: Final = 0.6
"""Of an unknown temperature: about 18 °C. Invented."""

PRIOR_LEVEL: Final = (0.03, 0.12)
PRIOR_EXCESS_MOHM: Final = (0.0, 0.35)
PRIOR_EFFECT: Final = (1.1, 0.15)
"""Mean and standard deviation of m, x (per cell) and q. Invented; of q: blocks hold 8 % less than rated when new (NREL
ADVISOR ESS_NIMH6: 5.995 of 6.5 Ah), and a charge is noted to about 5 %."""

USUAL_CHARGE: Final = 0.25
UNKNOWN_CHARGE_SD: Final = 0.5
"""Charge assumed where none was noted, as a share of rated capacity, and the error of q then. Invented."""

END_ERROR: Final = 0.035
"""Error of the missing charge read off the voltage at the end of the charge, mostly that of where the others stand."""

EARLIER_ERROR: Final = (0.002, 0.25)
"""Error of the loss that an earlier hold tells: a part of its own and a share of it. Invented."""

DECLINE_ERROR: Final = 0.008
"""Error of the loss between an earlier visit and the fault: measured under other use and weather. Invented."""

FULL_OFFSET_SHARE: Final = 0.1
"""Charge, as a share of rated capacity, over which a block moves to its charge branch (as `day_loop.top_up`)."""

OVERSHOOT: Final = 1.1
"""Missing charge found at a fault as a multiple of what would just bring it on. Invented."""

CRITICAL_ERROR: Final = 0.2
OWN_CRITICAL_ERROR: Final = 0.08
"""Relative errors of the family's critical charge and of the pack's own, as found at the fault. Invented."""

LEAST_LOSS: Final = 5e-4
"""Loss per day that passage times are reckoned with at least."""

_PLACE: Final = {"m": 0, "l": 1, "x": 2}


class _Normal:
    """Normal equations of n rows in four unknowns."""

    def __init__(self, rows: int) -> None:
        self.matrix = np.zeros((rows, 4, 4))
        self.vector = np.zeros((rows, 4))

    def add(self, columns: Mapping[str, Floats], visit: str, axes: Floats) -> None:
        """Add a visit's sums; axes, shape (3, n, 4), say what m, λ and x of the visit are in the unknowns."""
        for pair in PAIRS:
            i, j = (axes[_PLACE[name]] for name in pair)
            value = np.nan_to_num(columns[f"{visit}_{pair}"])[:, None, None]
            both = i[:, :, None] * j[:, None, :]
            self.matrix += value * (both if pair[0] == pair[1] else both + both.transpose(0, 2, 1))
        for name in SINGLES:
            self.vector += np.nan_to_num(columns[f"{visit}_{name}"])[:, None] * axes[_PLACE[name]]

    def see(self, axis: Floats, value: Floats | float, error: Floats | float) -> None:
        """Add a measured value of a combination of the unknowns, shape (n, 4); NaN where nothing was measured."""
        shape = len(axis)
        value, error = np.broadcast_to(value, shape), np.broadcast_to(error, shape)
        known = ~(np.isnan(value) | np.isnan(error))
        weight = np.where(known, 1.0 / np.where(known, error, 1.0) ** 2, 0.0)
        self.matrix += weight[:, None, None] * axis[:, :, None] * axis[:, None, :]
        self.vector += (weight * np.where(known, value, 0.0))[:, None] * axis


def estimate(columns: Mapping[str, Floats], hysteresis_v: Floats) -> dict[str, Floats]:
    """Join the evidence of n moments.

    Parameters
    ----------
    columns : mapping of str to array, shape (n,)
        The sums of `block_information.INFORMATION`; ``charge_share``, ``end_missing_share``, ``held_days``,
        ``leak_factor``, ``critical_share``, ``last_loss_share_per_day`` and ``before_decline_share_per_day``.
    hysteresis_v : array, shape (n,)
        Offset of a topped cell, V.

    Returns
    -------
    dict of str to array, shape (n,)
        Features, as `models.features.definitions.FEATURES` describes them.
    """
    rows = len(hysteresis_v)
    charge = columns["charge_share"]
    noted = ~np.isnan(charge)
    put_in = np.where(noted, charge, USUAL_CHARGE)
    factor = np.where(np.isnan(columns["leak_factor"]), USUAL_LEAK_FACTOR, columns["leak_factor"])
    level, loss, excess, effect = (np.tile(axis, (rows, 1)) for axis in np.eye(4))
    before = level + put_in[:, None] * effect

    normal = _Normal(rows)
    nothing = np.zeros((rows, 4))
    normal.add(columns, "before", np.stack([before, nothing, excess]))
    for visit in ("release", "holding"):
        normal.add(columns, visit, np.stack([level, loss, excess]))
    # Readings at the release were taken with the whole offset; less charge left less of it.
    lacking = hysteresis_v * np.exp(-put_in / FULL_OFFSET_SHARE)
    for name in SINGLES:
        normal.vector[:, _PLACE[name]] += lacking * np.nan_to_num(columns[f"release_v{name}"])
    normal.see(level, *PRIOR_LEVEL)
    normal.see(loss, PRIOR_LOSS_AT_25C * factor, PRIOR_LOSS_AT_25C * factor)
    normal.see(excess, *PRIOR_EXCESS_MOHM)
    normal.see(effect, PRIOR_EFFECT[0], np.where(noted, PRIOR_EFFECT[1], UNKNOWN_CHARGE_SD))
    normal.see(level, columns["end_missing_share"], END_ERROR)
    earlier = columns["last_loss_share_per_day"]
    # An earlier charge lasted its hold, so the loss is that charge per day, lifted by the same q.
    normal.see(
        loss - np.nan_to_num(earlier)[:, None] * effect,
        np.where(np.isnan(earlier), np.nan, 0.0),
        EARLIER_ERROR[0] + EARLIER_ERROR[1] * np.abs(earlier),
    )
    normal.see(loss, columns["before_decline_share_per_day"], DECLINE_ERROR)

    spread = np.linalg.inv(normal.matrix)
    found = np.einsum("nij,nj->ni", spread, normal.vector)

    def read(axis: Floats) -> tuple[Floats, Floats]:
        return (axis * found).sum(axis=1), np.sqrt(np.einsum("ni,nij,nj->n", axis, spread, axis))

    held = columns["held_days"]
    (loss_now, loss_error), (excess_now, excess_error), (effect_now, effect_error) = map(read, (loss, excess, effect))
    missing, missing_error = read(level + days_of_loss(held)[:, None] * loss)
    at_fault, at_fault_error = read(before)
    family = columns["critical_share"]
    trust = np.array([(CRITICAL_ERROR * family) ** -2, 1 / (at_fault_error**2 + (OWN_CRITICAL_ERROR * at_fault) ** 2)])
    critical = (trust[0] * family + trust[1] * at_fault / OVERSHOOT) / trust.sum(axis=0)
    pace = np.maximum(loss_now, LEAST_LOSS)
    margin = critical - missing
    passage = np.maximum(margin, 0.0) / pace
    return {
        "level_estimate_share": read(level)[0],
        "loss_share_per_day": loss_now,
        "loss_error_share_per_day": loss_error,
        "loss_in_errors": loss_now / loss_error,
        "loss_at_25c_share_per_day": loss_now / factor,
        "excess_mohm_per_cell": excess_now,
        "excess_error_mohm_per_cell": excess_error,
        "charge_effect": effect_now,
        "charge_effect_error": effect_error,
        "missing_share": missing,
        "missing_error_share": missing_error,
        "own_critical_share": critical,
        "margin_share": margin,
        "passage_days": passage,
        "passage_error_days": np.hypot(missing_error, passage * loss_error) / pace,
        "family_passage_days": np.maximum(family - missing, 0.0) / pace,
        "charge_passage_days": charge / pace - held,
        "earlier_passage_days": charge / earlier - held,
    }

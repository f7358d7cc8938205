"""What workshops do: measure, top up the block they believe weak, look again, replace, lose sight. All invented."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from models.block_voltage import resistance_temperature_factor
from models.cell_curves import ocv_v, resistance_mohm
from models.families import PackFamily
from models.pack_state import PackState


@dataclass(frozen=True)
class WorkshopHabits:
    """How the workshops of a cohort behave.

    Attributes
    ----------
    orders_pack : float
        Share of cases for which a pack is ordered on the day of the fault.
    lead_time_days, lead_time_sd : float
        Median of the delivery time and the standard deviation of its logarithm.
    repeat_share : float
        Share of returned packs that are topped up once more when no pack is there.
    max_topups : int
    recheck_share : float
        Share of packs that are looked at again while holding; half of these a second time.
    lost_per_day : float
        Rate at which contact is lost or a vehicle is taken out of use, per day.
    wrong_block_share : float
        Share of top-ups that go to a neighbour of the block meant.
    telematics_share : float
        Share of packs that report a weekly or daily summary under load.
    thin_share : float
        Share of records kept to the minimum: one rest snapshot before, one after, nothing else.
    replaces : bool
        Whether packs are replaced, or lost sight of, before their fault returns. Off gives uncensored outcomes.
    """

    orders_pack: float = 0.65
    lead_time_days: float = 14.0
    lead_time_sd: float = 0.5
    repeat_share: float = 0.6
    max_topups: int = 4
    recheck_share: float = 0.5
    lost_per_day: float = 0.0012
    wrong_block_share: float = 0.015
    telematics_share: float = 0.15
    thin_share: float = 0.12
    replaces: bool = True


@dataclass
class Charging:
    """One topping charge of m packs, as it happened and as it was noted down.

    Attributes
    ----------
    stored_ah : array, shape (m,)
        What stays in the block.
    charge_ah, end_v, duration_h : array, shape (m,)
        What was noted; NaN where it was not.
    hours : array, shape (m,)
        How long it took.
    """

    stored_ah: NDArray[np.float64]
    charge_ah: NDArray[np.float64]
    end_v: NDArray[np.float64]
    duration_h: NDArray[np.float64]
    hours: NDArray[np.float64]


def believed_weak(rest_v: NDArray[np.float64], load_v: NDArray[np.float64], family: PackFamily) -> NDArray[np.intp]:
    """Block that the readings make look weakest, shape (m,).

    The lowest under load if it is far down there, else the lowest at rest; whichever was read.

    Parameters
    ----------
    rest_v, load_v : array, shape (m, b)
        NaN rows where that state was not read.
    family : PackFamily
    """

    def below(volts: NDArray[np.float64]) -> NDArray[np.float64]:
        known = ~np.isnan(volts).all(axis=1)
        middle = np.zeros(len(volts))
        middle[known] = np.nanmedian(volts[known], axis=1)
        return np.where(np.isnan(volts), -np.inf, middle[:, None] - volts)

    rest, load = below(rest_v), below(load_v)
    rest_says = rest.max(axis=1) > 0.25 * family.rest_spread_limit_v
    load_says = load.max(axis=1) > 0.2 * family.discharge_spread_limit_v
    use_load = np.isfinite(load.max(axis=1)) & ((load_says & ~rest_says) | ~np.isfinite(rest.max(axis=1)))
    return np.where(use_load, load.argmax(axis=1), rest.argmax(axis=1))


def charge_block(
    family: PackFamily,
    state: PackState,
    block: NDArray[np.intp],
    apparent_v: NDArray[np.float64],
    ambient_c: NDArray[np.float64],
    rng: np.random.Generator,
) -> Charging:
    """Decide and carry out the charge of one block of m packs, without changing the state.

    Parameters
    ----------
    family : PackFamily
    state : PackState
        m packs.
    block : int array, shape (m,)
    apparent_v : array, shape (m,)
        Deviation of the block below the median at rest as the technician read it, V (0 where not read).
    ambient_c : array, shape (m,)
    rng : Generator

    Returns
    -------
    Charging

    Notes
    -----
    Three habits: stop when the rest voltage looks level (which hysteresis makes too early), put in the
    ampere-hours worked out from the deviation, or charge to an end voltage.
    """
    m = len(block)
    rows = np.arange(m)
    charge, capacity = state.charge_ah[rows, block], state.capacity_ah[rows, block]
    slope_v = family.cells_per_block * max(float(np.diff(ocv_v(family.curves, np.array([0.3, 0.6])))[0]) / 0.3, 1e-3)
    by_slope = np.clip(apparent_v / slope_v, 0.05, 0.6) * family.rated_ah
    habit = rng.choice(3, m, p=[0.2, 0.45, 0.35])
    wanted = np.choose(
        habit,
        [
            by_slope * rng.uniform(0.55, 0.95, m),
            by_slope * np.exp(0.2 * rng.standard_normal(m)) * 1.1,
            np.maximum(rng.uniform(family.soc_target - 0.02, family.soc_high + 0.02, m) * capacity - charge, 0.05 * family.rated_ah),
        ],
    )
    stored = np.clip(wanted, 0.04 * family.rated_ah, np.maximum(family.soc_high * capacity - charge, 0.04 * family.rated_ah))
    efficiency = np.clip(family.coulombic_efficiency + 0.05 * (1 - family.coulombic_efficiency) * rng.standard_normal(m) + 0.02, 0.5, 1)
    rate_a = family.rated_ah / rng.uniform(8, 12, m)
    put_in = stored / efficiency
    hours = put_in / rate_a
    soc = (charge + stored) / capacity
    warm = resistance_temperature_factor(family, ambient_c + 3)
    ohm = 1e-3 * (
        family.cells_per_block * resistance_mohm(family.curves, soc, charging=True) * warm * state.resistance_scale[rows, block]
        + state.joint_mohm[rows, block]
    )
    polarisation_v = 0.012  # per cell under a C/10 charge; invented
    end = state.live_cells[rows, block] * (ocv_v(family.curves, soc) + family.hysteresis_charge_v + polarisation_v) + rate_a * ohm

    def noted(values: NDArray[np.float64], missing: float) -> NDArray[np.float64]:
        return np.where(rng.random(m) < missing, np.nan, values)

    return Charging(
        stored_ah=stored,
        charge_ah=noted(np.round(np.maximum(put_in * (1 + 0.05 * rng.standard_normal(m)), 0.01), 2), 0.12),
        end_v=noted(np.round(end + 0.01 * rng.standard_normal(m), 2), 0.2),
        duration_h=noted(np.maximum(np.round(hours, 1), 0.1), 0.2),
        hours=hours,
    )

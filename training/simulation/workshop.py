"""What workshops do: measure, top up the block they believe weak, look again, replace, lose sight. All invented."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.physics.block_voltage import resistance_temperature_factor
from models.physics.cell_curves import ocv_v, resistance_mohm, soc_from_rest
from models.physics.imbalance import pack_median_v
from models.physics.pack_state import PackState
from training.files.ranges import require_ranges
from training.simulation.world import PackLaws

BAD_REST_SHARE: Final = 0.36
"""Rest deviation usually called bad, as a share of the monitor's limit at rest: 0.25 V of 0.7 V on a 12-cell block."""


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
    worst_first : bool
        A pack that has come goes in soon where the readings looked bad; else whenever its turn is.
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
    worst_first: bool = True
    replaces: bool = True

    def __post_init__(self) -> None:
        shares = ("orders_pack", "repeat_share", "recheck_share", "wrong_block_share", "telematics_share", "thin_share")
        ranges = dict.fromkeys(shares, (0.0, 1.0))
        more = {
            "lead_time_days": (0.0, 365.0),
            "lead_time_sd": (0.0, 3.0),
            "max_topups": (1.0, 50.0),
            "lost_per_day": (0.0, 1.0),
        }
        require_ranges(self, ranges | more, "habits.")


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

    The one furthest below the median at rest and under load together, each against what is usually called bad (0.2
    to 0.3 V at rest, 1.0 to 1.2 V under load on a 14.4 V block: common practice, no source).

    Parameters
    ----------
    rest_v, load_v : array, shape (m, b)
        NaN rows where that state was not read.
    """

    def below(volts: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.nan_to_num(pack_median_v(volts)[:, None] - volts)

    together = (
        below(rest_v) / (BAD_REST_SHARE * family.rest_spread_limit_v) + below(load_v) / family.discharge_spread_limit_v
    )
    return np.asarray(together.argmax(axis=1))


def charge_block(
    family: PackFamily,
    state: PackState,
    block: NDArray[np.intp],
    apparent_v: NDArray[np.float64],
    ambient_c: NDArray[np.float64],
    rng: np.random.Generator,
    laws: PackLaws | None = None,
) -> Charging:
    """Decide and carry out the charge of one block of m packs, without changing the state.

    Parameters
    ----------
    state : PackState
        m packs.
    block : int array, shape (m,)
    apparent_v : array, shape (m,)
        Deviation of the block below the median at rest as the technician read it, V (0 where not read).
    ambient_c : array, shape (m,)
    laws : PackLaws, optional
        The usual world's unless given.

    Notes
    -----
    Three habits: stop when the rest voltage looks level (which hysteresis makes too early), put in the
    ampere-hours worked out from the deviation, or charge to an end voltage. Nobody leaves a block standing so far
    above the others that it would soon be called out itself: half the spread limit under charge. On a flat curve
    that binds nobody, on a steep one (lithium-ion) it does.
    """
    m = len(block)
    rows = np.arange(m)
    laws = PackLaws.usual(m) if laws is None else laws
    charge, capacity = state.charge_ah[rows, block], state.capacity_ah[rows, block]
    slope_v = family.cells_per_block * max(float(np.diff(ocv_v(family.curves, np.array([0.3, 0.6])))[0]) / 0.3, 1e-3)
    by_slope = np.clip(apparent_v / slope_v, 0.05, 0.6) * family.rated_ah
    way = laws.way("charging")
    one_way = [way == "until level", way == "by dose", way == "to an end voltage"]
    habit = np.select(one_way, [0, 1, 2], rng.choice(3, m, p=[0.2, 0.45, 0.35]))
    target_v = float(ocv_v(family.curves, np.array([family.soc_target]))[0])
    usual_highest = min(
        float(
            soc_from_rest(
                family.curves, np.array([target_v + 0.5 * family.charge_spread_limit_v / family.cells_per_block])
            )[0]
        ),
        family.soc_high,
    )
    fullest = laws.number("fullest").astype(np.float64)
    highest = np.where(fullest > 0, family.soc_high + fullest, usual_highest)
    wanted = laws.number("dose") * np.choose(
        habit,
        [
            by_slope * rng.uniform(0.55, 0.95, m),
            by_slope * np.exp(0.2 * rng.standard_normal(m)) * 1.1,
            np.maximum(
                rng.uniform(family.soc_target - 0.02, highest + 0.02, m) * capacity - charge, 0.05 * family.rated_ah
            ),
        ],
    )
    stored = np.clip(wanted, 0.04 * family.rated_ah, np.maximum(highest * capacity - charge, 0.04 * family.rated_ah))
    lost = 1 - family.coulombic_efficiency
    efficiency = np.clip(family.coulombic_efficiency + 0.25 * lost * rng.standard_normal(m), 0.5, 1)
    rate_a = family.rated_ah / rng.uniform(8, 12, m)
    put_in = stored / efficiency
    hours = put_in / rate_a
    soc = (charge + stored) / capacity
    missing = laws.number("notes missing").astype(np.float64)
    warm = resistance_temperature_factor(family, ambient_c + 3)
    ohm = 1e-3 * (
        family.cells_per_block
        * resistance_mohm(family.curves, soc, charging=True)
        * warm
        * state.resistance_scale[rows, block]
        + state.joint_mohm[rows, block]
    )
    polarisation_v = 0.012  # per cell under a C/10 charge; invented
    end = (
        state.live_cells[rows, block] * (ocv_v(family.curves, soc) + family.hysteresis_charge_v + polarisation_v)
        + rate_a * ohm
    )

    def noted(values: NDArray[np.float64], share: float) -> NDArray[np.float64]:
        return np.where(rng.random(m) < share * missing, np.nan, values)

    told = put_in * laws.number("charge noted bias") * (1 + laws.number("charge noted sd") * rng.standard_normal(m))
    end = end + laws.number("lead drop")

    return Charging(
        stored_ah=stored,
        charge_ah=noted(np.round(np.maximum(told, 0.01), 2), 0.12),
        # A block whose only cell is shorted shows nothing: the least that a meter tells.
        end_v=noted(np.maximum(np.round(end + 0.01 * rng.standard_normal(m), 2), 0.01), 0.2),
        duration_h=noted(np.maximum(np.round(hours, 1), 0.1), 0.2),
        hours=hours,
    )

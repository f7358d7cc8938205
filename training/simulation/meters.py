"""What a meter or the car's own channels show of the true block voltages."""

from __future__ import annotations

from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.packs.tables import VOLT_DECIMALS
from models.physics.block_voltage import block_voltage_v
from models.physics.cell_curves import ocv_v
from models.physics.pack_state import PackState
from training.files.ranges import require_ranges

LOAD_TEST_SHARE: Final = (0.02, 0.1)
"""How far a reading under load is taken from the centre of the swing, as a share of rated capacity. Invented."""

STATES: Final = ("rest", "discharge", "charge")


@dataclass(frozen=True)
class MeterQuality:
    """How good the meters of a place are. All invented.

    Attributes
    ----------
    bench_sd_v, car_sd_v : float
        Standard deviation of one reading of a 12-cell block on the bench and through the car, V; it shrinks with
        the square root of the cells in a block.
    noise_factor : float
        Multiplies both; 2 stands for a workshop with poor meters.
    rounding_factor : float
        Multiplies the steps to which voltages are rounded.
    channel_sd_v : float
        Standard deviation of the fixed error of each of a pack's channels, of a 12-cell block, V.
    missing_channel, stuck_channel, swapped_leads, wrong_clock : float
        Share of visits with each fault.
    """

    bench_sd_v: float = 0.004
    car_sd_v: float = 0.015
    noise_factor: float = 1.0
    rounding_factor: float = 1.0
    channel_sd_v: float = 0.0
    missing_channel: float = 0.02
    stuck_channel: float = 0.006
    swapped_leads: float = 0.006
    wrong_clock: float = 0.01

    def __post_init__(self) -> None:
        shares = dict.fromkeys(("missing_channel", "stuck_channel", "swapped_leads", "wrong_clock"), (0.0, 1.0))
        volts = dict.fromkeys(("bench_sd_v", "car_sd_v", "channel_sd_v"), (0.0, 1.0))
        factors = {"noise_factor": (0.0, 100.0), "rounding_factor": (0.01, 100.0)}
        require_ranges(self, shares | volts | factors, "meters.")


class PackMeters:
    """The meters of m packs, each as good as those of its own place: `MeterQuality`, its attributes as arrays (m,).

    Parameters
    ----------
    which : int array, shape (m,)
        Which of them each pack is read with.
    """

    def __init__(self, qualities: Sequence[MeterQuality], which: NDArray[np.intp]) -> None:
        for field in fields(MeterQuality):
            setattr(self, field.name, np.array([getattr(q, field.name) for q in qualities])[which])

    if TYPE_CHECKING:

        def __getattr__(self, name: str) -> NDArray[np.float64]: ...

    def take(self, rows: NDArray[np.intp]) -> PackMeters:
        """Return the meters of some packs."""
        part = copy(self)
        for field in fields(MeterQuality):
            setattr(part, field.name, getattr(self, field.name)[rows])
        return part


@dataclass
class Snapshot:
    """Readings of m packs in one state.

    Attributes
    ----------
    current_a, temperature_c : array, shape (m,)
        As noted down.
    block_v : array, shape (m, b)
        As read; NaN for a channel that was not.
    offset_ah : array, shape (m,)
        Charge of that moment relative to the centre of the swing, common to the string, Ah: nobody saw it.
    """

    current_a: NDArray[np.float64]
    temperature_c: NDArray[np.float64]
    block_v: NDArray[np.float64]
    offset_ah: NDArray[np.float64]


@dataclass(frozen=True)
class VisitFaults:
    """Faults that last for one visit of m packs; block numbers from 0, -1 where there is none."""

    missing: NDArray[np.intp]
    stuck: NDArray[np.intp]
    swapped: NDArray[np.intp]

    @classmethod
    def draw(cls, quality: MeterQuality | PackMeters, blocks: int, m: int, rng: np.random.Generator) -> VisitFaults:
        """Draw the faults of m visits."""

        def some(share: NDArray[np.float64] | float, count: int) -> NDArray[np.intp]:
            return np.where(rng.random(m) < share, rng.integers(0, count, m), -1)

        return cls(
            some(quality.missing_channel, blocks),
            some(quality.stuck_channel, blocks),
            some(quality.swapped_leads, blocks - 1),
        )


def read_blocks(
    family: PackFamily,
    state: PackState,
    kind: str,
    ambient_c: NDArray[np.float64],
    bench: NDArray[np.bool_],
    faults: VisitFaults,
    quality: MeterQuality | PackMeters,
    rng: np.random.Generator,
    unsettled_v: NDArray[np.float64] | float = 0.0,
) -> Snapshot:
    """Read all blocks of m packs once.

    Parameters
    ----------
    state : PackState
        m packs.
    kind : {"rest", "discharge", "charge"}
    ambient_c : array, shape (m,)
        Where the pack stands; under load it is warmer.
    bench : bool array, shape (m,)
        Bench meter (fine) or the car's own channels (coarse).
    unsettled_v : array, shape (m, b), optional
        By how much each block's voltage is off that of its charge.
    """
    m = state.packs
    peak = family.peak_current_a
    low, high, sign = {"rest": (0.0, 0.0, 0), "discharge": (0.25, 0.7, 1), "charge": (0.15, 0.4, -1)}[kind]
    current = sign * peak * rng.uniform(low, high, m)
    temperature = ambient_c + (0 if kind == "rest" else 6) + 1.5 * rng.standard_normal(m)
    # The string as a whole stands a little above or below the centre of its swing, and between its branches; a
    # test under load draws it down, one under charge lifts it.
    swing = rng.uniform(*LOAD_TEST_SHARE, m)
    offset = family.rated_ah * (0.035 * rng.standard_normal(m) - sign * swing)
    return read_at(family, state, kind, current, temperature, offset, bench, faults, quality, rng, unsettled_v)


def read_at(
    family: PackFamily,
    state: PackState,
    kind: str,
    current_a: NDArray[np.float64],
    temperature_c: NDArray[np.float64],
    offset_ah: NDArray[np.float64],
    bench: NDArray[np.bool_],
    faults: VisitFaults,
    quality: MeterQuality | PackMeters,
    rng: np.random.Generator,
    unsettled_v: NDArray[np.float64] | float = 0.0,
) -> Snapshot:
    """Read all blocks of m packs once, at a given current, temperature and place of the string in its swing.

    Parameters
    ----------
    family, state, kind, bench, faults, quality, rng
        As for `read_blocks`.
    current_a, temperature_c, offset_ah : array, shape (m,)
    unsettled_v : array, shape (m, b), optional
        By how much each block's voltage is off that of its charge.
    """
    m, b = state.packs, state.blocks
    common = family.cells_per_block * (family.hysteresis_charge_v * 0.4) * rng.standard_normal(m)
    volts = block_voltage_v(family, state, current_a, temperature_c, offset_ah) + common[:, None] + unsettled_v
    cells = np.sqrt(family.cells_per_block / 12)
    sd = np.where(bench, quality.bench_sd_v, quality.car_sd_v) * cells * quality.noise_factor
    volts = volts + sd[:, None] * rng.standard_normal((m, b))
    rounding = np.where(bench, 0.001 if cells < 0.5 else 0.01, 0.005 if cells < 0.5 else 0.02)[:, None]
    rounding = rounding * np.broadcast_to(quality.rounding_factor, (m,))[:, None]
    volts = np.round(np.round(volts / rounding) * rounding, VOLT_DECIMALS)
    # A stuck channel shows one and the same voltage whatever the state; a missing one shows nothing.
    stuck_v = np.round(family.cells_per_block * ocv_v(family.curves, np.array([family.soc_target]))[0], 2)
    for place, value in ((faults.stuck, stuck_v), (faults.missing, np.nan)):
        rows = np.flatnonzero(place >= 0)
        volts[rows, place[rows]] = value
    hit = np.flatnonzero(faults.swapped >= 0)
    first = faults.swapped[hit]
    volts[hit, first], volts[hit, first + 1] = volts[hit, first + 1].copy(), volts[hit, first].copy()
    sign = {"rest": 0, "discharge": 1, "charge": -1}[kind]
    noted_current = np.round(current_a + 0.5 * rng.standard_normal(m) * (current_a != 0), 1)
    noted_current = sign * np.maximum(sign * noted_current, 0.0)
    noted_current = np.where((rng.random(m) < 0.08) & (kind != "rest"), np.nan, noted_current)
    noted_temperature = np.where(rng.random(m) < 0.3, np.nan, np.round(temperature_c + rng.standard_normal(m), 0))
    return Snapshot(noted_current, noted_temperature, volts, offset_ah)

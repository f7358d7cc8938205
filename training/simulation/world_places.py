"""Habits and meters in a world: those that a plan asks for, changed as the world differs from the usual one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from training.simulation.meters import MeterQuality
from training.simulation.workshop import WorkshopHabits
from training.simulation.world import NUMBERS, World

HABITS: Final = {
    "orders_pack": "orders",
    "lead_time_days": "lead time",
    "repeat_share": "repeat",
    "recheck_share": "recheck",
    "lost_per_day": "lost",
    "wrong_block_share": "wrong block",
    "telematics_share": "telematics",
    "thin_share": "thin",
}
"""Fields of `WorkshopHabits` and the numbers of a world that multiply them."""

MOST: Final = {"lead_time_days": 365.0}
"""The most a habit can be, where it is no share."""


def relative(world: World, number: str) -> float:
    """Return a number of a world as a multiple of the usual world's."""
    return world.numbers[number] / NUMBERS[number].usual


def habits_in(world: World, habits: WorkshopHabits) -> WorkshopHabits:
    """Return a plan's habits as they are in a world; in the usual one they are the plan's."""
    changed = {
        field: min(getattr(habits, field) * relative(world, number), MOST.get(field, 1.0))
        for field, number in HABITS.items()
    }
    way = world.switches["replacement"]
    if way == "never":
        changed["orders_pack"] = 0.0
    return replace(habits, **changed, worst_first=habits.worst_first and way == "worst first")


def meters_in(world: World, meters: MeterQuality) -> MeterQuality:
    """Return a plan's meters as they are in a world; in the usual one they are the plan's."""
    apart = world.numbers["channel sd"] if world.switches["channels"] == "apart" else 0.0
    return replace(
        meters,
        noise_factor=min(meters.noise_factor * relative(world, "meter noise"), 100.0),
        rounding_factor=float(np.clip(meters.rounding_factor * relative(world, "meter rounding"), 0.01, 100.0)),
        channel_sd_v=min(meters.channel_sd_v + apart, 1.0),
    )


class PackHabits:
    """The habits that n packs meet: `WorkshopHabits`, its attributes as arrays of shape (n,)."""

    def __init__(self, habits: Sequence[WorkshopHabits], which: NDArray[np.intp]) -> None:
        for field in fields(WorkshopHabits):
            setattr(self, field.name, np.array([getattr(h, field.name) for h in habits])[which])

    if TYPE_CHECKING:

        def __getattr__(self, name: str) -> NDArray[Any]: ...

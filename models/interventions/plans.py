"""What could be done with a topped-up pack instead, as interventions on its hidden state and on how it is used."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from models.base.arrays import Rows
from models.base.day_grid import HORIZON_DAYS
from models.base.errors import BadInput
from models.base.messages import say
from models.packs.family import PackFamily
from models.physics.block_voltage import block_voltage_v
from models.physics.day_step import recentre, top_up
from models.physics.pack_state import FloatArray, PackState
from models.physics.self_discharge import REFERENCE_C
from models.physics.use_process import UseProcess

NEW_WANDER_SHARE: Final = 0.5
"""Unexplained daily change of a new pack's blocks relative to that of the pack it replaces. Invented."""


@dataclass(frozen=True)
class Plan:
    """One way to go on from the moment of the forecast. Without any change it is the present plan.

    Attributes
    ----------
    name : str
        Short, to tell plans apart by.
    km_share, trips_share : float
        Kilometres and trips a day relative to the present plan, 0 to 5.
    cooler_k : float
        How much cooler the vehicle is parked, K; negative is warmer.
    start_after_days : int
        Days for which it stands before it is used.
    topped_blocks : int
        Blocks that get one more topping charge now: 0 none, 1 the one topped last, 2 that and the next weakest.
    stored_ah : float, optional
        Charge that stays in each of them; without it each is brought level with the others.
    clean_joints : bool
        The connections between the blocks are cleaned, or replaced, and tightened as the maker says: none is worse than
        the usual one of the pack any more.
    swap_block : bool
        The block topped last is exchanged for a sound one; the rest of the pack stays, the next weakest block with it.
    replace_pack : bool
        The whole pack is exchanged for a new one.
    """

    name: str
    km_share: float = 1.0
    trips_share: float = 1.0
    cooler_k: float = 0.0
    start_after_days: int = 0
    topped_blocks: int = 0
    stored_ah: float | None = None
    clean_joints: bool = False
    swap_block: bool = False
    replace_pack: bool = False

    def __post_init__(self) -> None:
        limits = {
            "km_share": (0.0, 5.0),
            "trips_share": (0.0, 5.0),
            "cooler_k": (-30.0, 30.0),
            "start_after_days": (0, HORIZON_DAYS),
            "topped_blocks": (0, 2),
            "stored_ah": (0.0, 500.0),
        }
        for name, (low, high) in limits.items():
            value = getattr(self, name)
            if value is not None and not low <= value <= high:
                raise BadInput.one(
                    f"plans.{self.name}.{name}",
                    f"is {value:g}, outside {low:g} to {high:g}.",
                    "Choose a value inside that range.",
                )
        if self.stored_ah is not None and not self.topped_blocks:
            raise BadInput.one(
                f"plans.{self.name}.stored_ah",
                "says how much is charged, but topped_blocks says that no block is.",
                "Set topped_blocks to 1 or 2, or leave stored_ah out.",
            )
        if self.clean_joints + self.swap_block + self.replace_pack + (self.topped_blocks > 0) > 1:
            raise BadInput.one(
                f"plans.{self.name}",
                "does more than one of a topping charge, cleaned connections, a swapped block and a new pack.",
                "Make a plan of each.",
            )

    @property
    def touches_pack(self) -> bool:
        """Whether somebody has to open the pack for it."""
        return bool(self.topped_blocks) or self.clean_joints or self.swap_block or self.replace_pack


PRESENT: Final = Plan(say("as planned"))
"""The present plan, with which all others are compared."""

CLEANED: Final = Plan(say("connections cleaned"), clean_joints=True)

USUAL_PLANS: Final[tuple[Plan, ...]] = (
    Plan(say("half the kilometres"), km_share=0.5),
    Plan(say("half the trips"), trips_share=0.5),
    Plan(say("parked 5 °C cooler"), cooler_k=5.0),
    Plan(say("start a week later"), start_after_days=7),
    Plan(say("one more topping charge"), topped_blocks=1),
    Plan(say("two blocks topped up"), topped_blocks=2),
    CLEANED,
    Plan(say("block swapped"), swap_block=True),
    Plan(say("pack replaced"), replace_pack=True),
)
"""The plans that are compared unless others are asked for."""


def rest_voltage_v(family: PackFamily, state: PackState) -> NDArray[np.float64]:
    """Rest voltage of every block at the centre of the swing, its own hysteresis left out, V, shape (n, b)."""
    even = replace(state, hysteresis=np.zeros_like(state.hysteresis))
    return block_voltage_v(family, even, np.zeros(state.packs), np.full(state.packs, REFERENCE_C))


def next_weakest(family: PackFamily, state: PackState, block: Rows) -> Rows:
    """Find the block with the lowest rest voltage among the others, shape (n,), from 0."""
    volts = rest_voltage_v(family, state)
    volts[np.arange(state.packs), block] = np.inf
    return np.asarray(volts.argmin(axis=1))


def missing_from_level_ah(state: PackState, block: Rows) -> FloatArray:
    """Charge that a block needs to stand at the same state of charge as the others, Ah, at least 0. Shape (n,)."""
    rows = np.arange(state.packs)
    # Of a block with sick cells, the mean of its cells.
    held = state.charge_ah - state.sick_behind_ah * state.sick_cells / np.maximum(state.live_cells, 1)
    share = held / state.capacity_ah
    own = share[rows, block]
    others = (share.sum(axis=1) - own) / np.float32(state.blocks - 1)
    return np.asarray(np.maximum((others - own) * state.capacity_ah[rows, block], 0), dtype=np.float32)


def planned_use(plan: Plan, use: UseProcess) -> UseProcess:
    """Return the use under a plan."""
    return replace(
        use,
        km_per_day=use.km_per_day * np.float32(plan.km_share),
        trips_per_day=use.trips_per_day * np.float32(plan.trips_share),
        warmth_c=use.warmth_c - np.float32(plan.cooler_k),
    )


def planned_state(plan: Plan, family: PackFamily, state: PackState, block: Rows) -> PackState:
    """Return the state of n packs just after what a plan does to them.

    Parameters
    ----------
    state : PackState
        Copied first.
    block : int array, shape (n,)
        The block topped last, from 0.
    """
    after = state.take(np.arange(state.packs))
    if plan.topped_blocks:
        second = next_weakest(family, after, block)
        for charged in (block, second)[: plan.topped_blocks]:
            missing = missing_from_level_ah(after, charged)
            stored = missing if plan.stored_ah is None else np.full_like(missing, plan.stored_ah)
            top_up(after, np.arange(after.packs), charged, stored)
    elif plan.clean_joints:
        after.joint_mohm = np.minimum(after.joint_mohm, np.median(after.joint_mohm, axis=1, keepdims=True))
        after.joint_growth[:] = 0
    elif plan.swap_block:
        _swap(family, after, block)
    elif plan.replace_pack:
        after = _new_pack(family, after)
    if plan.touches_pack:
        after.pending[:] = 0
        recentre(family, after)
    return after


def _swap(family: PackFamily, state: PackState, block: Rows) -> None:
    """Put a sound block, worn as its neighbours are and level with them, in the place of one, in place."""
    rows = np.arange(state.packs)
    level = np.median(state.charge_ah / state.capacity_ah, axis=1)
    for name in ("capacity_ah", "resistance_scale", "joint_mohm", "leak_per_day"):
        values = getattr(state, name)
        values[rows, block] = np.median(values, axis=1)
    state.charge_ah[rows, block] = level * state.capacity_ah[rows, block]
    state.live_cells[rows, block] = family.cells_per_block
    state.fade_per_day[rows, block] = np.median(state.fade_per_day, axis=1)
    for name in (
        "leak_growth",
        "joint_growth",
        "resistance_growth",
        "loss_per_ah",
        "hysteresis",
        "fresh",
        "sick_cells",
        "sick_behind_ah",
        "sick_leak_per_day",
        "drain_ah_per_day",
        "jump_per_day",
    ):
        getattr(state, name)[rows, block] = 0
    state.sick_capacity[rows, block] = 1


def _new_pack(family: PackFamily, state: PackState) -> PackState:
    """Return new packs behind the same controllers."""
    kept = (
        "centre_error",
        "centre_shift",
        "centre_memory",
        "centre_sd",
        "clog",
        "limit_factor",
        "spread_against",
        "monitor_runs",
        "severity_sd",
        "confirm_after",
        "keeps_pending",
        "runs_above_c",
        "runs_above_ah",
        "leak_ev",
        "charge_order",
        "fresh_factor",
        "hysteresis_size",
        "hysteresis_ah",
        "hysteresis_relax",
        "ocv_stretch",
    )
    return replace(
        PackState.alike(family, state.packs),
        **{name: getattr(state, name) for name in kept},
        wander_ah=state.wander_ah * np.float32(NEW_WANDER_SHARE),
    )

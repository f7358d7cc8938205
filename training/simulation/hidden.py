"""What is hidden in each simulated pack: nobody at a bench knows it, and no forecast asks for it. All invented."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from models.packs.family import PackFamily
from training.simulation.population import Population


def weakness(family: PackFamily, population: Population) -> dict[str, NDArray[np.float64]]:
    """Describe the weak block of each pack as it came in, and what else of the pack bears on how long it holds.

    Parameters
    ----------
    population : Population
        n packs of it.

    Returns
    -------
    dict of str to array, shape (n,)
        ``leak_per_day``, ``leak_growth``, ``loss_per_ah`` and ``joint_mohm`` of the weak block (`PackState`);
        ``capacity_share`` and ``resistance_ratio`` against the pack's median block; ``deficit_share`` of the rated
        capacity; ``sick_share`` of its cells that are sick; ``second_leak_per_day`` of the leakiest other block;
        ``centre_error``, ``clog``, ``limit_factor`` of the pack; ``km_per_day``, ``style``, ``warmth_c`` of its
        use (`UseProcess`).
    """
    state, use = population.state, population.use
    rows, weak = np.arange(state.packs), population.weak_block
    # All that a block loses at rest, as a share of its charge; of a block with sick cells, what these lose.
    held = np.maximum(state.charge_ah - state.sick_behind_ah, 0.1 * state.capacity_ah)
    leak = state.leak_per_day + state.sick_leak_per_day + state.drain_ah_per_day / held
    others = leak.astype(np.float64)
    others[rows, weak] = -np.inf

    def own(values: NDArray[np.float32]) -> NDArray[np.float64]:
        return values[rows, weak].astype(np.float64)

    def against_median(values: NDArray[np.float32]) -> NDArray[np.float64]:
        return own(values) / np.median(values, axis=1)

    return {
        "leak_per_day": own(leak),
        "second_leak_per_day": others.max(axis=1),
        "leak_growth": own(state.leak_growth),
        "capacity_share": against_median(state.capacity_ah) * own(state.sick_capacity),
        "resistance_ratio": against_median(state.resistance_scale),
        "sick_share": np.where(
            own(state.sick_cells) > 0, own(state.sick_cells) / np.maximum(own(state.live_cells), 1), 1.0
        ),
        "joint_mohm": own(state.joint_mohm),
        "loss_per_ah": own(state.loss_per_ah),
        "deficit_share": population.deficit_ah.astype(np.float64) / family.rated_ah,
        "centre_error": state.centre_error.astype(np.float64),
        "clog": state.clog.astype(np.float64),
        "limit_factor": state.limit_factor.astype(np.float64),
        "km_per_day": use.km_per_day.astype(np.float64),
        "style": use.style.astype(np.float64),
        "warmth_c": use.warmth_c.astype(np.float64),
    }

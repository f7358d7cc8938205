"""What is hidden in each simulated pack, as numbers that a network may learn to tell beside the hold curve.

Nobody at a bench knows these; a forecast never asks for them. All invented, as the packs are.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.packs.family import PackFamily
from models.packs.tables import HistoryTables
from training.simulation.population import CONDITION_SHARES, Population

LEAST: Final = {"leak_per_day": 1e-5, "second_leak_per_day": 1e-5, "joint_mohm": 1e-3, "km_per_day": 1.0}
"""Columns told on a logarithmic scale, since they spread over powers of ten, and what counts as nothing."""

PLAIN: Final = (
    "leak_growth",
    "capacity_share",
    "resistance_ratio",
    "loss_per_ah",
    "deficit_share",
    "centre_error",
    "clog",
    "limit_factor",
    "style",
    "warmth_c",
    "sick_share",
)


def weakness(family: PackFamily, population: Population) -> dict[str, NDArray[np.float64]]:
    """Describe the weak block of each pack as it came in, and what else of the pack bears on how long it holds.

    Parameters
    ----------
    family : PackFamily
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


def hidden_values(truth: pd.DataFrame, tables: HistoryTables, moments: pd.DataFrame) -> pd.DataFrame:
    """Return what is hidden at each moment, in columns that a network can be asked for.

    Parameters
    ----------
    truth : DataFrame
        `training.simulation.cohort.Cohort.truth`.
    tables : HistoryTables
    moments : DataFrame, n rows
        `training.learning.moments.moments_of`.

    Returns
    -------
    DataFrame, shape (n, q)
        `weakness`, leaks, joint and distance as logarithms; whether the weak block was the one topped up; and for each
        condition whether it is this one.
    """
    of_pack = truth.set_index("pack_id").loc[moments["pack_id"]]
    columns = {name: np.log(np.maximum(of_pack[name].to_numpy(np.float64), least)) for name, least in LEAST.items()}
    columns |= {name: of_pack[name].to_numpy(np.float64) for name in PLAIN}
    topped = tables.topups["blocks"].to_numpy(dtype=object)[moments["topup"].to_numpy()]
    weak = of_pack["weak_block"].to_numpy()
    columns["weak block topped"] = np.array(
        [str(w) in str(blocks).split() for w, blocks in zip(weak, topped, strict=True)], dtype=np.float64
    )
    condition = of_pack["condition"].to_numpy(dtype=object)
    columns |= {name: (condition == name).astype(np.float64) for name in CONDITION_SHARES}
    return pd.DataFrame(columns)

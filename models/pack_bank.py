"""A bank of simulated packs: hidden state, use and evidence at many moments, to be weighed against a real pack's."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.families import PackFamily
from models.feature_table import FEATURES
from models.forward_runs import Ready
from models.problems import ModelRefused, Problem

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

SET_NOT_WEIGHED: Final = frozenset(f.name for f in FEATURES if f.evidence == "planned use")
"""Features that are given to every simulated pack instead of being compared: a plan is a choice, not evidence of
what is wrong with a pack."""


@dataclass(frozen=True)
class FamilyBank:
    """Moments of simulated packs of one family.

    Attributes
    ----------
    ready : Ready
        n packs on the morning of the moment.
    names : tuple of str, length p
        Features.
    X : array of float32, shape (n, p)
        Features at that moment.
    """

    ready: Ready
    names: tuple[str, ...]
    X: NDArray[np.float32]


@dataclass(frozen=True)
class PackBank:
    """Simulated packs by family. Made by `training.bank`.

    Attributes
    ----------
    families : mapping of str to FamilyBank
    """

    families: Mapping[str, FamilyBank]

    def of_family(self, family: PackFamily) -> FamilyBank:
        """Return the packs of a family.

        Raises
        ------
        ModelRefused
            None of that family were simulated, or its file has changed since.
        """
        kept = self.families.get(family.name)
        if kept is None or kept.ready.family != family:
            raise ModelRefused(
                Problem(
                    "model",
                    f"It holds no simulated packs of family {family.name} as it is defined now, to run forward.",
                    "Put the family's file into the families' folder and train again with `tideover train`.",
                )
            )
        return kept


def require_bank(bank: PackBank | None) -> PackBank:
    """Return the bank of a model.

    Raises
    ------
    ModelRefused
        It has none.
    """
    if bank is None:
        raise ModelRefused(
            Problem(
                "model",
                "It holds no simulated packs to run forward under another plan.",
                "Train again with `tideover train`.",
            )
        )
    return bank


@dataclass(frozen=True)
class Ensemble:
    """Simulated packs that stand for one real pack.

    Attributes
    ----------
    ready : Ready
        m packs, used as the real one is planned to be; the same simulated pack may be there several times.
    source : int array, shape (m,)
        Which pack of the bank each one is.
    effective : float
        How many equally good packs the weights amount to: 1 / Σ w².
    """

    ready: Ready
    source: Rows
    effective: float


def bank_weights(bank: FamilyBank, x: pd.DataFrame) -> Floats:
    """Weigh the packs of a bank by how well their evidence agrees with a pack's.

    Parameters
    ----------
    bank : FamilyBank
    x : DataFrame, shape (1, features)

    Returns
    -------
    array, shape (n,)
        Sums to 1.
    """
    names = bank.names
    kept = [i for i, name in enumerate(names) if name not in SET_NOT_WEIGHED]
    values = bank.X[:, kept].astype(np.float64)
    here = x[[names[i] for i in kept]].to_numpy(np.float64)[0]
    scale = np.nanpercentile(values, 95, axis=0) - np.nanpercentile(values, 5, axis=0)
    apart = np.minimum(np.abs(values - here) / np.where(scale > 0, scale, 1.0), 1.0)
    apart = np.where(np.isnan(values) != np.isnan(here), 1.0, np.nan_to_num(apart))
    distance = apart.mean(axis=1)
    width = np.partition(distance, min(50, len(distance) - 1))[min(50, len(distance) - 1)] - distance.min() + 1e-9
    weight = np.exp(-((distance - distance.min()) / width))
    return np.asarray(weight / weight.sum())


def draw_ensemble(weights: Floats, count: int, rng: np.random.Generator) -> Rows:
    """Draw packs by their weights, systematically: each comes as often as its weight says, give or take one."""
    steps = (rng.random() + np.arange(count)) / count
    found = np.searchsorted(np.cumsum(weights), steps * weights.sum())
    return np.asarray(np.minimum(found, len(weights) - 1), dtype=np.intp)

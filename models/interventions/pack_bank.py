"""A bank of simulated packs: hidden state, use and evidence at many moments, to be weighed against a real pack's."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any, Final, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Floats, Rows
from models.base.errors import ModelRefused, Problem
from models.interventions.forward_runs import Ready
from models.packs.family import PackFamily

Summary = Callable[[pd.DataFrame], Floats]

NEAREST: Final = 100
"""The kernel reaches to the packs of the bank that are the nearest by this count. Fewer are better explained by the
readings but more alike by chance (`tests/benchmarks/bench_what_if.py`)."""


@dataclass(frozen=True)
class FamilyBank:
    """Moments of simulated packs of one family.

    Attributes
    ----------
    kept : Ready
        n packs on the morning of the moment, in half precision: a bank is large, and nobody measures finer.
    names : tuple of str, length p
        Features.
    X : array, shape (n, p)
        Features at that moment, in full: trees split on the last digit.
    summary : array of float32, shape (n, k)
        What the forecaster makes of them (`Forecaster.summary`).
    """

    kept: Ready
    names: tuple[str, ...]
    X: Floats
    summary: NDArray[np.float32]

    @classmethod
    def of(cls, packs: Ready, X: pd.DataFrame, summary: Summary) -> FamilyBank:
        """Keep packs and their features, shape (n, p)."""
        kept = replace(packs, state=_as(packs.state, np.float16), use=_as(packs.use, np.float16))
        return cls(kept, tuple(X.columns), X.to_numpy(np.float64), summary(X).astype(np.float32))

    def summarised(self, summary: Summary) -> FamilyBank:
        """Return the same packs as another forecaster sees them."""
        X = pd.DataFrame(self.X, columns=list(self.names))
        return replace(self, summary=summary(X).astype(np.float32))

    def packs(self, rows: Rows) -> Ready:
        """Return some packs, ready to be run forward."""
        some = self.kept.take(rows)
        return replace(some, state=_as(some.state, np.float32), use=_as(some.use, np.float32))

    def weights(self, summary: Floats) -> Floats:
        """Weigh the packs by how well their evidence agrees with a pack's.

        Parameters
        ----------
        summary : array, shape (k,)
            Of that pack.

        Returns
        -------
        array, shape (n,)
            Sums to 1.

        Notes
        -----
        Approximate Bayesian computation. The summaries are what the forecaster concludes from the evidence, in the
        spirit of the semi-automatic ones of Fearnhead & Prangle 2012 (from memory, unverified), the kernel is
        Epanechnikov's, and its width the distance of the `NEAREST` nearest.
        """
        squared = ((self.summary.astype(np.float64) - summary) ** 2).sum(axis=1)
        reach = min(NEAREST, len(squared) - 1)
        width = max(float(np.partition(squared, reach)[reach]), 1e-12)
        weight = np.maximum(1 - squared / width, 0.0)
        if not weight.any():  # as many at the very same distance
            weight = (squared <= width).astype(np.float64)
        return np.asarray(weight / weight.sum())


_Kept = TypeVar("_Kept")


def _as(packs: _Kept, kind: type[np.floating[Any]]) -> _Kept:
    """Return a dataclass of arrays with its floating-point arrays in another precision."""
    arrays = {f.name: getattr(packs, f.name) for f in fields(packs)}  # type: ignore[arg-type]
    converted = {name: a.astype(kind) if a.dtype.kind == "f" else a for name, a in arrays.items()}
    return replace(packs, **converted)  # type: ignore[type-var]


@dataclass(frozen=True)
class PackBank:
    """Simulated packs by family. Filled by `training.simulation.bank`."""

    families: Mapping[str, FamilyBank]

    def summarised(self, summary: Summary) -> PackBank:
        """Return the same packs as another forecaster sees them."""
        return PackBank({name: bank.summarised(summary) for name, bank in self.families.items()})

    def of_family(self, family: PackFamily) -> FamilyBank:
        """Return the packs of a family.

        Raises
        ------
        ModelRefused
            None of that family were simulated, or its file has changed since.
        """
        found = self.families.get(family.name)
        if found is None or found.kept.family != family:
            raise ModelRefused(
                Problem(
                    "model",
                    f"It holds no simulated packs of family {family.name} as it is defined now, to run forward.",
                    "Put the family's file into the families' folder and train again with `tideover train`.",
                )
            )
        return found


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

"""How much a forecast rests on: rich evidence, thin or bare, and whether the pack has driven since."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Bools
from models.features.derived import some_features
from models.features.raw import RELEASE_VISIT_DAYS


def evidence_group(X: pd.DataFrame) -> NDArray[np.object_]:
    """Group whose record a forecast rests on: how rich the evidence is and whether the pack has driven since.

    Returns
    -------
    array of str, shape (n,)
        "fresh" or "holding", and "rich", "thin", "bare", "read since" or "not read since": "fresh, rich" and the like.
    """
    since = ~(_lacks(X, "now_rest_mv_per_cell") & _lacks(X, "now_load_mv_per_cell"))
    holding = since | (some_features(X, ("held_days",))[:, 0] > RELEASE_VISIT_DAYS)
    rich, bare = rich_evidence(X), bare_evidence(X)
    return np.select(
        [since, bare & holding, holding, bare, rich],
        ["holding, read since", "holding, bare", "holding, not read since", "fresh, bare", "fresh, rich"],
        "fresh, thin",
    ).astype(object)


def rich_evidence(X: pd.DataFrame) -> Bools:
    """Whether charge put in and rest readings on both sides of it are known. Shape (n,)."""
    return ~_lacks(X, "charge_share", "before_rest_mv_per_cell", "after_rest_mv_per_cell", all_of=False)


_BEYOND_BARE: Final = [
    "charge_share",
    "before_load_mv_per_cell",
    "after_load_mv_per_cell",
    "now_rest_mv_per_cell",
    "now_load_mv_per_cell",
    "km_per_day",
]


def bare_evidence(X: pd.DataFrame) -> Bools:
    """Whether rest readings around the charge, and which block was topped up, are all there is. Shape (n,)."""
    return _lacks(X, *_BEYOND_BARE)


def _lacks(X: pd.DataFrame, *names: str, all_of: bool = True) -> Bools:
    """Whether all of these columns are missing, or any. Shape (n,)."""
    missing = np.isnan(some_features(X, names))
    return np.asarray(missing.all(axis=1) if all_of else missing.any(axis=1))

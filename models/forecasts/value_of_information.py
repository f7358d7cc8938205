"""What evidence that is missing would be worth: how far it moved the forecasts of past packs like this one."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

import numpy as np
import pandas as pd

from models.base.arrays import Floats
from models.features.definitions import EVIDENCE, Evidence
from models.features.derived import RawFeatures, derive
from models.forecasts.similar_packs import PastPacks

ASKED: Final = 40
"""Past packs that are asked for each kind of evidence: the figure is then good to about a ninth, 1/√(2·40)."""

FEWEST: Final = 10
"""With fewer past packs that had the evidence nothing is said."""


def worth_of_missing(
    raw: RawFeatures, row: int, x: pd.DataFrame, pack_id: str, past: PastPacks, figure: Callable[[pd.DataFrame], Floats]
) -> Mapping[Evidence, float]:
    """Say how far each kind of missing evidence would move a forecast, one way or the other.

    Past packs of the same chemistry that had the evidence, the most similar in what is known of this one, are forecast
    twice: as if no more had been known of them than of this pack, and with the evidence in question besides. The root
    mean square of the difference is what knowing it takes off the spread of the mean days held: by the law of total
    variance, the variance left is on average smaller by its square.

    Parameters
    ----------
    row : int
        Of the pack that is asked about.
    x : DataFrame, shape (1, features)
        Its features.
    pack_id : str
        Its name: a pack is not asked about itself.
    figure : callable
        From feature tables, shape (k, features), to the mean days held, shape (k,).

    Returns
    -------
    mapping of evidence to float
        In days, 0 or more, of the evidence that is missing and that at least `FEWEST` past packs had.
    """
    known = raw.known(row)
    asked = {
        evidence: found
        for evidence in EVIDENCE
        if evidence not in known and len(found := past.nearest_with(evidence, x, pack_id, ASKED)) >= FEWEST
    }
    if not asked:
        return {}
    rows = np.concatenate(list(asked.values()))
    of = np.repeat(np.arange(len(asked)), [len(found) for found in asked.values()])
    both = past.raw.take(np.concatenate([rows, rows]))
    with_it = np.arange(2 * len(rows)) >= len(rows)
    kept = {e: np.ones(len(with_it), dtype=np.bool_) for e in known}
    kept |= {e: with_it & (np.tile(of, 2) == k) for k, e in enumerate(asked)}
    without, then = np.split(figure(derive(both.only(kept))), 2)
    square = np.bincount(of, (then - without) ** 2) / np.bincount(of)
    return dict(zip(asked, np.sqrt(square).tolist(), strict=True))

"""How many ampere-hours a weak block is short of its peers, and how sure that is.

Two quantities must not be taken for one another. The **missing charge** is what has to be stored for the block to stand
at its peers' state of charge: a charge can put that back. A faded block also holds less than its peers when level with
them: that **lost capacity** no charge restores.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from models.base.arrays import Floats
from models.topup.possible_packs import CAUSES, Cause, PossiblePacks

CONFIDENCE: Final = 0.9
CENTRAL: Final = 0.965
"""Central share of the possible packs that is stated as holding the truth `CONFIDENCE` of the time. Wider than that by
measurement: on packs of 40 drawn worlds this held 0.91 of them, and 0.90 on 60 others, because packs vary in more ways
than are weighed here (tests/studies/decisions.md)."""

CLOSE: Final = 0.15
"""The best single figure of a missing charge is the one with the most probability this near to it, relatively."""


@dataclass(frozen=True)
class Range:
    """A figure and the range that holds the truth nine times in ten."""

    best: float
    low: float
    high: float

    def times(self, factor: float) -> Range:
        """Scale all three by a factor above 0."""
        return Range(self.best * factor, self.low * factor, self.high * factor)


@dataclass(frozen=True)
class MissingCharge:
    """What a weak block lacks.

    Attributes
    ----------
    block : int
        From 1.
    missing_ah : Range
        Charge to be stored for the block to stand level with its peers, Ah. Negative: it stands above them.
    below_peers_ah : Range
        How much less charge than a peer it holds now, Ah: the missing charge and the lost capacity together.
    lost_ah : Range
        Part of that which no charge restores, Ah.
    causes : mapping of cause to float
        What may be the matter, with its probability.
    confidence : float
        Of the ranges.
    agreement : float
        Share of the possible packs that carries the posterior; tiny where the readings contradict one another.
    """

    block: int
    missing_ah: Range
    below_peers_ah: Range
    lost_ah: Range
    causes: Mapping[Cause, float]
    confidence: float
    agreement: float


def weighted_range(values: Floats, weight: Floats) -> Range:
    """Median and central range of weighted values; `weight` sums to 1."""
    order = np.argsort(values, kind="stable")
    x, middle = values[order], np.cumsum(weight[order]) - weight[order] / 2
    tail = (1 - CENTRAL) / 2
    low, best, high = (float(np.interp(share, middle, x)) for share in (tail, 0.5, 1 - tail))
    return Range(best, low, high)


def most_likely_near(values: Floats, weight: Floats, among: Range) -> float:
    """Figure with the most probability within `CLOSE` of it, relatively; the median where that is not above 0.

    Between two explanations, a full-sized block far down or a small one less so, the median would suit neither.
    """
    if among.best <= 0:
        return among.best
    order = np.argsort(values, kind="stable")
    x, total = values[order], np.cumsum(weight[order])
    tries = np.linspace(max(among.low, 0.02 * among.best), among.high, 121)
    mass = np.interp(tries / (1 - CLOSE), x, total) - np.interp(tries / (1 + CLOSE), x, total)
    # Weighted towards the top rather than the very top: that would hang on single possible packs.
    top = (mass / mass.max()) ** 8
    return float((tries * top).sum() / top.sum())


def missing_charge(packs: PossiblePacks, block: int) -> MissingCharge:
    """Read off what a block (from 1) lacks."""
    weight = packs.weight
    missing = weighted_range(packs.missing_ah, weight)
    return MissingCharge(
        block=block,
        missing_ah=Range(most_likely_near(packs.missing_ah, weight, missing), missing.low, missing.high),
        below_peers_ah=weighted_range(packs.missing_ah + packs.lost_ah, weight),
        lost_ah=weighted_range(packs.lost_ah, weight),
        causes={name: float(weight[packs.cause == place].sum()) for place, name in enumerate(CAUSES)},
        confidence=CONFIDENCE,
        agreement=packs.carried,
    )

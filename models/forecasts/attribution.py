"""What moves a forecast: the days that each kind of evidence adds to it or takes from it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import comb

import numpy as np
import pandas as pd

from models.base.arrays import Floats
from models.features.definitions import EVIDENCE, Evidence
from models.features.derived import RawFeatures, derive


@dataclass(frozen=True)
class Contribution:
    """What one kind of evidence does to a forecast.

    Attributes
    ----------
    evidence : str
        One of `models.features.definitions.EVIDENCE`.
    days : float
        Added to the mean days held (to the horizon); negative where it shortens the forecast. Exactly 0 if not known.
    known : bool
        Whether anything of it is recorded.
    """

    evidence: Evidence
    days: float
    known: bool


@dataclass(frozen=True)
class Attribution:
    """A figure of a forecast, taken apart.

    Attributes
    ----------
    reference_days : float
        The figure for a pack of this family that has held as long, with nothing else known of it.
    contributions : tuple of Contribution
        One for each of `models.features.definitions.EVIDENCE`, in that order. With the reference they add up to the
        figure.
    """

    reference_days: float
    contributions: tuple[Contribution, ...]


def shapley_values(worth: Floats) -> Floats:
    r"""Share out what a coalition is worth among its players.

    Parameters
    ----------
    worth : array, shape (2**n,)
        Of each coalition; bit i of its position says whether player i takes part. Position 0 is nobody.

    Returns
    -------
    array, shape (n,)
        The mean, over all orders in which players may join, of what each adds on joining:

        .. math:: \phi_i = \frac{1}{n} \sum_{S \not\ni i} \binom{n-1}{|S|}^{-1} (v(S \cup \{i\}) - v(S))

        The values sum to ``worth[-1] - worth[0]``.

    References
    ----------
    Shapley (1953), A value for n-person games, Contributions to the Theory of Games II, 307-317; for predictions
    Strumbelj & Kononenko (2014), Knowledge and Information Systems 41, 647-665, and Lundberg & Lee (2017), Advances in
    Neural Information Processing Systems 30, 4765-4774.

    Examples
    --------
    Two players who are worth something only together share it equally:

    >>> shapley_values(np.array([0.0, 0.0, 0.0, 1.0]))
    array([0.5, 0.5])
    """
    players = len(worth).bit_length() - 1
    if len(worth) != 2**players:
        raise ValueError(f"worth must hold a figure for each of 2**n coalitions; got {len(worth)}")
    coalition = np.arange(len(worth))
    found = np.zeros(players)
    for i in range(players):
        without = coalition[(coalition >> i) & 1 == 0]
        weight = np.array([1.0 / (players * comb(players - 1, size)) for size in range(players)])
        found[i] = weight[np.bitwise_count(without)] @ (worth[without | (1 << i)] - worth[without])
    return found


def attribute(raw: RawFeatures, row: int, figure: Callable[[pd.DataFrame], Floats]) -> Attribution:
    """Take the forecast of one row apart by evidence.

    A coalition is worth the forecast of the pack if only the evidence of its members had ever been recorded. The model
    was taught with evidence missing, so this is a forecast like any other; nothing is filled in by values of other
    packs. What follows from several kinds of evidence is computed again from what is left of them.

    Parameters
    ----------
    figure : callable
        From feature tables, shape (k, features), to the figure that is taken apart, shape (k,), in days.

    Returns
    -------
    Attribution
        Exact: all coalitions of the known evidence are forecast (at most 256), in one batch. Evidence that is not
        known changes no coalition, so leaving it out of them changes nothing.
    """
    recorded = raw.known(row)
    players = [evidence for evidence in EVIDENCE if evidence in recorded]
    coalition = np.arange(2 ** len(players))
    kept = {evidence: (coalition >> i) & 1 == 1 for i, evidence in enumerate(players)}
    worth = figure(derive(raw.take(np.full(len(coalition), row)).only(kept)))
    days = dict(zip(players, shapley_values(worth).tolist(), strict=True))
    return Attribution(
        reference_days=float(worth[0]),
        contributions=tuple(Contribution(e, days.get(e, 0.0), e in recorded) for e in EVIDENCE),
    )

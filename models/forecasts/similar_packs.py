"""The past packs most like one that is asked about, and what became of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, Self

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base.arrays import Floats, Rows
from models.features.definitions import Evidence
from models.features.derived import RawFeatures
from models.forecasts.evidence import evidence_group

Became = Literal["returned", "replaced", "still holding"]

SHOWN: Final = 5
"""Similar packs that are told: enough to see that they differ, few enough to read."""

CLASSES: Final = (0.2, 0.4, 0.6, 0.8)
"""Shares at which a feature's known values are parted to see how much of the forecast goes with it. Invented."""

SPAN: Final = (0.05, 0.95)
"""Shares of a feature's known values between which its scale is measured, so that single freaks do not count."""


@dataclass(frozen=True)
class SimilarPack:
    """A past pack at one moment, and what became of it.

    Attributes
    ----------
    days_held : float
        Days that its top-up had held at that moment.
    further_days : float
        Days from then until it came back, was replaced or was last known to hold.
    became : {"returned", "replaced", "still holding"}
        "still holding" when last known: running, or its vehicle taken out of use.
    kind : str or None
        Its kind of weakness, where known.
    distance : float
        0 (alike in all that is known) to 1.
    same_situation : bool
        Of the same chemistry, with as much evidence of the same sort.
    invented : bool
        Simulated: no such pack was ever seen.
    """

    pack_id: str
    family: str
    days_held: float
    further_days: float
    became: Became
    kind: str | None
    distance: float
    same_situation: bool
    invented: bool


@dataclass(frozen=True)
class PastPacks:
    """One moment of each of n past packs, in order of `pack_id`.

    Attributes
    ----------
    packs : DataFrame, n rows
        ``pack_id``, ``family``, ``further_days``, ``became``, ``kind``.
    names : tuple of str, length p
        Features.
    values : array of float32, shape (n, p)
    raw : RawFeatures
        What the features were concluded from, n rows.
    group : object array, shape (n,)
        Evidence group.
    scale, weight : array, shape (p,)
        Of each feature in the distance; a weight is in days.

    Notes
    -----
    The distance is the general coefficient of Gower (1971), A general coefficient of similarity and some of its
    properties, Biometrics 27, 857-871, with weights: the weighted mean over the features that at least one of two
    packs knows of their difference, as a share of the feature's scale and at most 1. A feature that only one of them
    knows counts as 1: packs are not alike for what is not known. The scale is the span of nine tenths of the stored
    packs. The weight is the spread of the forecast that goes with a feature: the standard deviation, in days, of the
    mean forecast (mean days held to the horizon) across five classes of its values and a sixth of packs that lack it,
    less what chance alone would cause (Kelley (1935), An unbiased correlation ratio measure, Proceedings of the
    National Academy of Sciences 21, 554-559).
    """

    packs: pd.DataFrame
    names: tuple[str, ...]
    values: NDArray[np.float32]
    raw: RawFeatures
    group: NDArray[np.object_]
    scale: Floats
    weight: Floats
    invented: bool

    @classmethod
    def learn(
        cls, packs: pd.DataFrame, X: pd.DataFrame, raw: RawFeatures, mean_days: Floats, *, invented: bool
    ) -> Self:
        """Store past packs and weigh their features.

        Parameters
        ----------
        packs : DataFrame, n rows
            One moment a pack: ``pack_id`` (unique), ``family``, ``further_days``, ``became`` and ``kind`` (None where
            not known). In any order.
        X : DataFrame, shape (n, p)
        raw : RawFeatures
            What `X` was derived from.
        mean_days : array, shape (n,)
            Forecast of the mean days held, to the horizon.
        invented : bool
            The packs are simulated.
        """
        order = np.argsort(packs["pack_id"].to_numpy().astype(str), kind="stable")
        packs, X, mean_days = packs.iloc[order].reset_index(drop=True), X.iloc[order], mean_days[order]
        columns = X.to_numpy(np.float64).T
        return cls(
            packs=packs[["pack_id", "family", "further_days", "became", "kind"]],
            names=tuple(X.columns),
            values=X.to_numpy(np.float32),
            raw=raw.take(order),
            group=evidence_group(X),
            scale=np.array([_span(column) for column in columns]),
            weight=np.array([spread_of_forecast(column, mean_days) for column in columns]),
            invented=invented,
        )

    def nearest(self, x: pd.DataFrame, pack_id: str, count: int = SHOWN) -> tuple[SimilarPack, ...]:
        """Find the most similar packs.

        Parameters
        ----------
        x : DataFrame, shape (1, p)
            Features of the pack that is asked about.
        pack_id : str
            Its name: a pack is not told of itself.

        Returns
        -------
        tuple of SimilarPack
            At most `count`. Those of the same chemistry come first, among them those of the same evidence group, then
            by distance, then by name.
        """
        here = x[list(self.names)].to_numpy(np.float32)[0]
        distance = self._distance(here, np.full(len(here), True))
        chemistry = self._another_chemistry(here)
        evidence = self.group != evidence_group(x)[0]
        order = np.lexsort((distance, evidence, chemistry))  # stable, and the packs are in order of their names
        order = order[self.packs["pack_id"].to_numpy()[order] != pack_id][:count]
        held = self.values[:, self.names.index("held_days")]
        return tuple(
            SimilarPack(
                pack_id=row.pack_id,
                family=row.family,
                days_held=float(held[i]),
                further_days=float(row.further_days),
                became=row.became,
                kind=row.kind,
                distance=float(distance[i]),
                same_situation=not (chemistry[i] or evidence[i]),
                invented=self.invented,
            )
            for i, row in zip(order, self.packs.iloc[order].itertuples(), strict=True)
        )

    def nearest_with(self, evidence: Evidence, x: pd.DataFrame, pack_id: str, count: int) -> Rows:
        """Find the packs that had some evidence, most similar in what is known of the pack that is asked about.

        Parameters
        ----------
        x : DataFrame, shape (1, p)

        Returns
        -------
        int array, shape (at most `count`,)
            Rows of the stored packs of the same chemistry, the nearest first.
        """
        here = x[list(self.names)].to_numpy(np.float32)[0]
        others = self.packs["pack_id"].to_numpy() != pack_id
        fit = np.flatnonzero(self.raw.holds(evidence) & others & ~self._another_chemistry(here))
        return fit[np.argsort(self._distance(here, ~np.isnan(here))[fit], kind="stable")[:count]]

    def _another_chemistry(self, here: NDArray[np.float32]) -> NDArray[np.bool_]:
        lithium = self.names.index("lithium")
        return np.asarray(self.values[:, lithium] != here[lithium])

    def _distance(self, here: NDArray[np.float32], counts: NDArray[np.bool_]) -> Floats:
        apart = np.minimum(np.abs(self.values.astype(np.float64) - here.astype(np.float64)) / self.scale, 1.0)
        lacks, lack = np.isnan(self.values), np.isnan(here)
        apart = np.where(lacks | lack, 1.0, apart)
        weight = np.where((lacks & lack) | ~counts, 0.0, self.weight)
        return np.asarray((weight * apart).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-12))


def spread_of_forecast(column: Floats, figure: Floats) -> float:
    """Spread of a figure that goes with a feature.

    Parameters
    ----------
    column : array, shape (n,)
        The feature, NaN where missing.
    figure : array, shape (n,)

    Returns
    -------
    float
        In the figure's unit; 0 where the classes differ by no more than chance.
    """
    known = column[~np.isnan(column)]
    if not len(known):
        return 0.0
    edges = np.unique(np.quantile(known, CLASSES))
    label = np.where(np.isnan(column), len(edges) + 1, np.searchsorted(edges, column, side="left"))
    _, label = np.unique(label, return_inverse=True)
    count = np.bincount(label)
    classes, rows = len(count), len(column)
    if classes < 2 or rows <= classes:
        return 0.0
    between = count @ (np.bincount(label, figure) / count - figure.mean()) ** 2
    within = ((figure - figure.mean()) ** 2).sum() - between
    return float(np.sqrt(max(between - (classes - 1) * within / (rows - classes), 0.0) / rows))


def _span(column: Floats) -> float:
    known = column[~np.isnan(column)]
    if not len(known):
        return 1.0
    low, high = np.quantile(known, SPAN)
    return float(high - low) or float(known.max() - known.min()) or 1.0

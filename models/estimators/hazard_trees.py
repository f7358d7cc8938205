"""Discrete-time hazard booster: gradient-boosted trees on the time each pack was at risk in each bin of the grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Final, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from sklearn.ensemble import HistGradientBoostingRegressor
from sklearn.model_selection import GroupKFold
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.base.day_grid import DAYS, survival_at
from models.base.threads import thread_limit
from models.estimators.baseline_hazard import FEW_EVENTS, SmoothStart
from models.estimators.leaf_masks import LeafMasks, Masks, nodes_of
from models.estimators.tree_inputs import FeatureCodes, fit_for_trees
from models.survival.estimator import Outcomes, check_days, check_grid, check_rows, require_events, require_same_length
from models.survival.learner import SurvivalLearner
from models.survival.person_periods import PersonPeriods

Fold = tuple[NDArray[np.intp], NDArray[np.intp]]
"""Rows to learn from and rows held out."""

CHUNK_ROWS: Final = 512
"""Packs forecast at a time: what they need stays in the processor's cache."""

PATIENCE: Final = 30
"""Rounds without a better held-out likelihood after which no more trees are grown."""

FIRST_ROUNDS: Final = 20
FIRST_LEARNING_RATE: Final = 0.3
"""Of the first pass, which only has to place events within their bins and to say which periods tell most."""

CONTROLS: Final = 5
"""Person-periods without an event kept for each event of a large data set (tests/studies/accuracy.md)."""

LEAST_KEPT: Final = 0.1
"""Share kept of the periods in which an event was least to be expected: bounds the weight of a kept one. Invented."""


@dataclass(frozen=True)
class BoosterSettings:
    """What suits a number of events.

    Attributes
    ----------
    linear_start : bool
        Start from a ridge Cox model rather than from the baseline hazard alone.
    cross_validate : bool
        Choose the number of rounds by five-fold cross-validation and fit again on everything, rather than stopping by
        a tenth of the packs that is then never learned from.
    leaves : int
        Of a tree.
    min_periods : int
        Person-periods in a leaf.
    prior_events : float
        Expected events by which each leaf is shrunk to "no departure".
    """

    linear_start: bool
    cross_validate: bool
    learning_rate: float
    leaves: int
    min_periods: int
    prior_events: float

    @classmethod
    def for_events(cls, events: float) -> Self:
        """Choose by event count: small sets lean on the smooth start and spare no row."""
        if events < FEW_EVENTS:
            return cls(True, True, learning_rate=0.15, leaves=8, min_periods=50, prior_events=5.0)
        return cls(False, False, learning_rate=0.2, leaves=48, min_periods=40, prior_events=20.0)


class HazardBooster(SurvivalLearner):
    """Boosts the hazard of a smooth start, bin by bin of the day grid.

    The hazard is taken as constant within a bin, so the likelihood of a row is that of Poisson counts: in each bin the
    event (0 or 1) against the hazard times the share of the bin at risk. That makes late entry, censoring within a
    bin and ties exact, and curves linear in the cumulative hazard between grid days. When within its bin an event
    fell is not used (`PersonPeriods.with_expected_exposure`; a short first pass gives the hazard that this needs):
    a pack whose joint is bad is back within hours of its first day. The trees learn the *factor* by
    which the hazard departs from a start: the baseline of each bin and, for few events, a ridge Cox model. With
    little to learn from, little departs. Missing values stay missing, the day is a feature like the others.

    Parameters
    ----------
    days : array, optional
        The grid; defaults to `models.base.day_grid.DAYS`.
    rounds : int
        Most trees.
    stop_early : bool
        Choose the number of trees by held-out likelihood; else grow all of them on everything.
    settings : BoosterSettings, optional
        Defaults to what suits the number of events.
    monotone : mapping of column name or index to +1 or -1, optional
        +1: a higher value raises the hazard, so it lowers the hold probability.
    feature_share : float
        Share of the features tried at each split.
    controls : int, optional
        Person-periods without an event kept for each event; the rest is thinned at random, least where the first pass
        expects most events, and the kept ones are weighted up (local case-control sampling: Fithian & Hastie 2014,
        Annals of Statistics 42(5), 1693-1724; from memory, unverified). With k of them about k/(k + 1) of the
        information stays. Defaults to `CONTROLS`, and to all of them where events are few.
    threads : int
        OpenMP threads.

    Attributes
    ----------
    grid_ : array, shape (g,)
    rounds_ : int
        Trees grown.
    """

    def __init__(
        self,
        days: ArrayLike | None = None,
        *,
        rounds: int = 100,
        stop_early: bool = True,
        settings: BoosterSettings | None = None,
        monotone: Mapping[str | int, int] | None = None,
        feature_share: float = 0.5,
        controls: int | None = None,
        seed: int = 0,
        threads: int = 1,
    ) -> None:
        self.days = days
        self.rounds = rounds
        self.stop_early = stop_early
        self.settings = settings
        self.monotone = monotone
        self.feature_share = feature_share
        self.controls = controls
        self.seed = seed
        self.threads = threads

    def fit(
        self,
        X: ArrayLike | pd.DataFrame,
        time: ArrayLike,
        event: ArrayLike | None = None,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
        *,
        groups: ArrayLike | None = None,
    ) -> Self:
        """Fit start and trees, as every `models.survival.estimator.SurvivalEstimator` does.

        What lies past the last grid day counts as not seen.

        Parameters
        ----------
        groups : array_like, shape (n,), optional
            Rows of one pack share a label, so that none is held out from its own other rows.
        """
        self.grid_ = check_grid(DAYS if self.days is None else self.days)
        self.features_, values, outcomes = check_rows(X, time, event, entry, weights)
        rng = np.random.default_rng(self.seed)
        labels = (
            rng.permutation(len(outcomes)) if groups is None else np.unique(np.asarray(groups), return_inverse=True)[1]
        )
        require_same_length("groups", labels, outcomes)
        used = (outcomes.entry < self.grid_[-1]) & (outcomes.weights > 0)
        values, labels, outcomes = values[used], labels[used], outcomes.take(used).until(float(self.grid_[-1]))
        require_events(outcomes)
        self.settings_ = self.settings or BoosterSettings.for_events(float(outcomes.event.sum()))
        self.signs_ = {self.features_.position(c): int(np.sign(s)) for c, s in (self.monotone or {}).items()}
        self.codes_ = FeatureCodes.learn(values, outcomes.weights)
        everything = np.arange(len(outcomes))
        folds = _folds(labels, 5 if self.settings_.cross_validate else 10) if self.stop_early else []
        with thread_limit(self.threads):
            if folds and not self.settings_.cross_validate:
                self.start_, self.trees_ = self._grow(values, outcomes, rng, self.rounds, *folds[0])
            else:
                rounds = self._cross_validated_rounds(values, outcomes, rng, folds) if folds else self.rounds
                self.start_, self.trees_ = self._grow(values, outcomes, rng, rounds, everything)
        self.rounds_ = int(self.trees_.n_iter_)
        self.__dict__.pop("_by_bin", None)
        return self

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days)), for days up to the end of the grid."""
        check_is_fitted(self)
        at = check_days(days, float(self.grid_[-1]))
        values = self.features_.read(X)
        survival = np.ones((len(values), len(self.grid_)))
        for first in range(0, len(values), CHUNK_ROWS):
            part = values[first : first + CHUNK_ROWS]
            survival[first : first + CHUNK_ROWS, 1:] = np.exp(-np.cumsum(self._hazard(part), axis=1))
        return survival_at(survival, at, self.grid_)

    def _hazard(self, values: Floats) -> Floats:
        """Return the cumulative hazard gained in each bin, shape (n, bins)."""
        return np.asarray(self.start_.hazard(values) * self._by_bin.factor(values))

    @cached_property
    def _by_bin(self) -> TreesByBin:
        return TreesByBin.of(self.trees_, self.codes_, self.grid_)

    def __getstate__(self) -> dict[str, Any]:
        """Leave out what follows from the rest."""
        return {name: part for name, part in super().__getstate__().items() if name != "_by_bin"}

    def _periods(
        self,
        values: Floats,
        outcomes: Outcomes,
        start: SmoothStart,
        rng: np.random.Generator,
        first: HistGradientBoostingRegressor | None = None,
    ) -> tuple[Floats, Floats, Floats]:
        """Return features, event per expected event, and expected events of each person-period at risk.

        A Poisson likelihood with an offset is one without, of the ratio of events to expected ones, weighted by these.
        """
        cut, codes = PersonPeriods.cut(outcomes, self.grid_), self.codes_.apply(values)
        hazard = np.broadcast_to(start.hazard(values), cut.event.shape)
        row, column = np.nonzero(cut.exposure > 0)
        known = hazard.copy()
        if first is not None:
            known[row, column] *= first.predict(np.column_stack([codes[row], self.grid_[1:][column]]))
        cut = cut.with_expected_exposure(known)
        happened, exposure = cut.event[row, column], cut.exposure[row, column]
        expected = exposure * hazard[row, column]
        controls = self.controls or (CONTROLS if happened.sum() >= FEW_EVENTS else np.inf)
        if first is None:
            share = np.full(len(row), controls * happened.sum() / max((~happened).sum(), 1))
        else:
            share = np.maximum(controls * exposure * known[row, column], LEAST_KEPT)
        if np.any(share < 1):
            kept = happened | (rng.random(len(row)) < share)
            expected = np.where(happened, expected, expected / np.minimum(share, 1.0))[kept]
            row, column, happened = row[kept], column[kept], happened[kept]
        features = fit_for_trees(np.column_stack([codes[row], self.grid_[1:][column]]))
        return features, happened / expected, expected * outcomes.weights[row]

    def _trees(self, rounds: int, learning_rate: float, columns: int, stop: bool) -> HistGradientBoostingRegressor:
        settings = self.settings_
        return HistGradientBoostingRegressor(
            loss="poisson",
            learning_rate=learning_rate,
            max_iter=rounds,
            max_leaf_nodes=settings.leaves,
            min_samples_leaf=settings.min_periods,
            l2_regularization=settings.prior_events,
            max_features=self.feature_share,
            monotonic_cst=[self.signs_.get(j, 0) for j in range(columns)] + [0],
            early_stopping=stop,
            n_iter_no_change=PATIENCE,
            tol=0.0,
            random_state=self.seed,
        )

    def _grow(
        self,
        values: Floats,
        outcomes: Outcomes,
        rng: np.random.Generator,
        rounds: int,
        learn: NDArray[np.intp],
        hold: NDArray[np.intp] | None = None,
    ) -> tuple[SmoothStart, HistGradientBoostingRegressor]:
        """Learn start and trees from some rows, stopping by the likelihood of others if there are any."""
        some, what = values[learn], outcomes.take(learn)
        start = SmoothStart.learn(some, what, self.grid_, self.settings_.linear_start, self.signs_)
        first = self._trees(min(FIRST_ROUNDS, rounds), FIRST_LEARNING_RATE, values.shape[1], stop=False)
        first.fit(*self._periods(some, what, start, rng))
        held = {}
        if hold is not None:
            periods = self._periods(values[hold], outcomes.take(hold), start, rng, first)
            held = dict(zip(("X_val", "y_val", "sample_weight_val"), periods, strict=True))
        trees = self._trees(rounds, self.settings_.learning_rate, values.shape[1], stop=hold is not None)
        return start, trees.fit(*self._periods(some, what, start, rng, first), **held)

    def _cross_validated_rounds(
        self, values: Floats, outcomes: Outcomes, rng: np.random.Generator, folds: list[Fold]
    ) -> int:
        losses = [
            -self._grow(values, outcomes, rng, self.rounds, learn, hold)[1].validation_score_[1:]
            for learn, hold in folds
            if outcomes.event[learn].any() and outcomes.event[hold].any()
        ]
        if not losses:
            return self.rounds
        reach = min(len(loss) for loss in losses)
        return 1 + int(np.argmin(np.mean([loss[:reach] for loss in losses], axis=0)))


@dataclass(frozen=True)
class TreesByBin:
    """Fitted trees of which only what depends on the day is read bin by bin.

    Most trees ask for the day at a few splits, so that few of their leaves differ from bin to bin: each tree counts
    once for each run of bins in which its splits on the day fall out alike.

    Attributes
    ----------
    masks : LeafMasks
        On the features as they come, then the day.
    tree, of_day : array, shape (k,)
        For each tree and each of its runs of bins: the tree, and the leaves that the day leaves over.
    into : array, shape (k, bins)
        1 where the run holds the bin.
    start : float
        Logarithm of the factor before any tree.
    """

    masks: LeafMasks
    tree: NDArray[np.intp]
    of_day: Masks
    into: Floats
    start: float

    @classmethod
    def of(cls, trees: HistGradientBoostingRegressor, codes: FeatureCodes, grid: Floats) -> Self:
        """Read fitted trees whose last column is the end of a bin of the grid; the others are coded."""
        day = len(codes.edges)
        masks = LeafMasks.of(
            nodes_of(trees), day + 1, lambda j, at: at if j == day else codes.value_below(j, at)
        )  # fmt: skip
        in_bins = masks.left_over[day][masks.code(day, grid[1:])]
        tree, of_day, into = [], [], []
        for number, column in enumerate(in_bins.T):
            for left in np.unique(column):
                tree.append(number)
                of_day.append(left)
                into.append(column == left)
        start = float(np.ravel(trees._baseline_prediction)[0])
        return cls(masks, np.array(tree), np.array(of_day), np.array(into, dtype=np.float64), start)

    def factor(self, values: Floats) -> Floats:
        """Return by what factor the hazard departs from the start in each bin, shape (n, bins)."""
        reached = self.masks.reached(values)[:, self.tree] & self.of_day
        return np.exp(self.start + self.masks.given(reached, self.tree) @ self.into)


def _folds(labels: NDArray[np.intp], parts: int) -> list[Fold]:
    """Split rows into parts of whole packs; no folds if there are too few packs."""
    if len(np.unique(labels)) < parts:
        return []
    return list(GroupKFold(parts).split(labels, groups=labels))

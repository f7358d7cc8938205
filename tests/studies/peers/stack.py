"""Convex stack: the mixture of several models' hold curves that would have scored best on packs they had not seen."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Self

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from sklearn.base import BaseEstimator, clone
from sklearn.model_selection import GroupKFold
from sklearn.utils.validation import check_is_fitted

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.survival.estimator import (
    Outcomes,
    SurvivalEstimator,
    check_days,
    check_grid,
    check_rows,
    require_same_length,
)
from models.survival.kaplan_meier import censoring_weights, own_day

LEAST_SHARE: Final = 1e-4
"""Shares below this are rounding of the solver and count as 0, so that such a member need not be asked."""


class ConvexStack(BaseEstimator):  # type: ignore[misc]
    """A weighted mean of hold curves, the weights not negative and summing to 1.

    The weights minimise the integrated Brier score over the grid, weighted for censoring, of curves forecast in
    cross-validation; rows of one group stay together. Then every member learns from everything. A late row is scored
    on the days after its entry, by each member's curve given that the pack held until then.

    Parameters
    ----------
    members : mapping of name to estimator
    days : array, optional
        The grid of the score; defaults to `models.base.day_grid.DAYS`.
    folds : int
    seed : int
        For the split where no groups are given.

    Attributes
    ----------
    shares_ : dict of name to float
    scores_ : dict of name to float
        Cross-validated integrated Brier score of each member, and of the stack under ``"stack"``.

    References
    ----------
    Wolpert (1992), Stacked generalization, Neural Networks 5(2), 241-259; Graf et al. (1999), Statistics in Medicine
    18, 2529-2545, for the score.
    """

    def __init__(
        self, members: Mapping[str, SurvivalEstimator], days: ArrayLike | None = None, *, folds: int = 5, seed: int = 0
    ) -> None:
        self.members = members
        self.days = days
        self.folds = folds
        self.seed = seed

    def fit(
        self,
        X: ArrayLike | pd.DataFrame,
        time: ArrayLike,
        event: ArrayLike,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
        *,
        groups: ArrayLike | None = None,
    ) -> Self:
        """Choose the shares by cross-validation, then fit every member that has one.

        Parameters
        ----------
        X : array or DataFrame, shape (n, p)
        time, event, entry, weights : array_like, shape (n,)
        groups : array_like, shape (n,), optional
            Rows of one pack share a label.

        Raises
        ------
        BadInput
            If there is no member, or the outcomes contradict themselves or have fewer groups than folds.
        """
        self.grid_ = check_grid(DAYS if self.days is None else self.days)
        if not self.members:
            raise BadInput.one("members", "is empty.", "Give at least one estimator.")
        self.features_, values, outcomes = check_rows(X, time, event, entry, weights)
        frame = pd.DataFrame(values, columns=list(self.features_.names))
        labels = np.random.default_rng(self.seed).permutation(len(outcomes)) if groups is None else np.asarray(groups)
        require_same_length("groups", labels, outcomes)
        if len(np.unique(labels)) < self.folds:
            raise BadInput.one(
                "groups", f"names fewer than {self.folds} packs.", "Give more packs, or ask for fewer folds."
            )
        self._choose(self._held_out(frame, outcomes, labels), outcomes)
        self.members_ = {
            name: clone(self.members[name]).fit(frame, outcomes.time, outcomes.event, outcomes.entry, outcomes.weights)
            for name in self.shares_
            if self.shares_[name] > 0
        }
        return self

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days))."""
        check_is_fitted(self)
        at = check_days(days)
        frame = pd.DataFrame(self.features_.read(X), columns=list(self.features_.names))
        parts = [self.shares_[name] * member.predict_survival(frame, at) for name, member in self.members_.items()]
        return np.asarray(np.sum(parts, axis=0))

    def _held_out(self, frame: pd.DataFrame, outcomes: Outcomes, labels: NDArray[np.generic]) -> Floats:
        """Return cross-validated curves, shape (members, n, grid)."""
        curves = np.empty((len(self.members), len(outcomes), len(self.grid_)))
        for learn, hold in GroupKFold(self.folds).split(frame, groups=labels):
            some = outcomes.take(learn)
            for k, member in enumerate(self.members.values()):
                fitted = clone(member).fit(frame.iloc[learn], some.time, some.event, some.entry, some.weights)
                curves[k, hold] = fitted.predict_survival(frame.iloc[hold], self.grid_)
        return curves

    def _choose(self, curves: Floats, outcomes: Outcomes) -> None:
        late = outcomes.entry > 0
        for member in curves:
            held = own_day(member[late], np.minimum(outcomes.entry[late], self.grid_[-1]), self.grid_)
            member[late] = np.minimum(member[late] / held[:, None], 1.0)
        days = self.grid_[1:]
        days = days[days <= outcomes.time.max()]
        known = censoring_weights(outcomes.time, outcomes.event, days, outcomes.entry)
        # Trapezoids over the grid: each day stands for half the bins on its two sides.
        span = np.diff(self.grid_[: len(days) + 1])
        mass = 0.5 * (span + np.append(span[1:], 0.0))
        total = known.weights * outcomes.weights[:, None] * (mass / span.sum())
        total /= outcomes.weights.sum()
        member_curves = curves[:, :, 1 : len(days) + 1]
        holding = ~known.returned
        cross = np.einsum("kid,id,lid->kl", member_curves, total, member_curves, optimize=True)
        match = np.einsum("kid,id->k", member_curves, total * holding)
        constant = float(np.sum(total * holding))

        def score(shares: Floats) -> tuple[float, Floats]:
            return float(shares @ cross @ shares - 2 * shares @ match) + constant, 2 * (cross @ shares - match)

        count = len(self.members)
        found = minimize(
            score,
            np.full(count, 1 / count),
            jac=True,
            method="SLSQP",
            bounds=[(0.0, 1.0)] * count,
            constraints={"type": "eq", "fun": lambda s: s.sum() - 1, "jac": lambda s: np.ones(len(s))},
            options={"ftol": 1e-12, "maxiter": 500},
        )
        shares = np.where(found.x < LEAST_SHARE, 0.0, found.x)
        shares /= shares.sum()
        self.shares_ = dict(zip(self.members, shares.tolist(), strict=True))
        self.scores_ = {name: score(alone)[0] for name, alone in zip(self.members, np.eye(count), strict=True)}
        self.scores_["stack"] = score(shares)[0]

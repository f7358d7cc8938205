"""The one interface of every survival estimator, and the checks on what is handed to it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Protocol, Self, runtime_checkable

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from models.base import counts
from models.base.arrays import Bools, Floats
from models.base.errors import BadInput
from models.survival.follow_up import checked_follow_up


@runtime_checkable
class SurvivalEstimator(Protocol):
    """Learns from times, some of them censored or entered late, and predicts hold curves.

    The constructor only stores its arguments and fitted state ends in ``_``, so that `sklearn.base.clone` works.
    Time is in days. A row with ``entry`` e > 0 was seen to hold until day e and is only at risk after it.
    """

    def fit(
        self,
        X: ArrayLike | pd.DataFrame,
        time: ArrayLike,
        event: ArrayLike | None = None,
        entry: ArrayLike | None = None,
        weights: ArrayLike | None = None,
    ) -> Self:
        """Learn from n rows; X is (n, p) with NaN for missing, the others are (n,).

        `time` may be one structured array that holds the events as well (`models.survival.learner.structured`).

        Raises
        ------
        BadInput
            If the outcomes contradict themselves or hold no event.
        """
        ...

    def predict_survival(self, X: ArrayLike | pd.DataFrame, days: ArrayLike) -> Floats:
        """Return P(T > day), shape (n, len(days)), for a pack that has just entered at day 0."""
        ...


@dataclass(frozen=True)
class Outcomes:
    """What became of n rows, checked.

    Attributes
    ----------
    time : array, shape (n,)
        Day of the event or of the last observation.
    event : array of bool, shape (n,)
        True where the fault returned at `time`, False where the row was censored then.
    entry : array, shape (n,)
        Day from which the row was under observation, below `time`.
    weights : array, shape (n,)
        Not negative; a weight of 2 counts like two rows.
    """

    time: Floats
    event: Bools
    entry: Floats
    weights: Floats

    def __len__(self) -> int:
        return len(self.time)

    def take(self, rows: NDArray[np.intp] | Bools) -> Outcomes:
        """Return the chosen rows."""
        return Outcomes(self.time[rows], self.event[rows], self.entry[rows], self.weights[rows])

    def until(self, day: float) -> Outcomes:
        """Return the same outcomes with everything after `day` unseen: later times become censored at it."""
        return Outcomes(np.minimum(self.time, day), self.event & (self.time <= day), self.entry, self.weights)


def check_outcomes(
    time: ArrayLike,
    event: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    weights: ArrayLike | None = None,
) -> Outcomes:
    """Check times, events, entries and weights against each other.

    Parameters
    ----------
    time, event : array_like, shape (n,)
        Or, without `event`, a structured array with one field of true and false, one of days and, if it is called
        ``entry``, one of entries.
    entry, weights : array_like, shape (n,), optional
        Default to 0 and 1.

    Raises
    ------
    BadInput
        If lengths differ, a value is not finite, a time does not exceed its entry, or no weight is positive.
    """
    if event is None:
        time, event, entry = _taken_apart(time, entry)
    at, happened, start, weight = checked_follow_up(time, event, entry, weights)
    if np.any(start < 0):
        row = int(np.argmax(start < 0))
        raise BadInput.one(f"entry[{row}]", f"is {start[row]:g} days.", "Count days from the origin: 0 or more.")
    if np.any(at <= start):
        row = int(np.argmax(at <= start))
        raise BadInput.one(
            f"time[{row}]",
            f"is {at[row]:g} days, not after its entry at {start[row]:g}.",
            "Leave out rows never under observation; give an event on the first day as a fraction of a day.",
        )
    return Outcomes(at, happened, start, weight)


def _taken_apart(y: ArrayLike, entry: ArrayLike | None) -> tuple[ArrayLike, ArrayLike, ArrayLike | None]:
    rows = np.asarray(y)
    names = rows.dtype.names or ()
    flags = [name for name in names if rows.dtype[name].kind == "b"]
    days = [name for name in names if rows.dtype[name].kind in "fiu" and name != "entry"]
    if len(flags) != 1 or len(days) != 1:
        raise BadInput.one(
            "event",
            "is not given, so nobody could tell a return from a row that was censored.",
            "Give it, or one structured array of events (true or false) and days (models.survival.learner.structured).",
        )
    return rows[days[0]], rows[flags[0]], rows["entry"] if "entry" in names else entry


def require_events(outcomes: Outcomes) -> None:
    """Raise `BadInput` unless a row of positive weight ends in an event."""
    if not np.any(outcomes.event & (outcomes.weights > 0)):
        raise BadInput.one(
            "event", "holds 0 event(s); at least 1 needed.", "Learn from a data set in which some faults returned."
        )


@dataclass(frozen=True)
class FeatureColumns:
    """Names of the columns an estimator was fitted on.

    Attributes
    ----------
    names : tuple of str
        Column names of a DataFrame, or ``x0``, ``x1`` … for an array.
    named : bool
        Whether they are a DataFrame's own.
    """

    names: tuple[str, ...]
    named: bool = False

    @classmethod
    def learn(cls, X: ArrayLike | pd.DataFrame, called: str = "X") -> tuple[FeatureColumns, Floats]:
        """Return the names and the values as a float array, shape (n, p); errors name the table as it is called."""
        values = _matrix(X, called)
        names = (
            [str(c) for c in X.columns] if isinstance(X, pd.DataFrame) else [f"x{i}" for i in range(values.shape[1])]
        )
        if len(set(names)) < len(names):
            raise BadInput.one(called, "has two columns of the same name.", "Name each feature once.")
        return cls(tuple(names), isinstance(X, pd.DataFrame)), values

    def read(self, X: ArrayLike | pd.DataFrame) -> Floats:
        """Return the values of the learned columns, in their order.

        Raises
        ------
        BadInput
            If a learned column is missing or, for an array, the number of columns differs.
        """
        if isinstance(X, pd.DataFrame) and tuple(X.columns) != self.names:
            lacking = [name for name in self.names if name not in X.columns]
            if lacking:
                raise BadInput.one(
                    "X",
                    f"lacks {counts.columns(len(lacking))}: {', '.join(lacking[:5])}.",
                    "Give every feature; NaN where it is unknown.",
                )
            X = X.loc[:, list(self.names)]
        values = _matrix(X)
        if values.shape[1] != len(self.names):
            raise BadInput.one(
                "X",
                f"has {values.shape[1]} columns; the model was fitted on {len(self.names)}.",
                "Give the same features.",
            )
        return values

    def position(self, column: str | int) -> int:
        """Return the place of a column given by name or index."""
        if isinstance(column, str):
            if column not in self.names:
                raise BadInput.one("monotone", f"names {column!r}, which is not a feature.", "Use a column name of X.")
            return self.names.index(column)
        if not 0 <= column < len(self.names):
            raise BadInput.one(
                "monotone", f"names column {column}; there are {len(self.names)}.", "Count columns from 0."
            )
        return int(column)


def check_rows(
    X: ArrayLike | pd.DataFrame,
    time: ArrayLike,
    event: ArrayLike | None = None,
    entry: ArrayLike | None = None,
    weights: ArrayLike | None = None,
) -> tuple[FeatureColumns, Floats, Outcomes]:
    """Check what an estimator is to learn from; every `fit` begins so.

    Parameters
    ----------
    X : array or DataFrame, shape (n, p)
        NaN for missing.
    time, event, entry, weights : array_like, shape (n,)
        As for `check_outcomes`.

    Returns
    -------
    features : FeatureColumns
    values : array, shape (n, p)
    outcomes : Outcomes

    Raises
    ------
    BadInput
        If the outcomes contradict themselves, or the table has another number of rows.
    """
    outcomes = check_outcomes(time, event, entry, weights)
    features, values = FeatureColumns.learn(X)
    require_same_length("X", values, outcomes)
    return features, values, outcomes


def require_same_length(called: str, values: NDArray[Any], outcomes: Outcomes) -> None:
    """Raise `BadInput` unless a table has one row for each outcome."""
    if len(values) != len(outcomes):
        raise BadInput.one(
            called, f"has {len(values)} rows; time has {len(outcomes)}.", "Give one row for each outcome."
        )


def check_days(days: ArrayLike, horizon: float = np.inf) -> Floats:
    """Return days as a float array, shape (m,).

    Raises
    ------
    BadInput
        If a day is negative, not finite, or past the horizon: past it nothing is claimed.
    """
    at = np.atleast_1d(np.asarray(days, dtype=np.float64))
    if at.ndim != 1 or at.size == 0 or not np.all(np.isfinite(at)) or np.any(at < 0) or np.any(at > horizon):
        reach = "" if np.isinf(horizon) else f" and at most {horizon:g}, the horizon"
        raise BadInput.one(
            "days", f"must be a list of days from 0 on{reach}.", "Ask for days the model can speak about."
        )
    return at


def check_grid(grid: ArrayLike) -> Floats:
    """Return a day grid as a float array, shape (g,); `BadInput` unless it increases strictly from 0."""
    edges = np.asarray(grid, dtype=np.float64)
    if (
        edges.ndim != 1
        or len(edges) < 2
        or edges[0] != 0
        or not np.all(np.isfinite(edges))
        or np.any(np.diff(edges) <= 0)
    ):
        raise BadInput.one(
            "grid", "does not increase strictly from day 0.", "Give at least two days, the first of them 0."
        )
    return edges


def _matrix(X: ArrayLike | pd.DataFrame, called: str = "X") -> Floats:
    if np.iscomplexobj(X):
        raise BadInput.one(called, "holds complex data.", "Give real numbers.")
    try:
        values = (
            X.to_numpy(dtype=np.float64, na_value=np.nan)
            if isinstance(X, pd.DataFrame)
            else np.asarray(X, dtype=np.float64)
        )
    except (TypeError, ValueError) as error:
        raise BadInput.one(
            called, "holds something that is not a number.", "Encode categories as numbers; NaN for unknown."
        ) from error
    if values.ndim != 2:
        raise BadInput.one(
            called, f"is no table: its shape is {values.shape}.", "Give a table: one row a pack, one column a feature."
        )
    if np.any(np.isinf(values)):
        row, column = np.argwhere(np.isinf(values))[0]
        raise BadInput.one(f"{called}[{row}, {column}]", "is infinite.", "Give NaN where a feature is unknown.")
    return values

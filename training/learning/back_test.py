"""Time-ordered back-testing: what would have been forecast on a record, by what was known at the time, and how it went.

The rule that keeps it honest: a model made at a cut sees only facts up to the cut, and a top-up whose fate was not
recorded by then counts as holding until the cut, whatever is recorded later. No news is taken to be good news: the
vehicle of a fault that returned comes back to the workshop.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import ndtri

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.forecaster import Forecaster
from models.packs.tables import HistoryTables, from_days, to_days
from models.survival.person_periods import bins_of
from models.survival.reading_curves import own_day
from training.learning.charged_again import returns_not_written
from training.learning.moments import SurvivalRows, moments_of, survival_rows

Maker = Callable[[HistoryTables, datetime], Forecaster]
"""Makes a forecaster from what was known at a cut."""

WINDOWS: Final = 2
FIRST_SHARE: Final = 0.4
"""Share of the recorded outcomes that is known at the first cut; the rest is cut into windows of equal number."""

LEAST_PROBABILITY: Final = 1e-6
"""No single outcome counts as more surprising than this."""

BACK_TEST_CONFIDENCES: Final = (0.8, 0.9, 0.95)


def known_by(tables: HistoryTables, at: datetime) -> HistoryTables:
    """Return the record as it stood at a moment, with every top-up still open then as running until then.

    One that another visit's followed with no outcome between had come back by that visit (`returns_not_written`).

    Parameters
    ----------
    at : datetime
        With offset.

    Returns
    -------
    HistoryTables
        Nothing in it depends on what was recorded for times after `at`.
    """
    cut = pd.Timestamp(at).tz_convert("UTC").as_unit("us")

    def before(frame: pd.DataFrame) -> pd.DataFrame:
        return frame[frame["time"].isna() | (frame["time"] <= cut)].reset_index(drop=True)

    readings, topups, outcomes = before(tables.readings), before(tables.topups), before(tables.outcomes)
    begun = set(readings["pack_id"]) | set(topups["pack_id"])
    packs = tables.packs[tables.packs["pack_id"].isin(begun)].reset_index(drop=True)
    usage = before(tables.usage)
    usage = usage[usage["pack_id"].isin(begun)].reset_index(drop=True)
    # The rest voltage after a charge stands in the charge's row, but was read hours or days later.
    later = topups["time"] + pd.to_timedelta(topups["rest_after_h"].astype(np.float64).fillna(0.0), unit="h") > cut
    topups.loc[later, ["rest_after_v", "rest_after_h"]] = np.nan
    known = replace(tables, packs=packs, readings=readings, topups=topups, usage=usage, outcomes=outcomes)
    back = returns_not_written(known)
    last_charge = topups.groupby("pack_id")["time"].max()
    last_fate = outcomes.groupby("pack_id")["time"].max().reindex(last_charge.index)
    still_out = last_charge.index[(last_fate.isna() | (last_fate <= last_charge)).to_numpy()]
    running = pd.DataFrame({"pack_id": still_out.to_numpy(dtype=object), "time": cut})
    return replace(known, outcomes=_with_ends(outcomes, back.assign(kind="returned"), running.assign(kind="running")))


def _with_ends(outcomes: pd.DataFrame, *more: pd.DataFrame) -> pd.DataFrame:
    """Add ends of top-ups of which no more is known than pack, time and kind."""
    whole = outcomes
    for some in more:
        if len(some):
            filled = some.reindex(columns=outcomes.columns)
            filled = filled.astype({name: outcomes[name].dtype for name in outcomes.columns})
            whole = pd.concat([whole, filled], ignore_index=True) if len(whole) else filled
    return whole.sort_values(["pack_id", "time"], kind="stable", ignore_index=True)


def cuts_of(tables: HistoryTables, at: datetime, windows: int = WINDOWS) -> list[datetime]:
    """Choose the cuts: at the first `FIRST_SHARE` of the outcomes is known, and each window sees equally many more.

    Returns
    -------
    list of datetime
        Fewer than `windows`, or none, where outcomes crowd together or are too few.
    """
    known = np.sort(to_days(tables.outcomes.loc[tables.outcomes["time"] <= pd.Timestamp(at), "time"]))
    if len(known) < 2 * windows:
        return []
    shares = np.linspace(FIRST_SHARE, 1.0, windows + 1)[:-1]
    times = from_days(np.unique(known[(shares * len(known)).astype(int)]))
    return [stamp.to_pydatetime() for stamp in times if stamp < pd.Timestamp(at)]


@dataclass(frozen=True)
class BackTest:
    """Forecasts of a record's moments, each made by models that knew only what lay before its window.

    Attributes
    ----------
    rows : SurvivalRows
        The moments, their evidence, and what became of them as known at the end.
    window : array of int, shape (n,)
    curves : dict of str to array, shape (n, len(DAYS))
        By candidate.
    bounds : dict of str to dict of float to array, shape (n,)
        Good-for days by candidate and confidence.
    """

    rows: SurvivalRows
    window: NDArray[np.int64]
    curves: dict[str, Floats]
    bounds: dict[str, dict[float, Floats]]

    def packs(self) -> NDArray[np.str_]:
        """Pack of each row, shape (n,)."""
        return self.rows.moments["pack_id"].to_numpy().astype(str)

    def surprise(self, candidate: str) -> Floats:
        """Log score of each row, shape (n,); see `log_score`."""
        return log_score(self.curves[candidate], self.rows.time, self.rows.event)


def back_test(
    tables: HistoryTables, at: datetime, makers: Mapping[str, Maker], cuts: Sequence[datetime], *, seed: int = 0
) -> BackTest | None:
    """Forecast each window's moments with models made at its start.

    Parameters
    ----------
    at : datetime
        Now: where the last window ends, and up to when outcomes are known.
    makers : mapping of str to callable
        Candidates; each is called once a cut, with what was known then and the moment of the cut.
    cuts : sequence of datetime
        Increasing, before `at`.
    seed : int
        Of the choice of moments.

    Returns
    -------
    BackTest or None
        None where no moment lies in any window.
    """
    ends = [*cuts[1:], at]
    now = known_by(tables, at)
    found: list[SurvivalRows] = []
    windows: list[NDArray[np.int64]] = []
    curves: dict[str, list[Floats]] = {name: [] for name in makers}
    bounds: dict[str, dict[float, list[Floats]]] = {name: {c: [] for c in BACK_TEST_CONFIDENCES} for name in makers}
    for number, (start, end) in enumerate(zip(cuts, ends, strict=True)):
        # Moments are chosen from what is known at the end of the window: nothing later can move the choice.
        moments = moments_of(known_by(tables, end), np.random.default_rng([seed, number]))
        inside = (moments["origin"] > pd.Timestamp(start)).to_numpy()
        rows = survival_rows(now, moments[inside].reset_index(drop=True))
        if not len(rows):
            continue
        known = known_by(tables, start)
        found.append(rows)
        windows.append(np.full(len(rows), number))
        for name, make in makers.items():
            forecaster = make(known, start)
            survival, _, _ = forecaster.curves(rows.X)
            curves[name].append(survival)
            group = forecaster.bound_group(rows.X)
            for confidence in BACK_TEST_CONFIDENCES:
                bounds[name][confidence].append(forecaster.bound.told_days(survival, confidence, groups=group))
    if not found:
        return None
    rows = found[0]
    for more in found[1:]:
        rows = rows.with_rows(more)
    return BackTest(
        rows,
        np.concatenate(windows),
        {name: np.concatenate(parts) for name, parts in curves.items()},
        {name: {c: np.concatenate(parts) for c, parts in by.items()} for name, by in bounds.items()},
    )


def log_score(survival: Floats, time: Floats, event: NDArray[np.bool_]) -> Floats:
    r"""Say how surprising each outcome was: minus the logarithm of the probability that the forecast gave it.

    .. math:: -\log(S_i(t_{j-1}) - S_i(t_j)) \text{ for a return in bin } j, \quad -\log S_i(c) \text{ if lost at } c

    Proper whether or not a row is censored, if censoring tells nothing beyond the evidence; lower is better. Day 90
    is where everybody's following ends.

    Parameters
    ----------
    survival : array, shape (n, len(DAYS))
    time, event : array, shape (n,)

    Returns
    -------
    array, shape (n,)
        Nats; at most ``-log(LEAST_PROBABILITY)``.

    References
    ----------
    Good (1952), Rational decisions, JRSS B 14, 107-114, for the score; Rindt et al. (2022), AISTATS, for its being
    proper under censoring (both from memory, unverified).

    Examples
    --------
    >>> half = np.concatenate([[1.0], np.full(len(DAYS) - 1, 0.5)])[None, :]
    >>> log_score(half, np.array([0.5]), np.array([True])).round(4).tolist()
    [0.6931]
    """
    seen = event & (time <= DAYS[-1])
    last = np.minimum(time, DAYS[-1])
    bins = bins_of(DAYS, last)
    row = np.arange(len(last))
    fell = survival[row, bins] - survival[row, bins + 1]
    chance = np.where(seen, fell, own_day(survival, last))
    return np.asarray(-np.log(np.clip(chance, LEAST_PROBABILITY, 1.0)))


@dataclass(frozen=True)
class PairedDifference:
    """Mean of one score less another on the same rows.

    Attributes
    ----------
    mean, standard_error : float
        The error counts packs, not rows: rows of one pack go together.
    """

    mean: float
    standard_error: float
    packs: int
    rows: int

    def upper(self, confidence: float) -> float:
        """Value that the true mean exceeds with probability 1 − `confidence` at most (normal limit)."""
        return self.mean + float(ndtri(confidence)) * self.standard_error

    def lower(self, confidence: float) -> float:
        """Value below which the true mean lies with probability 1 − `confidence` at most (normal limit)."""
        return self.mean - float(ndtri(confidence)) * self.standard_error


def paired_difference(one: Floats, other: Floats, packs: NDArray[np.str_]) -> PairedDifference:
    r"""Compare two scores row by row, with an error for rows that come in packs.

    .. math:: \mathrm{se}^2 = \frac{m}{m - 1} \frac{1}{n^2} \sum_{g=1}^m \Big( \sum_{i \in g} (d_i - \bar d) \Big)^2

    Parameters
    ----------
    one, other : array, shape (n,)
    packs : array, shape (n,)

    Returns
    -------
    PairedDifference
        Of ``one - other``; with fewer than two packs its error is infinite.

    References
    ----------
    Liang & Zeger (1986), Biometrika 73, 13-22, for the clustered error.

    Examples
    --------
    >>> found = paired_difference(np.array([1.0, 1.0, 3.0, 3.0]), np.zeros(4), np.array(["a", "a", "b", "b"]))
    >>> found.mean, found.standard_error
    (2.0, 1.0)
    """
    gap = one - other
    mean = float(gap.mean())
    _, place = np.unique(packs, return_inverse=True)
    sums = np.bincount(place, gap - mean)
    count = len(sums)
    error = float("inf") if count < 2 else float(np.sqrt(count / (count - 1) * (sums**2).sum()) / len(gap))
    return PairedDifference(mean, error, count, len(gap))

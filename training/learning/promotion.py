"""Whether a challenger may take the current model's place: only if it is no worse, by a stated rule."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

import numpy as np
import pandas as pd

from models.base import counts
from models.base.percents import level_percent
from models.forecaster import Forecaster
from models.packs.tables import HistoryTables
from training.learning.back_test import BackTest, back_test, paired_difference
from training.learning.copied_packs import without_copies

MARGIN: Final = 0.02
"""Nats by which the challenger's mean log score may be worse: it gave what happened, on (geometric) average, a
probability at most 2 % lower. Invented."""

CONFIDENCE: Final = 0.95
"""With which that has to be sure."""

LEAST_PACKS: Final = 30
"""Packs below which the sampling error itself is not to be trusted (common practice, no source)."""

RULE: Final = (
    f"A challenger is no worse if, on the same moments and with {level_percent(CONFIDENCE)} confidence, the "
    f"probability it gave to what happened is on average not more than {level_percent(MARGIN)} lower than the current "
    "model's."
)

LEARNING_RULE: Final = (
    "A model that has learned from a record answers unless the record shows it to be worse: tried on the past, with "
    f"{level_percent(CONFIDENCE)} confidence the probability it gave to what happened would have to be on average more "
    f"than {level_percent(MARGIN)} lower than the current model's. Where the record is too small to say, what held "
    "over many simulated workshops decides: learning helps."
)
"""An open verdict lets a model in here, and not one that was trained anew: averaged over the worlds that its prior was
learned from, a posterior's expected score is never worse than the prior's (Good 1967, On the principle of total
evidence, British Journal for the Philosophy of Science 17, 319-321; from memory, unverified)."""


@dataclass(frozen=True)
class Judgement:
    """A challenger against the current model.

    Attributes
    ----------
    verdict : {"no worse", "worse", "open"}
        "worse": with the same confidence it is worse than the margin allows. "open": too little to say.
    challenger_score, current_score : float
        Mean log score, nats; lower is better. NaN without rows.
    difference, low, high : float
        Challenger less current, with its one-sided limits at `CONFIDENCE`.
    """

    verdict: Literal["no worse", "worse", "open"]
    challenger_score: float
    current_score: float
    difference: float
    low: float
    high: float
    rows: int
    packs: int

    def sentence(self) -> str:
        """Say it in words."""
        if not self.rows:
            return "There is no moment after the last thing either model learned from, so nothing can be compared."
        said = {
            "no worse": "The challenger is no worse",
            "worse": "The challenger is worse",
            "open": "It is open whether the challenger is worse",
        }[self.verdict]
        if self.packs < LEAST_PACKS:
            said += f", for fewer than {counts.packs(LEAST_PACKS)} are too few to judge by"
        return (
            f"{said}: log score {self.challenger_score:.4f} against {self.current_score:.4f}, difference "
            f"{self.difference:+.4f} ({self.low:+.4f} to {self.high:+.4f}) on {counts.moments(self.rows)} of "
            f"{counts.packs(self.packs)}."
        )


def judge(tested: BackTest | None, challenger: str, current: str) -> Judgement:
    """Compare two candidates of a back-test by `RULE`.

    Returns
    -------
    Judgement
        "open" with fewer than `LEAST_PACKS` packs, whatever the scores.
    """
    nothing = float("nan")
    if tested is None:
        return Judgement("open", nothing, nothing, nothing, nothing, nothing, 0, 0)
    mine, theirs = tested.surprise(challenger), tested.surprise(current)
    found = paired_difference(mine, theirs, tested.packs())
    low, high = found.lower(CONFIDENCE), found.upper(CONFIDENCE)
    verdict: Literal["no worse", "worse", "open"] = "open"
    if found.packs >= LEAST_PACKS:
        verdict = "no worse" if high <= MARGIN else "worse" if low > MARGIN else "open"
    return Judgement(verdict, float(mine.mean()), float(theirs.mean()), found.mean, low, high, found.rows, found.packs)


def compare(
    challenger: Forecaster,
    current: Forecaster,
    record: HistoryTables,
    at: datetime,
    *,
    since: datetime | None = None,
) -> Judgement:
    """Judge two finished models on a record, on moments that neither can have learned from.

    Parameters
    ----------
    at : datetime
        Now: up to when outcomes are known.
    since : datetime, optional
        Until when either has learned from this record; only later moments count. Without it the whole record does.
    """
    record, _ = without_copies(record)
    times = pd.concat([record.topups["time"], record.readings["time"]])
    if times.empty:
        return judge(None, "", "")
    start = (times.min() - pd.Timedelta(1, "s")).to_pydatetime() if since is None else since
    if start >= at:
        return judge(None, "", "")
    makers = {"challenger": lambda *_: challenger, "current": lambda *_: current}
    return judge(back_test(record, at, makers, [start], seed=0), "challenger", "current")


def later_than(tested: BackTest | None, since: datetime | None) -> BackTest | None:
    """Keep the moments of a back-test after `since`; None if there are none."""
    if tested is None or since is None:
        return tested
    rows = np.flatnonzero((tested.rows.moments["origin"] > pd.Timestamp(since)).to_numpy())
    if not len(rows):
        return None
    return BackTest(
        tested.rows.take(rows),
        tested.window[rows],
        {name: part[rows] for name, part in tested.curves.items()},
        {name: {c: days[rows] for c, days in by.items()} for name, by in tested.bounds.items()},
    )

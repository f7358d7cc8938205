"""What people were told, and what came of it: every issued forecast scored once its outcome is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from models.base import counts
from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.base.errors import BadInput
from models.packs.tables import to_days
from models.survival.reading_curves import own_day
from training.monitoring.alarm import AlarmTrace
from training.report.content import MonthVerdict, ToldMonth, WhatWeTold
from training.scoring import NotEstimable, bound_coverage, brier_score, reliability
from training.scoring.reliability import Agreement

_Found = TypeVar("_Found")

TOLD_DAY: Final = 14.0
"""The day on which months are compared."""

TOLD_CONFIDENCE: Final = 0.9
CONFIDENCE: Final = 0.95
LEAST_ROWS: Final = 20
"""Forecasts of known status below which a month gives no share: its counts still stand."""

UTC_TIME: Final = "datetime64[us, UTC]"
ISSUED_COLUMNS: Final = ("pack_id", "issued_at", "origin", "model_id", "good_for_days")


@dataclass(frozen=True)
class SettledForecasts:
    """Issued forecasts with what became of them, as known now.

    Attributes
    ----------
    issued : DataFrame, n rows
        `ISSUED_COLUMNS`, in order of issue.
    survival : array, shape (n, len(DAYS))
        As issued.
    time : array, shape (n,)
        Days from the origin to the return, or to the end of following.
    event : bool array, shape (n,)
        The fault returned then.
    entry : array, shape (n,)
        Days from the origin to the moment of issue.
    settled : bool array, shape (n,)
        The outcome is known, or day 90 has passed; else it is still open.
    """

    issued: pd.DataFrame
    survival: Floats
    time: Floats
    event: NDArray[np.bool_]
    entry: Floats
    settled: NDArray[np.bool_]

    def __len__(self) -> int:
        return len(self.time)


def settle(issued: pd.DataFrame, survival: Floats, outcomes: pd.DataFrame, now: datetime) -> SettledForecasts:
    """Join issued forecasts with outcomes.

    Parameters
    ----------
    issued : DataFrame, n rows
        `ISSUED_COLUMNS`; times in UTC, ``good_for_days`` at 90 %, 0 where none were promised.
    survival : array, shape (n, len(DAYS))
        The curves as issued.
    outcomes : DataFrame
        ``pack_id``, ``time``, ``kind``, as in `models.packs.tables.OUTCOME_COLUMNS`.
    now : datetime
        With offset. Outcomes recorded for later are not used; a forecast without one is open and followed until now.

    Returns
    -------
    SettledForecasts
        Of several forecasts of a pack from the same moment the first counts, as what was said first. Forecasts issued
        after their outcome, or after day 90, foretold nothing and are left out.

    Raises
    ------
    BadInput
        If a column is missing or the curves do not fit.
    """
    missing = [name for name in ISSUED_COLUMNS if name not in issued]
    if missing:
        raise BadInput.one("issued", f"lacks the column {missing[0]}.", f"Give {', '.join(ISSUED_COLUMNS)}.")
    curves = np.asarray(survival, dtype=np.float64)
    if curves.shape != (len(issued), len(DAYS)):
        raise BadInput.one("survival", f"has shape {curves.shape}.", f"Give ({len(issued)}, {len(DAYS)}) values.")
    rows = issued[list(ISSUED_COLUMNS)].assign(row=np.arange(len(issued)))
    rows = rows.astype({"issued_at": UTC_TIME, "origin": UTC_TIME})
    rows = rows[rows["issued_at"] <= pd.Timestamp(now)].sort_values(["issued_at", "row"], kind="stable")
    rows = rows.drop_duplicates(["pack_id", "origin"])
    fates = outcomes[["pack_id", "time", "kind"]].astype({"time": UTC_TIME})
    fates = fates[fates["time"] <= pd.Timestamp(now)]
    joined = pd.merge_asof(
        rows.sort_values("origin", kind="stable"),
        fates.sort_values("time", kind="stable"),
        left_on="origin",
        right_on="time",
        by="pack_id",
        direction="forward",
        allow_exact_matches=False,
    ).sort_values(["issued_at", "row"], kind="stable", ignore_index=True)
    start, today = to_days(joined["origin"]), float(to_days(pd.Series(pd.DatetimeIndex([now])))[0])
    end = np.where(joined["time"].isna(), today, to_days(joined["time"])) - start
    entry = np.maximum(to_days(joined["issued_at"]) - start, 0.0)
    known = joined["time"].notna().to_numpy()
    use = (end > entry) & (entry < DAYS[-1])
    event = (joined["kind"] == "returned").to_numpy() & known
    kept = joined[use].reset_index(drop=True)
    return SettledForecasts(
        kept[list(ISSUED_COLUMNS)],
        curves[kept["row"].to_numpy()],
        end[use],
        event[use],
        entry[use],
        (known | (end >= DAYS[-1]))[use],
    )


def what_we_told(settled: SettledForecasts, now: datetime) -> WhatWeTold | None:
    """Score issued forecasts month by month, all together, and watch them for drift.

    Censored forecasts are weighed within their own month of issue, for recent ones were followed less; a month that is
    too small for a share still shows its counts.

    Returns
    -------
    WhatWeTold or None
        None without a forecast.
    """
    if not len(settled):
        return None
    month = settled.issued["issued_at"].dt.strftime("%Y-%m").to_numpy().astype(str)
    model = settled.issued["model_id"].to_numpy().astype(str)
    whole = _month(settled, np.ones(len(settled), dtype=bool), "all months", model)
    months = tuple(_month(settled, month == name, name, model) for name in np.unique(month))
    alarm = watch(settled, now)
    return WhatWeTold(
        until=now.isoformat(timespec="minutes"),
        day=TOLD_DAY,
        confidence=TOLD_CONFIDENCE,
        whole=whole,
        months=months,
        alarm=alarm.sentence(),
        alarm_raised=alarm.raised_on is not None,
        sentences=_sentences(whole, len(settled)),
    )


def watch(settled: SettledForecasts, now: datetime) -> AlarmTrace:
    """Run the alarm over issued forecasts, each until the next one of its pack takes its place."""
    start = to_days(settled.issued["origin"])
    issue = start + settled.entry
    order = pd.DataFrame({"pack": settled.issued["pack_id"], "issue": issue}).sort_values("issue", kind="stable")
    following = order.groupby("pack")["issue"].shift(-1).reindex(settled.issued.index).to_numpy(np.float64)
    replaced = following < start + settled.time
    time = np.where(replaced, following - start, settled.time)
    use = time > settled.entry
    today = float(to_days(pd.Series(pd.DatetimeIndex([now])))[0])
    return AlarmTrace.watch(
        settled.survival[use],
        start[use],
        time[use],
        (settled.event & ~replaced)[use],
        settled.entry[use],
        now=today,
    )


def _month(settled: SettledForecasts, rows: NDArray[np.bool_], name: str, model: NDArray[np.str_]) -> ToldMonth:
    survival, time, event, entry = (
        settled.survival[rows],
        settled.time[rows],
        settled.event[rows],
        settled.entry[rows],
    )
    agreed = _or_none(lambda: reliability(survival, time, event, entry, day=TOLD_DAY, bins=1, confidence=CONFIDENCE))
    if agreed is not None and agreed.overall.rows - agreed.overall.unknown < LEAST_ROWS:
        agreed = None
    days = settled.issued["good_for_days"].to_numpy(np.float64)[rows]
    # A bound is a promise from the origin; where the forecast came later, its pack had held so far.
    # Where nothing was promised there is nothing to keep.
    fresh = (entry <= 1.0) & (days > 0)
    kept = None
    # Where no return was ever recorded, nobody may have recorded what became of them.
    if fresh.sum() >= LEAST_ROWS and event[fresh].any():
        kept = _or_none(
            lambda: bound_coverage(
                days[fresh], time[fresh], event[fresh], promised=TOLD_CONFIDENCE, confidence=CONFIDENCE
            )
        )
    score = None if agreed is None else _or_none(lambda: brier_score(survival, time, event, entry, days=[TOLD_DAY]))
    last = np.minimum(time, DAYS[-1])
    hazard = -np.log(np.maximum(own_day(survival, last), 1e-12)) + np.log(np.maximum(own_day(survival, entry), 1e-12))
    overall = None if agreed is None else agreed.overall
    return ToldMonth(
        month=name,
        models=tuple(np.unique(model[rows]).tolist()),
        forecasts=int(rows.sum()),
        settled=int(settled.settled[rows].sum()),
        returned=int((event & (time <= DAYS[-1])).sum()),
        expected=float(hazard.sum()),
        forecast=None if overall is None else overall.forecast,
        observed=None if overall is None else overall.observed,
        low=None if overall is None else overall.low,
        high=None if overall is None else overall.high,
        verdict=_verdict(overall),
        brier=None if score is None else float(score.score[0]),
        kept=None if kept is None else kept.held,
        kept_low=None if kept is None else kept.low,
        kept_high=None if kept is None else kept.high,
    )


def _verdict(overall: Agreement | None) -> MonthVerdict:
    if overall is None:
        return "too few"
    if overall.low <= overall.forecast <= overall.high:
        return "agrees"
    return "more returned" if overall.observed > overall.forecast else "fewer returned"


def _or_none(score: Callable[[], _Found]) -> _Found | None:
    try:
        return score()
    except NotEstimable:
        return None


def _sentences(whole: ToldMonth, count: int) -> tuple[str, ...]:
    if not whole.settled:
        return (f"Issued: {counts.forecasts(count)}. Of none of them is the outcome known yet.",)
    known = f"The outcome is known of {whole.settled}, with a return after {whole.returned}"
    said = [f"Issued: {counts.forecasts(count)}. {known}; a return counts for each forecast before it."]
    if whole.forecast is None or whole.observed is None or whole.low is None or whole.high is None:
        return (*said, "That is too few to say how good they were.")
    said.append(
        f"Of 100 packs, {100 * whole.forecast:.0f} were forecast to return by day {TOLD_DAY:g}; "
        f"{100 * whole.observed:.0f} did ({100 * whole.low:.0f} to {100 * whole.high:.0f} with chance allowed for): "
        + ("they agree." if whole.verdict == "agrees" else "they do not agree.")
    )
    if whole.kept is not None and whole.kept_low is not None and whole.kept_high is not None:
        short = whole.kept_high < TOLD_CONFIDENCE
        said.append(
            f"The days they were said to be good for held for {100 * whole.kept:.0f} of 100 "
            f"({100 * whole.kept_low:.0f} to {100 * whole.kept_high:.0f}); {100 * TOLD_CONFIDENCE:g} were promised: "
            + ("too few." if short else "no fewer than chance explains.")
        )
    return tuple(said)

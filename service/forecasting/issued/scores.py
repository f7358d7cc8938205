"""The newest forecast of each open case in compact form, so that a list need not read whole forecasts.

A score is written with every forecast that is issued as things stand, and brought to a new day by the scoring job.
Forecasts of another use ("if it did only 8 km a day") are answers to a question and leave the score alone.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from sqlalchemy import and_, bindparam, delete, exists, or_, select, update
from sqlalchemy.orm import Session

from models.base.day_grid import DAYS
from models.calibration.conformal import RISKS
from models.decisions.fleet_costs import WEEK_DAYS
from models.decisions.hold_curves import FloatArray, daily_hold, held_until_now
from models.packs.tables import SECONDS_PER_DAY
from service.store.schema import Assignment, IssuedForecast, Outcome, Pack, Score, TopUp, Usage, Vehicle

OLDEST_DAYS: Final = 30.0
"""A forecast from longer ago is not decided on: too much of what is left of it is the assumption at its end."""

_CURVES: Final = 3
_SOME: Final = 5_000


def packed(survival: FloatArray, band_low: FloatArray, band_high: FloatArray) -> bytes:
    """Return three curves on the day grid as bytes."""
    return np.asarray([survival, band_low, band_high], dtype="<f8").tobytes()


def unpacked(packs: list[bytes]) -> FloatArray:
    """Return the curves of many scores, shape (3, n, len(DAYS)): the forecast and its band's low and high edge."""
    curves = np.frombuffer(b"".join(packs), dtype="<f8").reshape(len(packs), _CURVES, len(DAYS))
    return np.asarray(curves.transpose(1, 0, 2), dtype=np.float64)


def packed_levels(levels: Sequence[float] | None) -> bytes | None:
    """Return the levels at which a forecast's promises are read off as bytes; None of a forecast that has none."""
    return None if levels is None else np.asarray(levels, dtype="<f8").tobytes()


def unpacked_levels(packs: Sequence[bytes | None]) -> FloatArray:
    """Return those of many scores, shape (n, len(RISKS)); where there are none the curve itself is the promise."""
    rows = [RISKS if levels is None else np.frombuffer(levels, dtype="<f8") for levels in packs]
    return np.asarray(rows, dtype=np.float64).reshape(len(rows), len(RISKS))


def days_between(earlier: datetime, later: datetime) -> float:
    """Return the days between two moments, not below 0."""
    return max((later - earlier).total_seconds() / SECONDS_PER_DAY, 0.0)


def week_figures(survival: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the chance of a return within a week, and the days of it that a pack bought now would lie unneeded."""
    hold = daily_hold(survival)
    return 1 - hold[:, WEEK_DAYS], hold[:, :WEEK_DAYS].sum(axis=1)


def keep_score(session: Session, forecast: IssuedForecast, now: datetime) -> None:
    """Make a forecast just issued its pack's score, unless it is of another use or of an earlier moment."""
    keep_scores(session, [forecast], now)


def keep_scores(session: Session, forecasts: Sequence[IssuedForecast], now: datetime) -> None:
    """Make forecasts just issued, each of another pack, their packs' scores, as `keep_score` does of one."""
    named = [one.pack_id for one in forecasts if one.asked.get("usage") is None]
    before = {score.pack_id: score for score in session.scalars(select(Score).where(Score.pack_id.in_(named)))}
    kept = [one for one in forecasts if one.pack_id in named
            and not (one.pack_id in before and before[one.pack_id].origin > one.origin)]  # fmt: skip
    if not kept:
        return
    ids = [one.pack_id for one in kept]
    family = {row.id: row.family for row in session.execute(select(Pack.id, Pack.family).where(Pack.id.in_(ids)))}
    topups: dict[str, list[datetime]] = {}
    for pack_id, time in session.execute(select(TopUp.pack_id, TopUp.time).where(TopUp.pack_id.in_(ids))):
        topups.setdefault(pack_id, []).append(time)
    now_in = and_(Assignment.since <= now, or_(Assignment.until.is_(None), Assignment.until > now))
    sits = select(Assignment.pack_id, Vehicle.id, Vehicle.site, Vehicle.duty)
    sits = sits.join(Vehicle, Assignment.vehicle_id == Vehicle.id).where(Assignment.pack_id.in_(ids), now_in)
    vehicle = {pack_id: rest for pack_id, *rest in session.execute(sits)}
    planned = Usage.__table__.c.km_per_day
    plans = select(Usage.pack_id, planned).where(Usage.pack_id.in_(ids), planned.is_not(None)).order_by(Usage.time)
    km_per_day = {row.pack_id: row.km_per_day for row in session.execute(plans)}
    curves = np.array([[one.answer[name] for name in ("survival", "band_low", "band_high")] for one in kept])
    held = np.minimum([days_between(one.origin, now) for one in kept], OLDEST_DAYS)
    week_return, week_wait = week_figures(held_until_now(curves[:, 0], held))
    for place, one in enumerate(kept):
        score = before.get(one.pack_id) or Score(pack_id=one.pack_id)
        score.forecast_id, score.model_id, score.origin = one.id, one.model_id, one.origin
        score.family = family[one.pack_id]
        score.vehicle_id, score.site, score.duty = vehicle.get(one.pack_id, (None, None, None))
        # Where no charge was written down, the top-up was inferred from the readings.
        topped = [time for time in topups.get(one.pack_id, ()) if time <= one.origin]
        score.topped_at = max(topped) if topped else one.origin - timedelta(days=one.answer["days_held"])
        score.good_until = one.origin + timedelta(days=one.good_for_days)
        score.km_per_day = km_per_day.get(one.pack_id)
        score.as_of, score.week_return = now, float(week_return[place])
        score.week_wait_days, score.curves = float(week_wait[place]), packed(*curves[place])
        score.told_levels = packed_levels(one.answer.get("told_levels"))
        session.add(score)
    session.flush()


def ended() -> Any:
    """Return the condition under which a score speaks of a top-up that is over: it has an outcome, or a later one."""
    outcome = exists().where(
        Outcome.pack_id == Score.pack_id, Outcome.kind != "running", Outcome.time >= Score.topped_at
    )
    again = exists().where(TopUp.pack_id == Score.pack_id, TopUp.time > Score.topped_at)
    return or_(outcome, again)


def drop_others(session: Session, keep: Collection[str], before: datetime) -> None:
    """Drop the scores of packs that nothing can be said of any more, leaving those made since a moment alone.

    Parameters
    ----------
    session : Session
    keep : collection of str
        Packs that are out on a top-up and were forecast, or whose forecast stands.
    before : datetime
        A score made at this moment or later stays: its pack came in meanwhile.
    """
    gone = [name for name in session.scalars(select(Score.pack_id).where(Score.as_of < before)) if name not in keep]
    for first in range(0, len(gone), _SOME):
        session.execute(delete(Score).where(Score.pack_id.in_(gone[first : first + _SOME])))


def bring_to(session: Session, now: datetime) -> int:
    """Drop the scores of top-ups that are over, and read all others from now on; return how many there are."""
    session.execute(delete(Score).where(ended()))
    change = (
        update(Score.__table__)  # type: ignore[arg-type]
        .where(Score.__table__.c.pack_id == bindparam("of"))
        .values(week_return=bindparam("chance"), week_wait_days=bindparam("wait"), as_of=now)
    )
    count, last = 0, ""
    while True:
        columns = (Score.pack_id, Score.origin, Score.curves)
        rows = session.execute(select(*columns).where(Score.pack_id > last).order_by(Score.pack_id).limit(_SOME)).all()
        if not rows:
            return count
        held = np.minimum([days_between(origin, now) for _, origin, _ in rows], OLDEST_DAYS)
        chances, waits = week_figures(held_until_now(unpacked([curves for *_, curves in rows])[0], held))
        values = [
            {"of": pack_id, "chance": float(chance), "wait": float(wait)}
            for (pack_id, *_), chance, wait in zip(rows, chances, waits, strict=True)
        ]
        session.execute(change, values)
        count, last = count + len(rows), rows[-1][0]

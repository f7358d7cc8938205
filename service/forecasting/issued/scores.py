"""The newest forecast of each open case in compact form, so that a list need not read whole forecasts.

A score is written with every forecast that is issued as things stand, and brought to a new day by the scoring job.
Forecasts of another use ("if it did only 8 km a day") are answers to a question and leave the score alone.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from sqlalchemy import and_, bindparam, delete, exists, func, or_, select, update
from sqlalchemy.orm import Session

from models.base.day_grid import DAYS
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


def days_between(earlier: datetime, later: datetime) -> float:
    """Return the days between two moments, not below 0."""
    return max((later - earlier).total_seconds() / SECONDS_PER_DAY, 0.0)


def week_figures(survival: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the chance of a return within a week, and the days of it that a pack bought now would lie unneeded."""
    hold = daily_hold(survival)
    return 1 - hold[:, WEEK_DAYS], hold[:, :WEEK_DAYS].sum(axis=1)


def keep_score(session: Session, forecast: IssuedForecast, now: datetime) -> None:
    """Make a forecast just issued its pack's score, unless it is of another use or of an earlier moment."""
    if forecast.asked.get("usage") is not None:
        return
    score = session.get(Score, forecast.pack_id)
    if score is not None and score.origin > forecast.origin:
        return
    pack = session.get_one(Pack, forecast.pack_id)
    answer = forecast.answer
    topped = session.scalar(select(func.max(TopUp.time)).where(TopUp.pack_id == pack.id, TopUp.time <= forecast.origin))
    now_in = and_(Assignment.since <= now, or_(Assignment.until.is_(None), Assignment.until > now))
    vehicle = session.scalar(
        select(Vehicle)
        .join(Assignment, Assignment.vehicle_id == Vehicle.id)
        .where(Assignment.pack_id == pack.id, now_in)
    )
    survival, low, high = (np.asarray(answer[name]) for name in ("survival", "band_low", "band_high"))
    today = held_until_now(survival[None], min(days_between(forecast.origin, now), OLDEST_DAYS))
    (week_return,), (week_wait,) = week_figures(today)
    if score is None:
        score = Score(pack_id=pack.id)
    score.forecast_id, score.model_id, score.origin = forecast.id, forecast.model_id, forecast.origin
    score.family = pack.family
    score.vehicle_id, score.site, score.duty = (
        (None, None, None) if vehicle is None else (vehicle.id, vehicle.site, vehicle.duty)
    )
    # Where no charge was written down, the top-up was inferred from the readings.
    score.topped_at = topped or forecast.origin - timedelta(days=answer["days_held"])
    score.good_until = forecast.origin + timedelta(days=forecast.good_for_days)
    planned = Usage.__table__.c.km_per_day
    score.km_per_day = session.scalar(
        select(planned).where(Usage.pack_id == pack.id, planned.is_not(None)).order_by(Usage.time.desc()).limit(1)
    )
    score.as_of, score.week_return, score.week_wait_days = now, float(week_return), float(week_wait)
    score.curves = packed(survival, low, high)
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

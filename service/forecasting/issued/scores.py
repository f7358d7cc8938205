"""The newest forecast of each open case in compact form, so that a list need not read whole forecasts.

A score is written with every forecast that is issued as things stand, and brought to a new day by the scoring job.
Forecasts of another use ("if it did only 8 km a day") are answers to a question and leave the score alone.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from sqlalchemy import and_, delete, exists, func, insert, literal, or_, select
from sqlalchemy.orm import Session

from models.base.arrays import Floats
from models.base.day_grid import DAYS
from models.calibration.conformal import RISKS, told_hold
from models.decisions.fleet_costs import WEEK_DAYS
from models.decisions.hold_curves import daily_hold, held_until_now, told_until_now
from models.forecasts.last_seen import REFUSE_AFTER_DAYS
from models.forecasts.withheld import UNREAD_AFTER, undecided_by
from models.packs.history import PackHistory
from models.packs.tables import SECONDS_PER_DAY
from service.forecasting.recheck.days import day_reached
from service.records.unweighed import newest_entry
from service.store.bulk import change_rows, put_rows, table_of
from service.store.opening import Store
from service.store.schema import Assignment, IssuedForecast, Outcome, Score, ScoreCurves, TopUp, UnweighedPack, Vehicle

OLDEST_DAYS: Final = REFUSE_AFTER_DAYS
"""A forecast from longer ago is not decided on: too much of what is left of it is the assumption at its end."""

_CURVES: Final = 3
_SOME: Final = 5_000


def packed(survival: Floats, band_low: Floats, band_high: Floats) -> bytes:
    """Return three curves on the day grid as bytes."""
    return np.asarray([survival, band_low, band_high], dtype="<f8").tobytes()


def unpacked(packs: list[bytes]) -> Floats:
    """Return the curves of many scores, shape (3, n, len(DAYS)): the forecast and its band's low and high edge."""
    curves = np.frombuffer(b"".join(packs), dtype="<f8").reshape(len(packs), _CURVES, len(DAYS))
    return np.asarray(curves.transpose(1, 0, 2), dtype=np.float64)


def packed_levels(levels: Sequence[float] | None) -> bytes | None:
    """Return the levels at which a forecast's promises are read off as bytes; None of a forecast that has none."""
    return None if levels is None else np.asarray(levels, dtype="<f8").tobytes()


def unpacked_levels(packs: Sequence[bytes | None]) -> Floats:
    """Return those of many scores, shape (n, len(RISKS)); where there are none the curve itself is the promise."""
    rows = [RISKS if levels is None else np.frombuffer(levels, dtype="<f8") for levels in packs]
    return np.asarray(rows, dtype=np.float64).reshape(len(rows), len(RISKS))


def days_between(earlier: datetime, later: datetime) -> float:
    """Return the days between two moments, not below 0."""
    return max((later - earlier).total_seconds() / SECONDS_PER_DAY, 0.0)


def week_figures(survival: Floats, told: Floats | None = None) -> tuple[Floats, Floats]:
    """Return the chance of a return within a week, and the days of it that a pack bought now would lie unneeded.

    Parameters
    ----------
    survival : array, shape (n, len(DAYS))
    told : array, shape (n, len(RISKS)), optional
        Levels at which promises are read off; what was promised and is used up counts as back then.
    """
    hold = daily_hold(survival)[:, : WEEK_DAYS + 1]
    hold = hold if told is None else told_hold(hold, told)
    return 1 - hold[:, WEEK_DAYS], hold[:, :WEEK_DAYS].sum(axis=1)


def weeks_from_now(curves: Floats, levels: Floats, held_days: ArrayLike) -> tuple[Floats, Floats]:
    """Return the figures of the week from now on, of curves and levels each from its own origin."""
    return week_figures(held_until_now(curves, held_days), told_until_now(levels, curves, held_days))


def keep_score(session: Session, forecast: IssuedForecast, history: PackHistory, now: datetime) -> None:
    """Make a forecast just issued its pack's score, unless it is of another use or of an earlier moment.

    Parameters
    ----------
    forecast : IssuedForecast
        With its number.
    history : PackHistory
        It was made from.
    """
    facts = {name: getattr(forecast, name) for name in (c.name for c in table_of(IssuedForecast).columns)}
    keep_scores(session, [facts], [history], now)


def keep_scores(
    session: Session, forecasts: Sequence[Mapping[str, Any]], histories: Sequence[PackHistory], now: datetime
) -> None:
    """Make forecasts just issued, each of another pack, their packs' scores, as `keep_score` does of one.

    Parameters
    ----------
    forecasts : sequence of mapping
        Columns of `IssuedForecast` by name.
    histories : sequence of PackHistory
        Each was made from.
    """
    kept = [pair for pair in zip(forecasts, histories, strict=True) if pair[0]["asked"].get("usage") is None]
    if not kept:
        return
    now_in = and_(Assignment.since <= now, or_(Assignment.until.is_(None), Assignment.until > now))
    sits = select(Assignment.pack_id, Vehicle.id, Vehicle.site, Vehicle.duty)
    sits = sits.join(Vehicle, Assignment.vehicle_id == Vehicle.id)
    sits = sits.where(Assignment.pack_id.in_([history.pack_id for _, history in kept]), now_in)
    vehicle = {pack_id: rest for pack_id, *rest in session.execute(sits)}
    curves = np.array([[one["answer"][name] for name in ("survival", "band_low", "band_high")] for one, _ in kept])
    held = np.minimum([days_between(one["origin"], now) for one, _ in kept], OLDEST_DAYS)
    levels = unpacked_levels([packed_levels(one["answer"].get("told_levels")) for one, _ in kept])
    week_return, week_wait = (column.tolist() for column in weeks_from_now(curves[:, 0], levels, held))
    rows, apart = [], []
    for place, (one, history) in enumerate(kept):
        pack_id, origin = history.pack_id, one["origin"]
        vehicle_id, site, duty = vehicle.get(pack_id, (None, None, None))
        # Where no charge was written down, the top-up was inferred from the readings.
        topped = [topup.time for topup in history.topups if topup.time <= origin]
        planned = [plan.km_per_day for plan in history.usage if plan.km_per_day is not None]
        rows.append(
            {
                "pack_id": pack_id,
                "forecast_id": one["id"],
                "vehicle_id": vehicle_id,
                "site": site,
                "duty": duty,
                "family": history.family,
                "model_id": one["model_id"],
                "topped_at": topped[-1] if topped else origin - timedelta(days=one["answer"]["days_held"]),
                "origin": origin,
                "good_until": day_reached(origin, one["good_for_days"]),
                "km_per_day": planned[-1] if planned else None,
                "as_of": now,
                "week_return": week_return[place],
                "week_wait_days": week_wait[place],
                "seen_at": history.seen_at(origin),
                "grave": any(code != UNREAD_AFTER for code in undecided_by(one["answer"]["withheld_by"])),
                "unread": UNREAD_AFTER in one["answer"]["withheld_by"],
            }
        )
        apart.append(
            {
                "pack_id": pack_id,
                "origin": origin,
                "curves": packed(*curves[place]),
                "told_levels": packed_levels(one["answer"].get("told_levels")),
            }
        )
    put_rows(session, table_of(Score), rows, newer_by="origin")
    put_rows(session, table_of(ScoreCurves), apart, newer_by="origin")
    weighed = [history.pack_id for one, history in kept if newest_entry(history) <= one["origin"]]
    for first in range(0, len(weighed), _SOME):
        some = weighed[first : first + _SOME]
        session.execute(delete(UnweighedPack).where(UnweighedPack.pack_id.in_(some)))


def held_back() -> Any:
    """Return the condition under which a score's vehicle is looked at, or read, before anybody drives it."""
    return or_(Score.grave, Score.unread)


def behind() -> Any:
    """Return the condition under which something is recorded of a pack that its score does not know."""
    return exists().where(UnweighedPack.pack_id == Score.pack_id)


def not_weighed() -> Any:
    """Return the condition under which nothing is decided by a score's figures: look, read or forecast anew first."""
    return or_(held_back(), behind())


def _ends() -> tuple[Any, Any]:
    outcome = exists().where(
        Outcome.pack_id == Score.pack_id, Outcome.kind != "running", Outcome.time >= Score.topped_at
    )
    again = exists().where(TopUp.pack_id == Score.pack_id, TopUp.time > Score.topped_at)
    return outcome, again


def ended() -> Any:
    """Return the condition under which a score speaks of a top-up that is over: it has an outcome, or a later one."""
    return or_(*_ends())


def still_out() -> Any:
    """Return the opposite, each part by itself: so a server joins the tables once, and does not look for each score."""
    return and_(*(~over for over in _ends()))


def drop_others(session: Session, keep: Collection[str], before: datetime) -> None:
    """Drop the scores of packs that nothing can be said of any more, leaving those made since a moment alone.

    Parameters
    ----------
    keep : collection of str
        Packs that are out on a top-up and were forecast, or whose forecast stands.
    before : datetime
        A score made at this moment or later stays: its pack came in meanwhile.
    """
    gone = [name for name in session.scalars(select(Score.pack_id).where(Score.as_of < before)) if name not in keep]
    for first in range(0, len(gone), _SOME):
        some = gone[first : first + _SOME]
        # What its last forecast warned of is not looked at because nothing more can be said of it.
        noted = select(UnweighedPack.pack_id).where(UnweighedPack.pack_id == Score.pack_id).exists()
        warned = select(Score.pack_id, literal(True)).where(Score.pack_id.in_(some), Score.grave, still_out(), ~noted)
        session.execute(insert(UnweighedPack).from_select(["pack_id", "warned"], warned))
        session.execute(delete(Score).where(Score.pack_id.in_(some)))


def bring_to(store: Store, now: datetime, *, made_before: datetime | None = None) -> int:
    """Drop the scores of top-ups that are over, and read all others from now on; return how many there are.

    What is changed is stored some thousand at a time, so that nobody waits long to write.

    Parameters
    ----------
    made_before : datetime, optional
        Scores read from this moment or a later one on already are left as they are.
    """
    with store.writing() as session:
        session.execute(delete(Score).where(ended()))
    last: str | None = ""
    while last is not None:
        with store.writing() as session:
            last = _bring_some(session, now, made_before, last)
    with store.reading() as session:
        return session.scalar(select(func.count()).select_from(Score)) or 0


def _bring_some(session: Session, now: datetime, made_before: datetime | None, last: str) -> str | None:
    """Read the scores after a pack from now on; return the last of them, None if there are no more."""
    older = () if made_before is None else (Score.as_of < made_before,)
    some = select(Score.pack_id, Score.origin, ScoreCurves.curves, ScoreCurves.told_levels)
    some = some.join(ScoreCurves, ScoreCurves.pack_id == Score.pack_id).where(Score.pack_id > last, *older)
    rows = session.connection().execute(some.order_by(Score.pack_id).limit(_SOME)).all()
    if not rows:
        return None
    held = np.minimum([days_between(row.origin, now) for row in rows], OLDEST_DAYS)
    levels = unpacked_levels([row.told_levels for row in rows])
    chances, waits = weeks_from_now(unpacked([row.curves for row in rows])[0], levels, held)
    values = [
        {"pack_id": row.pack_id, "week_return": chance, "week_wait_days": wait, "as_of": now}
        for row, chance, wait in zip(rows, chances.tolist(), waits.tolist(), strict=True)
    ]
    change_rows(session, table_of(Score), values)
    return str(rows[-1].pack_id)

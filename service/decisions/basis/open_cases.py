"""Open cases as the decisions take them: hold curves from now on, with what they rest on.

The forecast decided on is the newest one that was issued as things stand, read on from its origin for a pack that has
held until now (`models.decisions.hold_curves.held_until_now`): what the bench was told is what is decided on, and
nothing is forecast anew behind anybody's back. Where it is older than `scores.OLDEST_DAYS`, or nobody has seen the pack
for so long, the case is left out, and said so.

A chance that the fault is back is that of the promise (`promised`), wherever it is told: it counts from when the pack
was last seen to hold, because nobody knows that it still does.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any, Final, Self

import numpy as np
from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from models.base.arrays import Floats
from models.base.day_grid import HORIZON_DAYS, day_of_return
from models.calibration.conformal import RISKS, told_hold
from models.decisions.hold_curves import held_until_now, told_until_now
from models.forecasts.withheld import UNREAD_AFTER, withheld_by
from models.packs.history import PackHistory
from service.core.refusals import Conflict
from service.core.translation import _
from service.forecasting.forecasts.last_seen import require_seen_lately
from service.forecasting.forecasts.schemas import ForecastAnswer
from service.forecasting.forecasts.sentences import USUAL_CONFIDENCE
from service.forecasting.issued.scores import OLDEST_DAYS, behind, days_between, still_out, unpacked, unpacked_levels
from service.forecasting.recheck.days import day_reached
from service.records.history import in_parts, no_such_pack
from service.records.stopped import vehicle_names
from service.store.schema import Outcome, Pack, Reading, Score, ScoreCurves, StoppedPack, TopUp


@dataclass(frozen=True)
class OpenCase:
    """One pack that is out on a top-up.

    Attributes
    ----------
    forecast_id : int or None
        None for a forecast that was made for one question and not stored.
    origin : datetime
        Of the forecast.
    days_since : float
        Days from the origin to now, through which it has held.
    km_per_day : float or None
        Of the newest plan of use.
    seen_at : datetime or None
        Of the newest record that it was there and holding; None where it is not known.
    grave : bool
        Whether its forecast carries a grave flag.
    unread : bool
        Whether nobody read it at rest since its charge.
    behind : bool
        Whether something is recorded of it that its forecast does not know.
    """

    pack_id: str
    family: str
    model_id: str
    vehicle_id: str | None
    site: str | None
    duty: str | None
    forecast_id: int | None
    origin: datetime
    topped_at: datetime
    days_since: float
    km_per_day: float | None
    good_until: datetime
    seen_at: datetime | None
    grave: bool
    unread: bool
    behind: bool

    @property
    def held_back(self) -> bool:
        """Whether it is looked at, read or forecast anew before anything is decided: no figure of it is gone by."""
        return self.grave or self.unread or self.behind

    @property
    def name(self) -> str:
        """What people call it: the vehicle's fleet number, or else the pack's own."""
        return self.vehicle_id or self.pack_id


@dataclass(frozen=True, eq=False)
class StoredCurves:
    """Hold curves of many packs as their scores keep them, each from its own origin.

    Attributes
    ----------
    curves : array, shape (3, n, len(DAYS))
        The forecast, and the low and high edge of its band.
    levels : array, shape (n, len(RISKS))
        Those of each curve at which promises are read off at its origin.
    days_since : array, shape (n,)
        Days from each origin to now, through which the pack has held.
    """

    curves: Floats
    levels: Floats
    days_since: Floats

    @classmethod
    def of(cls, scores: Sequence[Any], now: datetime) -> Self:
        """Unpack the curves of some scores: rows with `curves`, `told_levels` and `origin`."""
        return cls(
            unpacked([score.curves for score in scores]),
            unpacked_levels([score.told_levels for score in scores]),
            np.array([days_between(score.origin, now) for score in scores]),
        )

    def __len__(self) -> int:
        return len(self.days_since)

    def survival(self) -> Floats:
        """Return the hold curves from now on, shape (n, len(DAYS))."""
        return held_until_now(self.curves[0], self.days_since)

    def told(self) -> Floats:
        """Return the levels at which promises are read off from now on, shape (n, len(RISKS))."""
        return told_until_now(self.levels, self.curves[0], self.days_since)

    def band(self) -> tuple[Floats, Floats]:
        """Return the low and high edge of the band from now on."""
        one, other = (held_until_now(edge, self.days_since) for edge in self.curves[1:])
        return np.minimum(one, other), np.maximum(one, other)


_STORED: Final = tuple(field.name for field in fields(OpenCase) if field.name not in ("days_since", "behind"))


@dataclass(frozen=True, eq=False)
class OpenCases:
    """Some open cases.

    Attributes
    ----------
    cases : tuple of OpenCase, length n
    survival, band_low, band_high : array, shape (n, len(DAYS))
        From now on.
    told : array, shape (n, len(RISKS))
        Levels at which the promised days are read off.
    """

    cases: tuple[OpenCase, ...]
    survival: Floats
    band_low: Floats
    band_high: Floats
    told: Floats

    def __len__(self) -> int:
        return len(self.cases)

    @classmethod
    def sent(cls, forecast: ForecastAnswer, history: PackHistory) -> Self:
        """Return the one case of a pack that was sent along with a question; days count from its forecast."""
        told = np.asarray(RISKS if forecast.told_levels is None else forecast.told_levels)
        level = float(np.interp(1 - USUAL_CONFIDENCE, RISKS, told))
        found, withheld = day_of_return(np.array(forecast.survival), level), withheld_by(forecast.flags)
        case = OpenCase(
            pack_id=forecast.pack_id,
            family=forecast.family,
            model_id=forecast.model_id,
            vehicle_id=None,
            site=None,
            duty=None,
            forecast_id=None,
            origin=forecast.origin,
            topped_at=forecast.origin - timedelta(days=forecast.days_held),
            days_since=0.0,
            km_per_day=None,
            good_until=day_reached(forecast.origin, HORIZON_DAYS if found is None else found),
            seen_at=history.seen_at(forecast.origin),
            grave=any(code != UNREAD_AFTER for code in withheld),
            unread=UNREAD_AFTER in withheld,
            behind=False,
        )
        rows = (forecast.survival, forecast.band_low, forecast.band_high, told)
        return cls((case,), *(np.array([row]) for row in rows))

    @property
    def promised(self) -> Floats:
        """The hold curves that chances are told from, shape (n, len(DAYS)): days that nobody saw it hold count too."""
        return told_hold(self.survival, self.told)

    @property
    def promised_band(self) -> tuple[Floats, Floats]:
        """The same of the low and the high edge of the band."""
        return told_hold(self.band_low, self.told), told_hold(self.band_high, self.told)

    @property
    def topped_at(self) -> dict[str, datetime]:
        """When each pack was topped up."""
        return {case.pack_id: case.topped_at for case in self.cases}

    def take(self, rows: Sequence[int]) -> OpenCases:
        """Return some of them, by place."""
        at = list(rows)
        arrays = (self.survival, self.band_low, self.band_high, self.told)
        return OpenCases(tuple(self.cases[i] for i in at), *(array[at] for array in arrays))


def open_cases(session: Session, now: datetime, conditions: Sequence[Any] = (), limit: int | None = None) -> OpenCases:
    """Return the open cases that can be decided on, those whose good-for day comes first in front.

    Parameters
    ----------
    conditions : sequence of SQL conditions on `Score`
    """
    columns = [getattr(Score, name) for name in _STORED]
    query = select(*columns, behind(), ScoreCurves.curves, ScoreCurves.told_levels)
    query = query.join(ScoreCurves, ScoreCurves.pack_id == Score.pack_id)
    query = query.where(still_out(), decided_on(now), *conditions)
    rows = session.execute(query.order_by(Score.good_until, Score.pack_id).limit(limit)).all()
    stored = StoredCurves.of(rows, now)
    cases = tuple(
        OpenCase(**dict(zip((*_STORED, "behind"), row[:-2], strict=True)), days_since=float(days))
        for row, days in zip(rows, stored.days_since, strict=True)
    )
    return OpenCases(cases, stored.survival(), *stored.band(), stored.told())


def open_curves(session: Session, now: datetime, conditions: Sequence[Any] = ()) -> StoredCurves:
    """Return the curves alone of the cases that `open_cases` returns, in no particular order: for counting them.

    Parameters
    ----------
    conditions : sequence of SQL conditions on `Score`
    """
    query = select(ScoreCurves.curves, ScoreCurves.told_levels, Score.origin)
    query = query.join(Score, Score.pack_id == ScoreCurves.pack_id)
    query = query.where(still_out(), decided_on(now), *conditions)
    # Past the mapper: of the whole fleet's rows it would take longer than the database does.
    return StoredCurves.of(session.connection().execute(query).all(), now)


def decided_on(now: datetime) -> Any:
    """Return the condition under which a score is gone by: neither its forecast nor what was seen is too old."""
    oldest = now - timedelta(days=OLDEST_DAYS)
    return and_(Score.origin > oldest, or_(Score.seen_at.is_(None), Score.seen_at > oldest))


def too_old(now: datetime) -> Any:
    """Return the condition under which `decided_on` does not hold, each half of it found by an index."""
    oldest = now - timedelta(days=OLDEST_DAYS)
    return or_(Score.origin <= oldest, Score.seen_at <= oldest)


def to_go_by(origin: datetime, seen_at: datetime | None, now: datetime) -> bool:
    """Return whether `decided_on` holds of a score that was read."""
    oldest = now - timedelta(days=OLDEST_DAYS)
    return origin > oldest and (seen_at is None or seen_at > oldest)


def open_case(session: Session, pack_id: str, now: datetime) -> OpenCases:
    """Return one open case.

    Raises
    ------
    NoSuchRecord
    Conflict
        It is not out on a top-up, or there is no forecast that can be decided on; with what to do.
    """
    if session.get(Pack, pack_id) is None:
        raise no_such_pack(session, pack_id)
    found = open_cases(session, now, [Score.pack_id == pack_id])
    if len(found):
        return found
    topped = session.scalar(select(func.max(TopUp.time)).where(TopUp.pack_id == pack_id))
    over = session.scalar(select(func.max(Outcome.time)).where(Outcome.pack_id == pack_id, Outcome.kind != "running"))
    if over is not None and (topped is None or over >= topped):
        raise Conflict(
            _("Pack %(pack)s is not out on a top-up: the last one ended on %(day)s. Record the next top-up first.")
            % {"pack": pack_id, "day": over.date().isoformat()}
        )
    score = session.get(Score, pack_id)
    if topped is None and session.scalar(select(Reading.id).where(Reading.pack_id == pack_id).limit(1)) is None:
        raise Conflict(
            _("Nothing was read of pack %(pack)s yet, and no top-up is recorded: there is nothing to weigh.")
            % {"pack": pack_id}
        )
    if score is not None:
        read = session.scalar(select(func.max(Reading.time)).where(Reading.pack_id == pack_id, Reading.time <= now))
        require_seen_lately(pack_id, max(filter(None, (score.seen_at, read)), default=None), now)
    if score is not None and score.origin <= now - timedelta(days=OLDEST_DAYS):
        raise Conflict(
            _(
                "The newest forecast of pack %(pack)s was made for %(day)s, more than %(days)s days ago. Keep a "
                "new one "
                "on the unit's page, or have the whole fleet forecast."
            )
            % {"pack": pack_id, "day": score.origin.date().isoformat(), "days": f"{OLDEST_DAYS:.0f}"}
        )
    raise Conflict(
        _(
            "There is no forecast of pack %(pack)s as things stand. Keep one on the unit's page, "
            "or have the whole fleet forecast."
        )
        % {"pack": pack_id}
    )


@dataclass(frozen=True)
class NotWeighed:
    """An open case that cannot be decided on.

    Attributes
    ----------
    seen_at : datetime or None
        When it was last seen, where that is too long ago to decide by its forecast; a new reading is wanted then.
    """

    pack_id: str
    topped_at: datetime
    vehicle_id: str | None = None
    seen_at: datetime | None = None

    @property
    def name(self) -> str:
        """What people call it, as `OpenCase.name`."""
        return self.vehicle_id or self.pack_id

    @property
    def why(self) -> str:
        """Say why nothing is weighed of it, and what to do."""
        if self.seen_at is not None:
            said = _(
                "It has not been read since %(day)s: nobody knows whether it still holds. Read all blocks at rest."
            )
            return said % {"day": self.seen_at.date().isoformat()}
        said = _("Topped up on %(day)s, but no forecast of it is kept. Keep one on its page at the bench.")
        return said % {"day": self.topped_at.date().isoformat()}


def without_forecast(
    session: Session,
    now: datetime,
    limit: int | None = None,
    *,
    conditions: Iterable[Any] = (),
    old_too: bool = True,
    besides: Collection[str] = (),
) -> tuple[list[NotWeighed], int]:
    """Return packs out on a top-up of which there is no forecast that can be decided on, and how many there are.

    One that a fact stops is none of them: a forecast is not what it wants.

    Parameters
    ----------
    limit : int, optional
        Most of them to name, those topped up longest ago first; else all are.
    conditions : iterable of SQL conditions on `Pack`
    old_too : bool
        Also those whose forecast, or what was seen, is too old.
    besides : collection of str
        Packs that are told of elsewhere.
    """
    query = _unforecast(now, conditions, old_too=old_too)
    if besides:
        query = query.where(TopUp.pack_id.not_in(besides))
    count = session.scalar(select(func.count()).select_from(query.subquery())) or 0
    rows = session.execute(query.order_by(TopUp.time, TopUp.pack_id).limit(limit)).all() if count else []
    oldest = now - timedelta(days=OLDEST_DAYS)
    found = []
    names = [row.pack_id for row in rows]
    vehicles, read = vehicle_names(session, names), _last_read(session, names, now)
    for pack_id, time, seen, _origin in rows:
        last = read.get(pack_id, time)
        newest = max(filter(None, (seen, last if last > time else None)), default=None)
        found.append(
            NotWeighed(
                pack_id, time, vehicles.get(pack_id), newest if newest is not None and newest <= oldest else None
            )
        )
    return found, count


def _last_read(session: Session, pack_ids: Sequence[str], now: datetime) -> dict[str, datetime]:
    """Return when some packs were last read, by pack."""
    found: dict[str, datetime] = {}
    for some in in_parts(pack_ids):
        query = select(Reading.pack_id, func.max(Reading.time)).where(Reading.pack_id.in_(some), Reading.time <= now)
        found |= {row[0]: row[1] for row in session.execute(query.group_by(Reading.pack_id))}
    return found


def how_many_without_forecast(session: Session, now: datetime, conditions: Iterable[Any] = ()) -> tuple[int, int]:
    """Return how many packs out on a top-up have no kept forecast, and how many have one that is too old.

    Together they are as many as `without_forecast` counts.

    Parameters
    ----------
    conditions : iterable of SQL conditions on `Pack`
    """
    found = _unforecast(now, conditions).subquery()
    every, old = session.execute(select(func.count(), func.count(found.c.origin)).select_from(found)).one()
    return every - old, old


def _unforecast(now: datetime, conditions: Iterable[Any], *, old_too: bool = True) -> Any:
    """Return the query of top-ups still out of which there is no forecast that can be decided on."""
    scored = and_(Score.pack_id == TopUp.pack_id, Score.topped_at >= TopUp.time)
    over = (
        select(Outcome.id)
        .where(Outcome.pack_id == TopUp.pack_id, Outcome.kind != "running", Outcome.time >= TopUp.time)
        .exists()
    )
    later = TopUp.__table__.alias("later")
    again = select(later.c.id).where(later.c.pack_id == TopUp.pack_id, later.c.time > TopUp.time).exists()
    stopped = select(StoppedPack.pack_id).where(StoppedPack.pack_id == TopUp.pack_id).exists()
    fresh = select(Score.pack_id).where(scored, *([decided_on(now)] if old_too else [])).correlate(TopUp).exists()
    # Asked first, it spares nearly every top-up of a fleet that is scored each night the other questions.
    query = select(TopUp.pack_id, TopUp.time, Score.seen_at, Score.origin).outerjoin(Score, scored)
    query = query.where(~fresh, ~over, ~again, ~stopped)
    picked = list(conditions)
    # Of the whole fleet no pack is looked at.
    return query.where(TopUp.pack_id.in_(select(Pack.id).where(*picked))) if picked else query

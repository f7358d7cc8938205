"""What a unit's page tells: the pack with all its facts, whether it is out on a top-up, and its forecast from now."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.day_grid import HORIZON_DAYS
from models.base.errors import BadInput, ModelRefused, OutOfReach
from models.forecasts.forecast import Flag
from models.packs.family import PackFamily
from models.packs.history import PackHistory, family_problems
from models.packs.stops import Stopped, stops_of
from service.core.refusals import Conflict
from service.core.stops import ToldStops
from service.core.translation import _, translated_problems
from service.forecasting.forecasts.answers import answer
from service.forecasting.forecasts.schemas import ForecastAnswer
from service.forecasting.forecasts.sentences import count_days
from service.forecasting.issued.issuing import case_of
from service.forecasting.issued.schemas import ForecastRequest
from service.records.history import history_of_pack, no_such_pack
from service.records.taken_away import taken_away
from service.store.schema import Assignment, IssuedForecast, Pack, Score
from training.registry import StoredModel

FRESH: Final = timedelta(hours=24)
"""A newest fact as young as this is the moment that a forecast counts from; later one counts from the hour that is."""

HOUR: Final = timedelta(hours=1)

ISSUED_SHOWN: Final = 10


@dataclass(frozen=True)
class Unit:
    """A unit.

    Attributes
    ----------
    family : PackFamily or None
        None if it is not known here any more.
    history : PackHistory or None
        None without a reading or top-up.
    over : Outcome or None
        What ended the newest top-up.
    issued : sequence of IssuedForecast
        The newest first.
    kept : IssuedForecast or None
        The one that bench list, queue, calendar and board go by.
    corrected : Flag or None
        What was taken away of its record (`service.records.taken_away`).
    """

    pack: Pack
    family: PackFamily | None
    vehicle_id: str | None
    history: PackHistory | None
    issued: tuple[IssuedForecast, ...]
    kept: IssuedForecast | None
    corrected: Flag | None

    @property
    def name(self) -> str:
        """What people call it."""
        return self.vehicle_id or self.pack.id

    @property
    def topped_at(self) -> datetime | None:
        """When the newest top-up ended."""
        return self.history.topups[-1].time if self.history is not None and self.history.topups else None

    @property
    def over(self) -> Any:
        """The outcome that ended the newest top-up, or None while it is out on it."""
        if self.history is None or not self.history.outcomes or self.topped_at is None:
            return None
        last = self.history.outcomes[-1]
        return last if last.kind != "running" and last.time >= self.topped_at else None


def unit_of(session: Session, pack_id: str, families: Mapping[str, PackFamily]) -> Unit:
    """Read a unit.

    Raises
    ------
    NoSuchRecord
    """
    pack = session.get(Pack, pack_id)
    if pack is None:
        raise no_such_pack(session, pack_id)
    vehicle = session.scalar(
        select(Assignment.vehicle_id).where(Assignment.pack_id == pack_id, Assignment.until.is_(None))
    )
    issued = session.scalars(
        select(IssuedForecast)
        .where(IssuedForecast.pack_id == pack_id)
        .order_by(IssuedForecast.id.desc())
        .limit(ISSUED_SHOWN)
    )
    kept = session.scalar(
        select(IssuedForecast).join(Score, Score.forecast_id == IssuedForecast.id).where(Score.pack_id == pack_id)
    )
    corrected = taken_away(session, [pack_id]).get(pack_id)
    history = history_of_pack(session, pack_id)
    return Unit(pack, families.get(pack.family), vehicle, history, tuple(issued), kept, corrected)


@dataclass(frozen=True)
class Moved:
    """Where a pack that sits nowhere sat last.

    Attributes
    ----------
    now : str or None
        The pack that sits there now.
    """

    vehicle_id: str
    until: datetime
    now: str | None


def moved_out(session: Session, pack_id: str) -> Moved | None:
    """Return where a pack that sits nowhere sat last; None if it never sat anywhere."""
    ended = select(Assignment).where(Assignment.pack_id == pack_id, Assignment.until.is_not(None))
    last = session.scalars(ended.order_by(Assignment.until.desc()).limit(1)).first()
    if last is None or last.until is None:
        return None
    there = select(Assignment.pack_id).where(Assignment.vehicle_id == last.vehicle_id, Assignment.until.is_(None))
    return Moved(last.vehicle_id, last.until, session.scalar(there))


def stops_now(
    history: PackHistory, family: PackFamily | None, now: datetime, *, charging: bool = False
) -> ToldStops | None:
    """Return what ends the job at a pack, or charging it, whether or not a model can answer."""
    if family is None or family_problems(history, family):
        return None
    found = stops_of(history, family, at=now, charging=charging)
    return ToldStops.of(Stopped(found, family)) if found else None


def stopped_now(unit: Unit, now: datetime) -> ToldStops | None:
    """Return what ends the job at a unit, whatever became of its top-up, unless its pack or itself is gone."""
    gone = unit.over is not None and unit.over.kind in ("replaced", "retired")
    return None if unit.history is None or gone else stops_now(unit.history, unit.family, now)


def moment_asked(history: PackHistory, now: datetime, kept: IssuedForecast | None = None) -> datetime:
    """Return the moment that a forecast counts from: the newest fact, or the hour that is if that is a day old.

    Parameters
    ----------
    kept : IssuedForecast, optional
        Where it counts from a later moment, so does this one: sheet, calendar and page name one hour.

    Raises
    ------
    Conflict
        Nothing was entered for longer than a forecast reaches: one of then would not speak of today, and one of today
        would rest on nothing. Ten days after the newest entry already it warns and promises no day (`not_of_today`).
    """
    newest = min(history.last_fact_time, now)
    since = newest if kept is None else max(newest, kept.origin)
    hour = now.replace(minute=0, second=0, microsecond=0)
    if hour - since < FRESH:
        return since
    if hour - newest > timedelta(days=HORIZON_DAYS):
        raise Conflict(
            _(
                "Nothing has been entered for %(days)s, so nothing can be said of today. Read all blocks at rest "
                "and enter "
                "that, or say what became of the last top-up."
            )
            % {"days": count_days((now - newest).total_seconds() / 86_400)}
        )
    return hour


def is_fresh(moment: datetime, now: datetime) -> bool:
    """Tell whether a forecast from a moment can be acted on as one of today."""
    return now - moment < FRESH + HOUR


@dataclass(frozen=True)
class Told:
    """A forecast, or why there is none.

    Attributes
    ----------
    refused : str
        Empty if there is one.
    stopped : ToldStops or None
        What ends the job, if that is why.
    """

    forecast: ForecastAnswer | None
    refused: str = ""
    stopped: ToldStops | None = None


def forecast_now(
    history: PackHistory,
    asked: ForecastRequest,
    model: StoredModel,
    families: Mapping[str, PackFamily],
    *,
    threads: int,
    now: datetime,
    corrected: Flag | None,
    basis: Flag | None = None,
    explain: bool = True,
) -> Told:
    """Forecast from a history, with what moves the forecast if wanted; nothing is stored.

    Parameters
    ----------
    corrected : Flag or None
        What was taken away of the record that it is of.
    basis : Flag, optional
        What was taken away of what the model learned from.
    """
    case = case_of(history, asked).model_copy(update={"explain": explain})
    case = case.with_corrected(corrected).with_corrected(basis)
    try:
        return Told(answer(case, model.model, families, threads=threads, now=now))
    except Stopped as error:
        return Told(None, stopped=ToldStops.of(error))
    except BadInput as error:
        return Told(None, " ".join(f"{p.what} {p.mend}" for p in translated_problems(error.problems)))
    except ModelRefused as error:
        return Told(None, error.said)
    except OutOfReach as error:
        return Told(None, str(error))

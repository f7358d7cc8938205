"""The live record of a store: the one path behind REST, the command line, the report and the pages."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.day_grid import GRID_VERSION
from models.packs.tables import from_days
from service.core.translation import _
from service.forecasting.track_record.schemas import AlarmFacts, LiveRecord
from service.store.schema import IssuedForecast, Outcome
from training.monitoring.alarm import AlarmTrace
from training.monitoring.live_record import ISSUED_COLUMNS, SettledForecasts, settle, watch, what_we_told
from training.registry import StoredModel
from training.report import CalibrationReport, read_report

READ_AT_ONCE = 1_000
"""Forecasts whose curves are fetched together."""


def settled_forecasts(session: Session, now: datetime) -> SettledForecasts | None:
    """Join the stored forecasts with what became of their packs; None if none was issued on today's day grid."""
    columns = [getattr(IssuedForecast, name) for name in ISSUED_COLUMNS]
    # Only the curve of each answer is wanted: the whole of it would be twenty times as much to read.
    query = (
        select(*columns, IssuedForecast.answer["survival"])
        .where(IssuedForecast.answer["grid_version"].as_string() == GRID_VERSION)
        .order_by(IssuedForecast.id)
        .execution_options(yield_per=READ_AT_ONCE)
    )
    rows: list[tuple[object, ...]] = []
    curves: list[NDArray[np.float64]] = []
    for *facts, survival in session.execute(query):
        rows.append(tuple(facts))
        curves.append(np.asarray(survival, dtype=np.float64))
    if not rows:
        return None
    fates = session.execute(select(Outcome.pack_id, Outcome.time, Outcome.kind)).all()
    outcomes = pd.DataFrame(fates, columns=["pack_id", "time", "kind"])
    return settle(pd.DataFrame(rows, columns=list(ISSUED_COLUMNS)), np.stack(curves), outcomes, now)


def live_record(session: Session, now: datetime) -> LiveRecord:
    """Score every stored forecast whose outcome is known, month by month, and say where the alarm stands."""
    settled = settled_forecasts(session, now)
    told = None if settled is None else what_we_told(settled, now)
    if settled is None or told is None:
        why = (
            _("No forecast has been stored yet. Every forecast of a stored pack counts from then on.")
            if settled is None
            else _(
                "The forecasts stored so far were made just now, or after their outcome was known: nothing can be "
                "scored yet."
            )
        )
        return LiveRecord(told=None, alarm=None, sentences=[why])
    trace = watch(settled, now)
    return LiveRecord(told=told, alarm=_alarm(trace), sentences=[*told.sentences, told.alarm])


def report_with_live_record(model: StoredModel, session: Session, now: datetime) -> CalibrationReport:
    """Return a model's calibration report with what people were told, if the store holds any of it."""
    report = read_report(model.report)
    return report.model_copy(update={"told": live_record(session, now).told})


def _alarm(trace: AlarmTrace) -> AlarmFacts:
    state = trace.state
    raised_on = None if trace.raised_on is None else from_days(np.array([trace.raised_on]))[0].to_pydatetime()
    return AlarmFacts(
        raised=state.raised,
        raised_on=raised_on,
        returns=state.returns,
        expected=state.expected,
        evidence=state.evidence,
        alarm_at=1.0 / trace.false_alarms_a_year,
        false_alarms_a_year=trace.false_alarms_a_year,
        sentence=trace.sentence(),
    )

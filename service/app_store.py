"""Adds the store to the application: records, stored forecasts, access keys and who may do what."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from models.base.errors import OutOfReach
from models.packs.stops import Stopped
from service.access.identify import Identify
from service.access.rate import RateLimit
from service.access.shared_buckets import SharedBuckets
from service.access.wrong_keys import PER_MINUTE as WRONG_KEYS_PER_MINUTE
from service.access.wrong_keys import WrongKeys
from service.core.settings import Settings
from service.decisions.calendar.routes import router as calendar
from service.decisions.fleet.routes import router as fleet
from service.decisions.ordering.routes import router as ordering
from service.decisions.release.routes import router as release
from service.decisions.stock.routes import router as stock
from service.exchange.drive_logs.routes import drive_logs_router
from service.exchange.exports.routes import router as exports
from service.exchange.inbox.files import inbox_of, sweep
from service.exchange.inbox.routes import router as inbox
from service.exchange.reports.routes import router as reports
from service.forecasting.issued.routes import forecasts_router
from service.forecasting.recheck.routes import router as recheck
from service.forecasting.topup_plan.routes import router as topup_plans
from service.forecasting.track_record.routes import router as live_record
from service.forecasting.what_if.routes import router as what_if
from service.http.body_time import BodyTime
from service.http.store_problems import install_record_problems
from service.jobs.routes import jobs_router
from service.operation.audit_routes import audit_router
from service.operation.key_routes import router as keys
from service.operation.measures import Measure, Measures
from service.operation.metrics_routes import router as metrics
from service.operation.receiver_routes import receivers_router
from service.records.refitting.routes import router as refitting
from service.records.routes import records_router
from service.records.subjects.all_subjects import SUBJECTS
from service.store.opening import Store
from service.store.upgrading import open_store


def store_lifespan(settings: Settings, store: Store | None) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    """Return what opens the store when the application starts and closes it when it stops."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        opened = store if store is not None else open_store(settings.home, settings.database_url)
        app.state.store = opened
        await run_in_threadpool(sweep, inbox_of(settings), settings.upload_seconds)
        yield
        await run_in_threadpool(opened.close)

    return lifespan


def add_store(app: FastAPI, settings: Settings, clock: Callable[[], datetime], shared: Path | None) -> None:
    """Add the answers to errors of the store, and the check of access keys before everything."""
    app.state.clock = clock
    install_record_problems(app)
    app.add_middleware(BodyTime, seconds=settings.body_seconds, upload_seconds=settings.upload_seconds)
    app.state.wrong_keys = WrongKeys(RateLimit(WRONG_KEYS_PER_MINUTE, buckets=_buckets(shared, "wrong-keys")))
    limit = RateLimit(settings.requests_per_minute, buckets=_buckets(shared, "requests"))
    app.add_middleware(Identify, limit=limit, keyless=settings.on_loopback)
    measures = app.state.measures = Measures()
    app.add_middleware(Measure, measures=measures)
    told: Any = app.exception_handlers[OutOfReach]

    def count_out_of_reach(request: Request, error: Exception) -> Response:
        measures.out_of_range.labels("refused").inc()
        answer: Response = told(request, error)
        return answer

    app.add_exception_handler(OutOfReach, count_out_of_reach)
    tells_stop: Any = app.exception_handlers[Stopped]

    def count_stops(request: Request, error: Exception) -> Response:
        assert isinstance(error, Stopped)
        for stop in error.stops:
            measures.stops.labels(stop.code).inc()
        answer: Response = tells_stop(request, error)
        return answer

    app.add_exception_handler(Stopped, count_stops)


def _buckets(shared: Path | None, name: str) -> SharedBuckets | None:
    return None if shared is None else SharedBuckets(shared / name)


@cache
def store_routers(most: int) -> tuple[APIRouter, ...]:
    """Return the routes over the store, built once: that takes most of the time in which an application is made.

    Parameters
    ----------
    most : int
        Records that one page may be asked for.
    """
    return (
        *(records_router(subject, most) for subject in SUBJECTS),
        refitting,
        forecasts_router(most),
        *(topup_plans, what_if, recheck),
        *(release, ordering, stock, fleet),
        live_record,
        exports,
        drive_logs_router(most),
        calendar,
        inbox,
        jobs_router(most),
        reports,
        metrics,
        keys,
        receivers_router(most),
        audit_router(most),
    )

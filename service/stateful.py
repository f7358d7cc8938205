"""Adds the store to the application: records, stored forecasts, access keys and who may do what."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager
from datetime import datetime
from typing import Any

from fastapi import APIRouter, FastAPI, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from models.problems import OutOfReach
from service.access.identify import Identify
from service.access.rate import RateLimit
from service.audit.routes import audit_router
from service.calendar.routes import router as calendar
from service.exports.routes import router as exports
from service.fleet.routes import router as fleet
from service.inbox.routes import router as inbox
from service.jobs.routes import jobs_router
from service.keys.routes import router as keys
from service.live_record.routes import router as live_record
from service.metrics.measures import Measure, Measures
from service.metrics.routes import router as metrics
from service.ordering.routes import router as ordering
from service.recheck.routes import router as recheck
from service.records.errors import install_record_problems
from service.records.routes import records_router
from service.release.routes import router as release
from service.reports.routes import router as reports
from service.settings import Settings
from service.slow_body import BodyTime
from service.stock.routes import router as stock
from service.store.opening import Store
from service.store.upgrading import open_store
from service.stored_forecasts.routes import forecasts_router
from service.subjects import SUBJECTS
from service.topup_plan.routes import router as topup_plans
from service.what_if.routes import router as what_if


def store_lifespan(settings: Settings, store: Store | None) -> Callable[[FastAPI], AbstractAsyncContextManager[None]]:
    """Return what opens the store when the application starts and closes it when it stops."""

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        opened = store if store is not None else open_store(settings.home, settings.database_url)
        app.state.store = opened
        yield
        await run_in_threadpool(opened.close)

    return lifespan


def add_store(app: FastAPI, settings: Settings, clock: Callable[[], datetime]) -> None:
    """Add the answers to errors of the store, and the check of access keys before everything."""
    app.state.clock = clock
    install_record_problems(app)
    app.add_middleware(BodyTime, seconds=settings.body_seconds, upload_seconds=settings.upload_seconds)
    limit = RateLimit(settings.requests_per_minute)
    app.add_middleware(Identify, limit=limit, keyless=settings.on_loopback)
    measures = app.state.measures = Measures()
    app.add_middleware(Measure, measures=measures)
    told: Any = app.exception_handlers[OutOfReach]

    def count_out_of_reach(request: Request, error: Exception) -> Response:
        measures.out_of_range.labels("refused").inc()
        answer: Response = told(request, error)
        return answer

    app.add_exception_handler(OutOfReach, count_out_of_reach)


def store_routers(settings: Settings) -> tuple[APIRouter, ...]:
    """Return the routes over the store."""
    most = settings.max_page
    return (
        *(records_router(subject, most) for subject in SUBJECTS),
        forecasts_router(most),
        *(topup_plans, what_if, recheck),
        *(release, ordering, stock, fleet),
        live_record,
        exports,
        calendar,
        inbox,
        jobs_router(most),
        reports,
        metrics,
        keys,
        audit_router(most),
    )

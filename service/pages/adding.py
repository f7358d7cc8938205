"""Adds the pages to the application."""

from __future__ import annotations

from fastapi import APIRouter, FastAPI

from service.pages import assets, device, home, programs, sign_in, undo
from service.pages.admin import imports, jobs, keys, models, overview, receivers
from service.pages.bench import (
    back_again,
    facts,
    further,
    label,
    new_car,
    new_family,
    other_pack,
    readings,
    sheet,
    unit,
    units,
)
from service.pages.counter import calendar, case, costs, queue, stock, suppliers
from service.pages.fleet import age, planning, ranking
from service.pages.middleware import PolicyHeaders
from service.pages.problem_page import problem_page
from service.pages.record import pages as record


def add_pages(app: FastAPI) -> None:
    """Tell errors at the pages' addresses as pages, and say what a browser may do with them."""
    app.state.problem_page = problem_page
    app.add_middleware(PolicyHeaders)


def page_routers() -> tuple[APIRouter, ...]:
    """Return the routes of all pages."""
    counter = (queue.router, costs.router, stock.router, case.router, suppliers.router, calendar.router)
    fleet = (ranking.router, planning.router, age.router)
    bench = (
        units.router,
        new_car.router,
        new_family.router,
        unit.router,
        back_again.router,
        further.router,
        sheet.router,
        label.router,
        other_pack.router,
        readings.router,
        facts.router,
    )
    admin = (
        overview.router,
        keys.router,
        imports.router,
        imports.sending,
        jobs.router,
        models.router,
        receivers.router,
    )
    return (
        home.router,
        sign_in.router,
        device.router,
        undo.router,
        assets.router,
        programs.router,
        record.router,
        *admin,
        *bench,
        *counter,
        *fleet,
    )

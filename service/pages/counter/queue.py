"""The parts counter's first page: which open case needs its pack first."""

from __future__ import annotations

import math
from typing import Any, Final
from urllib.parse import quote, urlencode

from fastapi import Request
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from service.core.cautions import driving
from service.core.translation import _, ngettext, spoken
from service.decisions.ordering.queue import queue_of_cases
from service.decisions.ordering.schemas import USUAL_RISK, QueueAnswer, QueueEntryAnswer, QueueRequest
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.asking import (
    cost_words,
    date_in_words,
    given,
    question,
    share_of_100,
    stated_first,
    unweighed,
    whole_money,
)
from service.pages.forms import Faults, once, page_router
from service.pages.rendering import render
from service.pages.sorting import in_order, sorting_of
from service.pages.spreadsheet import csv_file
from service.records.stopped import under_stop

PAGE: Final = 12
"""Cases on one page of the queue."""

ORDERS: Final = {"latest": False, "week_later": True, "fault_first_today": True, "name": False}
"""What the queue is sorted by, and whether each begins with the highest; the usual one first."""

router = page_router()


def case_address(pack_id: str) -> str:
    """Return the address of one case at the counter."""
    return f"/parts/cases/{quote(pack_id, safe='')}"


def _asked(texts: dict[str, str]) -> QueueRequest:
    return question(QueueRequest, share_of_100(texts, "risk"))


@router.get("/parts", operation_id="page_parts")
def show_queue(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Show the open cases by the latest day on which their pack must be ordered."""
    texts = given(request, "family", "risk")
    after = request.query_params.get("after", "")
    start = int(after) if after.isdecimal() and len(after) < 7 else 0
    queue: QueueAnswer | None = None
    problems: tuple[Any, ...] = ()
    try:
        asked = _asked(texts)
        with store.reading() as session:
            queue = queue_of_cases(session, asked, request.app.state.clock(), families)
    except BadInput as error:
        problems = error.problems
    with store.reading() as session:
        left, stopped = unweighed(session, request.app.state.clock()), spoken(under_stop(session, families))
    missing = stated_first(problems)
    if queue is not None:
        missing += [Problem("offers", one.what, one.mend) for one in queue.offers_lacking]
    faults = Faults(tuple(problem for problem in problems if problem not in missing))
    sorting = sorting_of(request, "/parts", ORDERS, texts)
    placed = [] if queue is None else list(enumerate(queue.entries, start=1))
    if not sorting.usual:
        placed = list(in_order(placed, sorting, lambda one, column: _sorted_by(one[1], column)))
    asked_for = {**texts, **sorting.texts()}
    following = ""
    if queue is not None and len(queue.entries) > start + PAGE:
        following = f"/parts?{urlencode({**asked_for, 'after': start + PAGE})}"
    return render(
        request,
        "counter/queue.html",
        status=422 if faults else 200,
        queue=queue,
        entries=placed[start : start + PAGE],
        sorting=sorting,
        summary=[] if queue is None else summary(queue),
        unweighed=left,
        once=once(),
        stopped=stopped,
        following=following,
        first=f"/parts?{urlencode(asked_for)}" if start else "",
        families=[("", _("All families")), *((name, name) for name in sorted(families))],
        values={"family": "", "risk": f"{100 * USUAL_RISK:g}", **texts},
        question=urlencode(texts),
        faults=faults,
        missing=missing,
        amount=whole_money,
        cost_words=cost_words,
        address=case_address,
        due=due,
        cautions=driving(),
    )


def _sorted_by(entry: QueueEntryAnswer, column: str) -> Any:
    if column == "latest":
        return -2 if entry.needs_pack else -1 if entry.latest_day is None else entry.latest_day
    if column == "name":
        return entry.vehicle_id or entry.pack_id
    value = getattr(entry, column)
    return math.inf if value is None else value  # what needs a pack whatever it costs


def summary(queue: QueueAnswer) -> list[str]:
    """Say in sentences what is to be done."""
    late = sum(entry.latest_day is None for entry in queue.entries)
    today = sum(entry.latest_day == 0 for entry in queue.entries)
    said = []
    lacking = ", ".join(one.family for one in queue.offers_lacking)
    if not queue.entries and not lacking:
        said.append(_("No open case waits for an order."))
    elif not queue.entries:
        said.append(_("No open case can be weighed before offers are entered."))
    elif late + today:
        said.append(
            ngettext("One pack is to be ordered today.", "%(num)s packs are to be ordered today.", late + today)
            % {"num": late + today}
        )
    else:
        said.append(_("Nothing has to be ordered today."))
    if lacking:
        said.append(_("Not weighed, as nobody offers a pack: %(families)s.") % {"families": lacking})
    if late and late == len(queue.entries):
        said.append(
            ngettext(
                "It is too late already for the risk chosen.",
                "For all of them it is too late already for the risk chosen.",
                late,
            )
        )
    elif late:
        said.append(
            ngettext(
                "For one of them it is too late already for the risk chosen.",
                "For %(num)s of them it is too late already for the risk chosen.",
                late,
            )
            % {"num": late}
        )
    later = [(entry, entry.latest_on) for entry in queue.entries if entry.latest_day and entry.latest_on is not None]
    if later:
        first, day = later[0]
        said.append(
            _("The next one after that: %(name)s, by %(day)s.")
            % {"name": first.vehicle_id or first.pack_id, "day": date_in_words(day)}
        )
    return said


def due(entry: QueueEntryAnswer) -> str:
    """Say when a case's pack must be ordered."""
    if entry.latest_day is None or entry.latest_on is None:
        return _("Too late already: order now")
    if entry.latest_day == 0:
        return _("Order today")
    return ngettext("Order by %(day)s, in 1 day", "Order by %(day)s, in %(num)s days", entry.latest_day) % {
        "day": date_in_words(entry.latest_on),
        "num": entry.latest_day,
    }


@router.get("/parts/queue.csv", operation_id="page_parts_queue_file")
def read_queue_file(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Send the queue as a file for a spreadsheet."""
    with store.reading() as session:
        queue = queue_of_cases(session, _asked(given(request, "family", "risk")), request.app.state.clock(), families)
    columns = ("place", "vehicle_id", "pack_id", "family", "supplier", "express", "latest_on", "too_late_today",
               "fault_first_today", "expected_cost", "week_later", "currency", "reasons")  # fmt: skip
    rows = (
        (
            place,
            entry.vehicle_id,
            entry.pack_id,
            entry.family,
            entry.supplier,
            entry.express,
            entry.latest_on,
            entry.latest_day is None,
            _rounded(entry.fault_first_today, 4),
            _rounded(entry.expected_cost, 2),
            _rounded(entry.week_later, 2),
            queue.currency,
            " ".join(entry.reasons),
        )
        for place, entry in enumerate(queue.entries, start=1)
    )
    return csv_file("order-queue", columns, rows)


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)

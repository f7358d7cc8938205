"""The fleet office's first page: which vehicle to pull first, as last scored."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final
from urllib.parse import quote, urlencode

from fastapi import Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from models.packs.family import PackFamily
from service.core.cautions import driving
from service.core.translation import _
from service.decisions.fleet.ranking import rank_fleet
from service.decisions.fleet.schemas import Ranked, RankingAnswer, RankingRequest
from service.http.dependencies import CurrentStore, KnownFamilies
from service.jobs.queue import ENDED, enqueue
from service.pages.asking import cost_words, given, question, stated_first, unweighed, whole_money
from service.pages.forms import Faults, PageWrite, once, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render
from service.pages.sorting import sorting_of
from service.pages.spreadsheet import csv_file
from service.records.writing import Done
from service.store.schema import Job, Score

PART: Final = ("family", "site", "duty")
"""Fields of the address that pick a part of the fleet."""

ORDERS: Final = {"week_cost": True, "week_return": True, "good_until": False, "name": False}
"""Columns that the ranking is sorted by, and whether each begins with the highest; the usual one first."""

PAGE: Final = 15
"""Vehicles on one page of the ranking."""

_FILE_PAGE: Final = 500

router = page_router()


def part_choices(session: Session, name: str) -> list[tuple[str, str]]:
    """Return what a part of the fleet can be picked by, as a form offers it."""
    column = getattr(Score, name)
    found = session.scalars(select(column).where(column.is_not(None)).distinct().order_by(column).limit(200))
    return [("", _("All")), *((value, value) for value in found)]


def scoring_job(session: Session) -> Job | None:
    """Return the newest scoring job, while it has not ended."""
    job = session.scalar(select(Job).where(Job.kind == "scoring").order_by(Job.id.desc()).limit(1))
    return None if job is None or job.state in ENDED else job


@router.get("/fleet", operation_id="page_fleet")
def show_ranking(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Rank the vehicles by what another week's wait is expected to cost."""
    texts = given(request, *PART)
    sorting = sorting_of(request, "/fleet", ORDERS, texts)
    cursor = request.query_params.get("cursor") or None
    ranking: RankingAnswer | None = None
    problems: tuple[Problem, ...] = ()
    with store.reading() as session:
        choices = {name: part_choices(session, name) for name in PART}
        job = scoring_job(session)
        try:
            ranking = rank_fleet(
                session,
                question(RankingRequest, {**texts, **sorting.texts(), "cursor": cursor, "limit": PAGE}),
                request.app.state.clock(),
                families,
            )
        except BadInput as error:
            problems = error.problems
        left = unweighed(session, request.app.state.clock(), old_too=ranking is None)
    missing = stated_first(problems)
    faults = Faults(tuple(problem for problem in problems if problem not in missing))
    following = ""
    if ranking is not None and ranking.next_cursor is not None:
        following = f"/fleet?{urlencode({**texts, **sorting.texts(), 'cursor': ranking.next_cursor})}"
    return render(
        request,
        "fleet/ranking.html",
        status=422 if faults else 200,
        ranking=ranking,
        choices=choices,
        values={**dict.fromkeys(PART, ""), **texts},
        faults=faults,
        missing=missing,
        unweighed=left,
        following=following,
        first=f"/fleet?{urlencode({**texts, **sorting.texts()})}" if cursor else "",
        sorting=sorting,
        question=urlencode(texts),
        job=job,
        once=once(),
        amount=whole_money,
        cost_words=cost_words,
        unit_address=lambda pack_id: f"/bench/units/{quote(pack_id, safe='')}",
        cautions=driving(),
    )


@router.get("/fleet/ranking.csv", operation_id="page_ranking_file")
def read_ranking_file(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Send the whole ranking as a file for a spreadsheet."""
    names = [*Ranked.model_fields]
    with store.reading() as session:
        rows = list(_all_rows(session, request, names, families))
    return csv_file("ranking", ["place", *names, "currency"], rows)


def _all_rows(
    session: Session, request: Request, names: list[str], families: Mapping[str, PackFamily]
) -> Iterator[list[Any]]:
    cursor, place = None, 0
    while True:
        asked = question(RankingRequest, {**given(request, *PART), "limit": _FILE_PAGE, "cursor": cursor})
        page = rank_fleet(session, asked, request.app.state.clock(), families)
        for item in page.items:
            place += 1
            yield [place, *(getattr(item, name) for name in names), page.currency]
        cursor = page.next_cursor
        if cursor is None:
            return


@router.post("/fleet/scoring", operation_id="page_start_scoring")
def start_scoring(request: Request, write: PageWrite) -> Response:
    """Have a worker forecast every pack that is out on a top-up, and rank the fleet anew."""

    def work(session: Session) -> Done:
        waiting = scoring_job(session)
        job = waiting or enqueue(session, "scoring", {}, write.caller.name, write.at)
        said = (
            _("Job %(number)s is under way already.")
            if waiting
            else _("Job %(number)s will forecast the whole fleet again.")
        ) % {"number": job.id}
        return Done(303, None, job.id, dict(go_to(request, "/fleet", Message(said)).headers))

    return write(work)

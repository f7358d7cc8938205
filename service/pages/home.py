"""The first page: today's board for whoever looks, then the questions of the three people."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from urllib.parse import quote

from fastapi import Request
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base import counts
from models.base.errors import BadInput
from models.forecasts.last_seen import days_unseen
from models.packs.family import PackFamily
from service.core.translation import _, spoken
from service.decisions.fleet.planning import returns_of_fleet
from service.decisions.fleet.schemas import ReturnsAnswer, ReturnsRequest
from service.decisions.ordering.queue import queue_of_cases
from service.decisions.ordering.schemas import QueueRequest
from service.forecasting.issued.scores import OLDEST_DAYS, still_out
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.asking import unweighed
from service.pages.counter.queue import case_address, summary
from service.pages.forms import page_router
from service.pages.rendering import may, render, zone_of
from service.records.stopped import under_stop, vehicle_names
from service.records.unweighed import unweighed_packs
from service.store.schema import Job, Score

SHOWN: Final = 5
"""Vehicles named on the board; the others are counted."""

router = page_router()


@dataclass(frozen=True)
class Due:
    """A vehicle that has to be read again today or should have been.

    Attributes
    ----------
    last_day : datetime or None
        The last promised day; None where no forecast stands.
    unseen_since : datetime or None
        Its newest record, where not even one day is promised any more.
    unweighed : bool
        Whether something is recorded that its forecast does not know.
    """

    pack_id: str
    name: str
    last_day: datetime | None
    unseen_since: datetime | None
    unweighed: bool = False

    @property
    def address(self) -> str:
        """Of its page at the bench."""
        return f"/bench/units/{quote(self.pack_id, safe='')}"

    @property
    def link(self) -> tuple[str, str]:
        """Where its page is, and what it is called."""
        return self.address, self.name


@dataclass(frozen=True)
class Board:
    """What is due.

    Attributes
    ----------
    warned, unweighed, overdue, unseen, silent, today : list of Due
        Whose newest forecast warns, or warned, of something to be looked at first; of the others, of which something is
        recorded that their forecast does not know, whose last promised day is past, of which nothing was entered for
        so long that no decision goes by it, of which nothing can be promised as things stand, and whose last promised
        day is today. A vehicle stands in the first of these that it belongs to.
    oldest : int
        Days after which no decision goes by what was entered.
    orders : list of str
        What is to be ordered, in sentences; why nothing can be said.
    to_order, to_fit : list of (address, name)
    returns : str
        Returns to expect within a week; empty without a vehicle that is out.
    imports : int
        Files that were checked and wait to be stored.
    """

    warned: list[Due]
    unweighed: list[Due]
    overdue: list[Due]
    unseen: list[Due]
    silent: list[Due]
    today: list[Due]
    oldest: int
    orders: list[str]
    to_order: list[tuple[str, str]]
    to_fit: list[tuple[str, str]]
    returns: str
    imports: int


@router.get("/", operation_id="page_home")
def show_home(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Show what is due today and overdue, and lead to the three people's questions."""
    now = request.app.state.clock()
    with store.reading() as session:
        board = _board(session, request, now, families)
        stopped = spoken(under_stop(session, families))
        # Whoever warns, or has a forecast, stands on the board: each vehicle is counted once.
        left = unweighed(session, now, old_too=False, besides=[due.pack_id for due in board.warned])
    return render(request, "home.html", board=board, stopped=stopped, unweighed=left, shown=SHOWN)


def _board(session: Session, request: Request, now: datetime, families: Mapping[str, PackFamily]) -> Board:
    warned, behind, overdue, unseen, silent, today = _due(session, now, request)
    orders, to_order, to_fit = _orders(session, now, families) if may(request, "page_parts") else ([], [], [])
    returns = returns_of_fleet(session, ReturnsRequest(weeks=1), now, families)
    return Board(
        warned=warned,
        unweighed=behind,
        overdue=overdue,
        unseen=unseen,
        silent=silent,
        today=today,
        oldest=round(OLDEST_DAYS),
        orders=orders,
        to_order=to_order,
        to_fit=to_fit,
        returns=_within_a_week(returns) if returns.vehicles else "",
        imports=_imports(session) if may(request, "page_imports") else 0,
    )


def _within_a_week(returns: ReturnsAnswer) -> str:
    (week,) = returns.weeks
    words = {
        "mean": f"{week.mean:.0f}",
        "count": _(counts.vehicles(returns.vehicles)),
        "low": week.low,
        "high": week.high,
    }
    return _("Back within a week if none is replaced: about %(mean)s of %(count)s (%(low)s to %(high)s).") % words


def _due(session: Session, now: datetime, request: Request) -> tuple[list[Due], ...]:
    zone = zone_of(request)
    day = now.astimezone(zone).date()
    columns = (Score.pack_id, Score.vehicle_id, Score.origin, Score.good_until, Score.seen_at, Score.grave)
    # One by one, so that each is found by its own index.
    soon = select(*columns).where(still_out(), ~Score.grave, Score.good_until < now + timedelta(days=2))
    warns = select(*columns).where(still_out(), Score.grave)
    unweighed = unweighed_packs(session)
    warned: list[Due] = []
    overdue: list[Due] = []
    unread: list[Due] = []
    silent: list[Due] = []
    today: list[Due] = []
    found = [*session.execute(warns.order_by(Score.good_until)), *session.execute(soon.order_by(Score.good_until))]
    for pack_id, vehicle_id, origin, good_until, seen_at, grave in found:
        unseen = None if good_until > origin else (seen_at or origin)
        behind = pack_id in unweighed
        due = Due(pack_id, vehicle_id or pack_id, good_until, None if behind else unseen, behind)
        if grave or unweighed.get(pack_id, False):
            warned.append(due)
        elif behind:
            continue
        elif unseen is None and good_until <= now:
            overdue.append(due)
        elif unseen is not None:
            (unread if days_unseen(unseen, now) > OLDEST_DAYS else silent).append(due)
        elif good_until.astimezone(zone).date() == day:
            today.append(due)
    known = {due.pack_id for due in warned}
    names = vehicle_names(session, list(unweighed))
    lost = [pack_id for pack_id, before in unweighed.items() if before and pack_id not in known]
    warned += [Due(pack_id, names.get(pack_id, pack_id), None, None, True) for pack_id in lost]
    # One whose forecast was dropped stands among those without any.
    some = select(Score.pack_id).where(
        Score.pack_id.in_([p for p, before in unweighed.items() if not before and p not in known]), still_out()
    )
    entered = [Due(pack_id, names.get(pack_id, pack_id), None, None, True) for pack_id in session.scalars(some)]
    return warned, sorted(entered, key=lambda due: due.name), overdue, unread, silent, today


def _orders(
    session: Session, now: datetime, families: Mapping[str, PackFamily]
) -> tuple[list[str], list[tuple[str, str]], list[tuple[str, str]]]:
    try:
        queue = queue_of_cases(session, QueueRequest(), now, families)
    except BadInput:
        return [_("What is to be ordered cannot be told before the costs are stated.")], [], []
    order = [entry for entry in queue.entries if entry.latest_day is None or entry.latest_day == 0]
    fit = [case for case in queue.on_order if case.arrived_at is not None]
    return (
        summary(queue)[:2],
        [(case_address(entry.pack_id), entry.vehicle_id or entry.pack_id) for entry in order],
        [(case_address(case.pack_id), case.vehicle_id or case.pack_id) for case in fit],
    )


def _imports(session: Session) -> int:
    """Count the files that were only checked, none of which was stored since."""
    checked = session.scalars(
        select(Job).where(Job.kind == "import", Job.state == "done").order_by(Job.id.desc()).limit(200)
    )
    newest: dict[str, bool] = {}
    for job in checked:
        newest.setdefault(str(job.arguments.get("name")), bool((job.result or {}).get("stored")))
    waiting = sum(not stored for stored in newest.values())
    queued = select(func.count()).where(Job.kind == "import", Job.state.in_(("queued", "running")))
    return waiting + (session.scalar(queued) or 0)

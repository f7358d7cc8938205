"""One open case at the counter: its offers side by side, and ordering one of them."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import Path, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from models.packs.stops import Stopped
from service.core.cautions import all_cautions, shared_chemistry
from service.core.dates import day_in_words
from service.core.refusals import Conflict, Doubtful, NoSuchRecord
from service.core.stops import ToldStops
from service.core.translation import _
from service.decisions.basis.lead_times import on_order
from service.decisions.ordering.answers import orders_of_pack
from service.decisions.ordering.queue import order_at_once
from service.decisions.ordering.schemas import USUAL_RISK, OrdersAnswer, OrdersRequest, QueueEntryAnswer
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.asking import (
    cost_words,
    date_in_words,
    given,
    money,
    question,
    share_of_100,
    stated_first,
    whole_money,
)
from service.pages.bench.state_of_unit import unit_of
from service.pages.counter.cost_drawing import TOLD_DAYS, cost_drawing
from service.pages.counter.queue import case_address
from service.pages.forms import Faults, PageWrite, SentForm, once, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render, zone_of
from service.pages.undo import step, undo_form
from service.records.records import correct, create, etag_of, read
from service.records.schemas import LARGEST_NUMBER
from service.records.subjects.suppliers import DELIVERIES, NewDelivery
from service.records.writing import Done
from service.store.schema import Offer

router = page_router()

PackName = Annotated[str, Path(max_length=64)]
Number = Annotated[int, Path(ge=1, le=LARGEST_NUMBER)]


@router.get("/parts/cases/{pack_id}", operation_id="page_parts_case")
def show_case(pack_id: PackName, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Weigh the offers for one case."""
    texts = given(request, "risk")
    answer: OrdersAnswer | None = None
    problems: tuple[Problem, ...] = ()
    refused, stopped = "", None
    try:
        asked = question(OrdersRequest, share_of_100(texts, "risk"))
        with store.reading() as session:
            answer = orders_of_pack(session, pack_id, asked, request.app.state.clock(), families)
    except Stopped as error:
        stopped = ToldStops.of(error)
    except BadInput as error:
        problems = error.problems
    except Conflict as error:
        refused = str(error)
    at_once: QueueEntryAnswer | None = None
    if refused or stopped is not None:
        with store.reading() as session:
            at_once = order_at_once(session, families, request.app.state.clock(), pack_id)
    missing = stated_first(problems)
    faults = Faults(tuple(problem for problem in problems if problem not in missing))
    return render(
        request,
        "counter/case.html",
        status=422 if faults else 200,
        pack_id=pack_id,
        answer=answer,
        stopped=stopped,
        refused=refused,
        at_once=at_once,
        cautions=[] if at_once is None else all_cautions(shared_chemistry(families, {at_once.family})),
        missing=missing,
        faults=faults,
        values={"risk": f"{100 * USUAL_RISK:g}", **texts},
        drawing=None if answer is None else cost_drawing(answer),
        told_days=TOLD_DAYS,
        names=[] if answer is None else [offer.name for offer in answer.offers],
        money=money,
        amount=whole_money,
        address=case_address(pack_id),
        cost_words=cost_words,
        date_in_words=date_in_words,
        cost_pairs=[]
        if answer is None
        else [(cost_words(name), money(value, answer.currency)) for name, value in answer.costs.items()],
        once=once(),
    )


@router.post("/parts/cases/{pack_id}/order", operation_id="page_order_pack")
def order_pack(
    pack_id: PackName, request: Request, form: SentForm, write: PageWrite, families: KnownFamilies
) -> Response:
    """Record that an offer was ordered for a case; the order itself is placed with the supplier, not here."""
    number = form.get("offer")
    if not number.isdecimal() or int(number) > LARGEST_NUMBER:
        raise BadInput.one("offer", _("It is not clear which offer was ordered."), _("Choose one on the case's page."))

    def work(session: Session) -> Done:
        topped = unit_of(session, pack_id, families).topped_at
        order = None if topped is None else on_order(session, {pack_id: topped}, write.at).get(pack_id)
        if order is not None:
            there = {"supplier": order.supplier, "day": day_in_words(order.ordered_at, zone_of(request))}
            said = _(
                "A pack for it is ordered already, from %(supplier)s on %(day)s: nothing was recorded again. If you "
                "did order a second one, add it under Suppliers, offers, orders."
            )
            return Done(303, None, None, dict(go_to(request, case_address(pack_id), Message(said % there)).headers))
        offer = session.get(Offer, int(number))
        if offer is None:
            raise NoSuchRecord(_("There is no offer %(number)s.") % {"number": number})
        new = NewDelivery(
            supplier_id=offer.supplier_id,
            family=offer.family,
            pack_id=pack_id,
            express=offer.express_fee is not None,
            offer_id=offer.id,
            ordered_at=write.at,
        )
        row: Any = create(session, DELIVERIES, new, families, write.writer)
        said = _("Recorded as ordered today from %(supplier)s. Place the order with them.") % {
            "supplier": offer.supplier_id
        }
        address = case_address(pack_id)
        message = Message(said, undo_form(request, [step(DELIVERIES, row, "create")], address))
        return Done(303, None, row.id, dict(go_to(request, address, message).headers))

    try:
        return write(work)
    except Doubtful as error:
        said = _("%(doubt)s If you did order a second one, add it under Suppliers, offers, orders.")
        doubt = " ".join(_(problem.what) for problem in error.problems)
        return go_to(request, case_address(pack_id), Message(said % {"doubt": doubt}))


@router.post("/parts/deliveries/{number}/arrived", operation_id="page_pack_arrived")
def pack_arrived(
    number: Number, request: Request, form: SentForm, write: PageWrite, families: KnownFamilies
) -> Response:
    """Record that an ordered pack has come."""
    back = "/parts" if form.get("next") == "/parts" else "/parts/suppliers"

    def arrived(session: Session) -> Done:
        row: Any = read(session, DELIVERIES, number)
        if row.arrived_at is not None:
            said = _("It was noted already that it came on %(day)s.")
            there = {"day": day_in_words(row.arrived_at, zone_of(request))}
            return Done(303, None, number, dict(go_to(request, back, Message(said % there)).headers))
        change = DELIVERIES.change.model_validate({"arrived_at": max(write.at, row.ordered_at)})
        row = correct(session, DELIVERIES, number, change, families, write.writer, etag_of(row))
        message = Message(_("Recorded as arrived."), undo_form(request, [step(DELIVERIES, row, "correct")], back))
        return Done(303, None, number, dict(go_to(request, back, message).headers))

    try:
        return write(arrived)
    except Doubtful as error:
        # So late that somebody has to look: on the order's own page, with the days that were noted.
        doubt = " ".join(_(problem.what) for problem in error.problems)
        said = _("%(doubt)s Enter the day on which it came.") % {"doubt": doubt}
        return go_to(request, f"/parts/delivery/{number}", Message(said))

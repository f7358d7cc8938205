"""The few numbers that the decisions rest on: stated once for the house, and nowhere assumed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput
from service.core.refusals import Conflict, Outdated
from service.core.translation import _
from service.http.dependencies import CurrentStore, KnownFamilies
from service.http.page_addresses import own_address
from service.pages.asking import cost_words
from service.pages.bench.facts import Entry, as_text, faults_of, require_may
from service.pages.forms import NO_FAULTS, Faults, PageWrite, SentForm, checked, once, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, may, render
from service.pages.undo import step, undo_form
from service.records.cost_words import MEANING
from service.records.records import correct, create, etag_of
from service.records.subjects.costs import COSTS, HOUSE
from service.records.writing import Done

router = page_router()


def entries() -> tuple[Entry, ...]:
    """Return the fields of the form."""
    return tuple(Entry(name, cost_words(name), hint=_(meaning)) for name, meaning in MEANING.items())


def _page(request: Request, row: Any, values: Mapping[str, str], back_to: str, faults: Faults = NO_FAULTS) -> Response:
    return render(
        request,
        "counter/costs.html",
        status=422 if faults else 200,
        row=row,
        values=values,
        faults=faults,
        entries=entries(),
        back_to=back_to,
        etag="" if row is None else etag_of(row),
        once=once(),
        may_write=may(request, "create_cost_sheet"),
    )


@router.get("/parts/costs", operation_id="page_costs")
def show_costs(request: Request, store: CurrentStore) -> Response:
    """Show what the house has stated."""
    with store.reading() as session:
        row: Any = session.get(COSTS.table, HOUSE)
    values = {} if row is None else {name: as_text(getattr(row, name)) for name in COSTS.columns}
    return _page(request, row, values, own_address(request.query_params.get("next") or "/parts"))


@router.post("/parts/costs", operation_id="page_state_costs")
def state_costs(
    request: Request, form: SentForm, write: PageWrite, store: CurrentStore, families: KnownFamilies
) -> Response:
    """Keep what the house states."""
    back_to = own_address(form.get("next"))
    known = form.get("etag")
    require_may(request, "correct" if known else "create", COSTS)

    def work(session: Session) -> Done:
        given = {name: form.number_or_text(name) for name in COSTS.columns if form.get(name)}
        if known:
            change = checked(COSTS.change, dict.fromkeys(COSTS.columns) | given)
            row: Any = correct(session, COSTS, HOUSE, change, families, write.writer, known)
            steps = [] if etag_of(row) == known else [step(COSTS, row, "correct")]
        else:
            row = create(session, COSTS, checked(COSTS.new, {**given, "id": HOUSE}), families, write.writer)
            steps = [step(COSTS, row, "create")]
        said = (
            _("The costs are kept. Every decision rests on them from now on.") if steps else _("Nothing was changed.")
        )
        message = Message(said, undo_form(request, steps, back_to) if steps else None)
        return Done(303, None, HOUSE, dict(go_to(request, back_to, message).headers))

    try:
        return write(work)
    except (BadInput, Conflict, Outdated) as error:
        with store.reading() as session:
            row = session.get(COSTS.table, HOUSE)
        return _page(request, row, form.values(), back_to, faults_of(error))

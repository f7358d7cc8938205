"""How many packs to keep on the shelf."""

from __future__ import annotations

from fastapi import Request
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from service.core.translation import _
from service.decisions.stock.answers import stock_of_family
from service.decisions.stock.schemas import StockAnswer, StockRequest
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.asking import cost_words, given, question, stated_first, whole_money
from service.pages.counter.stock_drawing import stock_drawing
from service.pages.forms import Faults, page_router
from service.pages.rendering import render

router = page_router()


@router.get("/parts/stock", operation_id="page_stock")
def show_stock(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Say how many packs of a family to hold."""
    texts = given(request, "family", "on_shelf", "new_cases_per_day")
    answer: StockAnswer | None = None
    problems: tuple[Problem, ...] = ()
    if texts:
        try:
            family = texts.get("family")
            if family is None:
                raise BadInput.one("family", _("It is not clear which packs are meant."), _("Choose a family."))
            asked = question(StockRequest, {name: text for name, text in texts.items() if name != "family"})
            with store.reading() as session:
                answer = stock_of_family(session, family, asked, request.app.state.clock(), families)
        except BadInput as error:
            problems = error.problems
    missing = stated_first(problems)
    faults = Faults(tuple(problem for problem in problems if problem not in missing))
    return render(
        request,
        "counter/stock.html",
        status=422 if faults else 200,
        answer=answer,
        drawing=None if answer is None or not answer.levels else stock_drawing(answer),
        families=[("", _("Choose one")), *((name, name) for name in sorted(families))],
        values=texts,
        faults=faults,
        missing=missing,
        amount=whole_money,
        cost_words=cost_words,
    )

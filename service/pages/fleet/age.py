"""On which day after a top-up to replace, family by family, by the own record."""

from __future__ import annotations

from fastapi import Request
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from service.core.cautions import driving
from service.core.translation import _
from service.decisions.fleet.by_age import age_of_family
from service.decisions.fleet.schemas import AgeAnswer, AgeRequest
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.asking import cost_words, given, money, question, stated_first
from service.pages.forms import Faults, page_router
from service.pages.rendering import render

router = page_router()


@router.get("/fleet/age", operation_id="page_age")
def show_age(request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Say on which day after a top-up to replace packs of a family."""
    texts = given(request, "family", "pack")
    answer: AgeAnswer | None = None
    problems: tuple[Problem, ...] = ()
    if "family" in texts:
        try:
            asked = question(AgeRequest, {name: text for name, text in texts.items() if name != "family"})
            with store.reading() as session:
                answer = age_of_family(session, texts["family"], asked, request.app.state.clock(), families)
        except BadInput as error:
            problems = error.problems
    missing = stated_first(problems)
    # Too few returns on record are no fault of an entry.
    too_few = [problem for problem in problems if problem.where == "record"]
    faults = Faults(tuple(problem for problem in problems if problem not in missing and problem not in too_few))
    return render(
        request,
        "fleet/age.html",
        status=422 if faults else 200,
        answer=answer,
        families=[("", _("Choose one")), *((name, name) for name in sorted(families))],
        values=texts,
        faults=faults,
        missing=missing,
        too_few=too_few,
        money=money,
        cost_words=cost_words,
        cautions=driving(),
    )

"""A kind of pack that nobody has described yet: a few words, the rest taken over and told as such."""

from __future__ import annotations

from typing import Any

from fastapi import Request
from starlette.responses import Response

from models.base.errors import BadInput
from service.access.roles import CurrentCaller
from service.core.translation import _
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.admin.noting import note
from service.pages.forms import NO_FAULTS, Faults, SentForm, once, page_router
from service.pages.rendering import render
from service.pages.wording import chemistry_words
from training.files.new_family import NewFamily, contradicted, marks_in, resting_range, write_family

router = page_router()


def _page(request: Request, values: dict[str, str], faults: Faults) -> Response:
    return render(
        request,
        "bench/new_family.html",
        status=422 if faults else 200,
        chemistries=[("", _("Choose one")), *chemistry_words().items()],
        values=values,
        faults=faults,
        once=once(),
    )


@router.get("/bench/families/new", operation_id="page_new_family")
def show_new_family(request: Request) -> Response:
    """Ask for a kind of pack by a few words."""
    return _page(request, {}, NO_FAULTS)


@router.post("/bench/families/new", operation_id="page_add_family")
def add_family(
    request: Request, form: SentForm, caller: CurrentCaller, store: CurrentStore, families: KnownFamilies
) -> Response:
    """Write its file, and show what was taken over for all that was not said."""
    names = ("name", "title", "chemistry", "blocks", "cells_per_block", "rated_ah", "rest_v")
    try:
        wanted = form.read(NewFamily, names, label_read=form.get("label_read") == "yes")
        family, text = write_family(wanted, request.app.state.settings.own_families_dir)
    except BadInput as error:
        return _page(request, form.values(), Faults(tuple(error.problems)))
    refresh: Any = getattr(families, "refresh", None)
    if refresh is not None:
        refresh()
    with store.writing() as session:
        note(session, request, caller, family.name)
    low, high = resting_range(family)
    return render(
        request,
        "bench/family_made.html",
        family=family,
        low=f"{low:.4g}",
        high=f"{high:.4g}",
        checked=wanted.rest_v is not None and contradicted(family, wanted.rest_v) is None,
        taken=[(key, value, mark) for key, value, mark in marks_in(text) if mark],
    )

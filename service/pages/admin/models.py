"""Pages of the models: which ones there are, which one answers, promote and roll back."""

from __future__ import annotations

from fastapi import Request
from starlette.responses import Response

from models.base.errors import BadInput, ModelRefused, Problem
from service.access.roles import CurrentCaller
from service.core.translation import _
from service.forecasting.model.basis import current_basis_withdrawn
from service.forecasting.model.learning import promote_on_record
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.admin.noting import note
from service.pages.forms import NO_FAULTS, Faults, SentForm, page_router
from service.pages.messages import Message, Undo
from service.pages.rendering import go_to, render
from service.records.history import tables_of
from service.store.opening import Store
from training.learning.promotion import RULE
from training.registry import Manifest, ModelRegistry

router = page_router()


@router.get("/admin/models", operation_id="page_models")
def show_models(request: Request, store: CurrentStore) -> Response:
    """List the models, the newest first."""
    return _page(request, store, {}, NO_FAULTS)


@router.post("/admin/models/promotion", operation_id="page_promote_model")
def promote(
    request: Request, form: SentForm, caller: CurrentCaller, store: CurrentStore, families: KnownFamilies
) -> Response:
    """Let a model answer: if it is no worse on the store's record, or for a reason that is kept."""
    registry = _registry(request)
    name, reason = form.get("model"), form.get("reason")
    at = request.app.state.clock()
    try:
        with store.reading() as session:
            record = tables_of(session, families) if not reason else None
        judgement = promote_on_record(registry, name, at, record, reason or None)
    except BadInput as error:
        told = tuple(Problem("reason", p.what, _("Give a reason to use it all the same.")) for p in error.problems)
        return _page(request, store, form.values(), Faults(told))
    with store.writing() as session:
        note(session, request, caller, name)
    said = _("Model %(name)s is used from now on.") % {"name": name}
    if judgement is not None:
        said = f"{said} {judgement.sentence()}"
    return go_to(request, "/admin/models", Message(said, Undo("/admin/models/rollback")))


@router.post("/admin/models/rollback", operation_id="page_roll_back_model")
def roll_back(request: Request, _form: SentForm, caller: CurrentCaller, store: CurrentStore) -> Response:
    """Let the model answer that answered before."""
    registry = _registry(request)
    left = registry.current_id()
    name = registry.rollback(request.app.state.clock())
    with store.writing() as session:
        note(session, request, caller, name)
    # The way back is to promote the one that was left, for the reason that it had answered already.
    fields = {"model": left or "", "reason": _("the roll-back was undone")}
    said = _("Model %(name)s is used again.") % {"name": name}
    return go_to(request, "/admin/models", Message(said, Undo("/admin/models/promotion", fields)))


def _registry(request: Request) -> ModelRegistry:
    return ModelRegistry(request.app.state.settings.models_dir)


def _page(request: Request, store: Store, values: dict[str, str], faults: Faults) -> Response:
    registry = _registry(request)
    with store.reading() as session:
        changed = current_basis_withdrawn(session, registry)
    models: list[Manifest] = []
    refused: list[tuple[str, Problem]] = []
    for name in registry.names():
        try:
            models.append(registry.manifest(name))
        except ModelRefused as error:
            refused.append((name, error.args[0]))
    models.sort(key=lambda manifest: manifest.created, reverse=True)
    try:
        current, moves = registry.current_id(), registry.history()
    except ModelRefused as error:
        current, moves = None, ()
        refused.append((error.args[0].where, error.args[0]))
    return render(
        request,
        "admin/models.html",
        status=422 if faults else 200,
        models=models,
        refused=refused,
        current=current,
        changed=changed,
        moves=moves[::-1],
        can_roll_back=len({move.model_id for move in moves}) > 1,
        rule=RULE,
        values=values,
        faults=faults,
    )

"""Pages of the imports: send files, look over a guess at a logger's columns, follow what came of it."""

from __future__ import annotations

import re
import shutil
from collections.abc import AsyncIterator, Callable
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Request
from sqlalchemy import select
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import FormData, UploadFile
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from models.packs.history import BlockReading
from service.access.callers import Caller
from service.access.roles import CurrentCaller
from service.core.translation import _
from service.exchange.imports.files import ENDINGS
from service.exchange.imports.first_rows import first_rows
from service.exchange.imports.guess import confirmed
from service.exchange.imports.mapping import DOCUMENTED, read_mapping
from service.exchange.imports.rows import RowFault
from service.exchange.imports.understanding import Understanding
from service.exchange.inbox.files import coming_in, inbox_of, remove
from service.http.dependencies import CurrentStore
from service.jobs.queue import enqueue
from service.pages.admin.jobs import kind_words
from service.pages.admin.noting import note
from service.pages.forms import NO_FAULTS, Faults, Form, PageWrite, SentForm, form_of, once, page_router, require_token
from service.pages.messages import Message
from service.pages.rendering import go_to, render
from service.pages.understanding import (
    ROWS_SHOWN,
    SHOWN,
    UnderstoodRow,
    answers_of,
    digest_of,
    open_faults,
    understood_file,
)
from service.records.writing import Done
from service.store.opening import Store
from service.store.schema import Job, Pack

LAST_IMPORTS: Final = 10
READ_AT_ONCE: Final = 1_000_000
MAPPING: Final = "mapping.toml"
HISTORIES: Final = (".json", ".jsonl")
_PLAIN: Final = re.compile(r"[^A-Za-z0-9._-]+")

router = page_router()
sending = APIRouter(include_in_schema=False)
"""The one form whose files are not read into memory: it checks its token itself."""


async def _token_checked_files(request: Request) -> AsyncIterator[FormData]:
    async with form_of(request) as sent:
        require_token(request, sent)
        yield sent


@router.get("/admin/imports", operation_id="page_imports")
def show_imports(request: Request, store: CurrentStore) -> Response:
    """Ask for files, and list the last imports."""
    return _page(request, store, {}, NO_FAULTS)


@sending.post("/admin/imports", operation_id="page_send_import")
async def send_import(
    request: Request,
    sent: Annotated[FormData, Depends(_token_checked_files)],
    caller: CurrentCaller,
    store: CurrentStore,
) -> Response:
    """Take files in and have a worker import them; a logger's file comes back with a guess at its columns."""
    given = {name: str(value) for name, value in sent.multi_items() if not isinstance(value, UploadFile)}
    files = [file for file in sent.getlist("files") if isinstance(file, UploadFile) and file.filename]
    return await run_in_threadpool(_take, request, store, caller, given, files)


@router.post("/admin/imports/{folder}/mapping", operation_id="page_send_mapping")
def send_mapping(request: Request, folder: str, form: SentForm, write: PageWrite) -> Any:
    """Import a logger's file by the mapping as it was looked over."""
    here = inbox_of(request.app.state.settings) / _plain(folder)
    files = [path for path in here.iterdir() if path.name != MAPPING] if here.is_dir() else []
    if len(files) != 1:
        mend = _("Send the file again.")
        raise BadInput.one("files", _("The file is not in the inbox any more."), mend)
    (file,) = files
    if form.get("by_hand") or form.get("write"):
        text = form.get("mapping") or _understood(file, form, write.store, request).as_toml()
        if form.get("write"):
            return _by_hand_page(request, file, text, form.values(), NO_FAULTS)
        (here / MAPPING).write_text(text, encoding="utf-8")
        try:
            read_mapping(here / MAPPING)
        except BadInput as error:
            faults = Faults(tuple(Problem("mapping", f"{p.where}: {_(p.what)}", p.mend) for p in error.problems))
            return _by_hand_page(request, file, text, form.values(), faults)
    else:
        found = _understood(file, form, write.store, request)
        if found.questions or form.get("again") or form.get(SHOWN) != digest_of(found):
            return _mapping_page(request, file, found, write.store, form)
        (here / MAPPING).write_text(found.as_toml(), encoding="utf-8")

    def work(session: Any) -> Done:
        arguments = {
            "name": f"{here.name}/{file.name}",
            "mapping": f"{here.name}/{MAPPING}",
            "dry_run": form.get("dry_run") == "yes",
            "keep_good": form.get("keep_good") == "yes",
            "keep_logs": form.get("keep_logs") == "yes",
        }
        job = enqueue(session, "import", arguments, write.caller.name, write.at)
        response = go_to(
            request, f"/admin/jobs/{job.id}", Message(_("The files are here; the import waits for a worker."))
        )
        return Done(303, record_id=job.id, headers=dict(response.headers))

    return write(work)


def _take(request: Request, store: Store, caller: Caller, given: dict[str, str], files: list[UploadFile]) -> Response:
    faults = _faults_of(files)
    if faults:
        return _page(request, store, given, Faults(tuple(faults)))
    at = request.app.state.clock()
    inbox = inbox_of(request.app.state.settings)
    # Two people may send at the same second: the request's identifier tells them apart.
    folder = f"{at:%Y%m%dT%H%M%SZ}-{_plain(request.state.request_id)[:12]}"
    names = []
    for file in files:
        name = _plain(Path(str(file.filename)).name)
        with coming_in(inbox, f"{folder}/{name}") as write:
            shutil.copyfileobj(file.file, _Into(write), READ_AT_ONCE)
        names.append(name)
    first = inbox / folder / names[0]
    tables = all(Path(name).stem in DOCUMENTED for name in names)
    if not tables and first.suffix not in HISTORIES:
        try:
            found = confirmed(first)
        except BadInput as error:
            remove(inbox, folder)
            told = tuple(Problem("files", f"{p.where}: {_(p.what)}", p.mend) for p in error.problems)
            return _page(request, store, given, Faults(told))
        return _mapping_page(request, first, found, store, Form({name: (text,) for name, text in given.items()}))
    arguments = {
        "name": folder if tables else f"{folder}/{names[0]}",
        "mapping": None,
        "dry_run": given.get("dry_run") == "yes",
        "keep_good": given.get("keep_good") == "yes",
        "keep_logs": given.get("keep_logs") == "yes",
    }
    with store.writing() as session:
        job = enqueue(session, "import", arguments, caller.name, at)
        note(session, request, caller, folder)
    return go_to(request, f"/admin/jobs/{job.id}", Message(_("The files are here; the import waits for a worker.")))


class _Into:
    """A file to copy to, of which only `write` is needed."""

    def __init__(self, write: Any) -> None:
        self.write = write


def _faults_of(files: list[UploadFile]) -> list[Problem]:
    if not files:
        return [Problem("files", _("No file was chosen."), _("Choose one file, or several tables of one record."))]
    names = [_plain(Path(str(file.filename)).name) for file in files]
    faults = [
        Problem(
            "files",
            _("%(name)s is of a kind that cannot be read.") % {"name": name},
            _("Send text in columns, a spreadsheet, Parquet or JSON, with the ending that says so."),
        )
        for name in names
        if Path(name).suffix not in ENDINGS or name.startswith(".")
    ]
    if len(set(names)) < len(names):
        faults.append(Problem("files", _("Two files have the same name."), _("Rename one of them.")))
    if len(names) > 1 and any(Path(name).stem not in DOCUMENTED for name in names):
        known = ", ".join(DOCUMENTED)
        mend = _("Name them %(known)s, or send one file at a time.") % {"known": known}
        faults.append(Problem("files", _("Several files are imported together only as documented tables."), mend))
    return faults


def _plain(name: str) -> str:
    return _PLAIN.sub("-", name).strip("-")[:60] or "file"


def _page(request: Request, store: Store, values: dict[str, str], faults: Faults) -> Response:
    with store.reading() as session:
        query = select(Job).where(Job.kind == "import").order_by(Job.id.desc()).limit(LAST_IMPORTS)
        jobs = session.scalars(query).all()
    settings = request.app.state.settings
    return render(
        request,
        "admin/imports.html",
        status=422 if faults else 200,
        jobs=jobs,
        kinds=kind_words(),
        values=values,
        faults=faults,
        most_megabytes=settings.max_upload_bytes // 1_000_000,
        tables=list(DOCUMENTED),
    )


def _understood(file: Path, form: Form, store: Store, request: Request) -> Understanding:
    """Tell how a file is understood with what the form says of it."""
    answers = answers_of(form)
    blocks = _blocks_of(store, request)
    return confirmed(file, answers, blocks_of_pack=blocks(answers.get("fixed.pack_id", "")))


def _blocks_of(store: Store, request: Request) -> Callable[[str], int | None]:
    families = request.app.state.families

    def blocks_of(pack_id: str) -> int | None:
        with store.reading() as session:
            pack = session.get(Pack, pack_id) if pack_id else None
        return families[pack.family].blocks if pack is not None and pack.family in families else None

    return blocks_of


def _mapping_page(request: Request, path: Path, found: Understanding, store: Store, form: Form) -> Response:
    """Show how a file is understood, with its first rows where nothing is open."""
    file = understood_file(found, answers_of(form))
    faults = open_faults(found) if form.get(SHOWN) else NO_FAULTS
    rows: list[BlockReading] = []
    bad: list[RowFault] = []
    if not found.questions:
        rows, bad = first_rows(path, found.mapping(path.name), _blocks_of(store, request), ROWS_SHOWN)
    return render(
        request,
        "admin/mapping.html",
        status=422 if faults else 200,
        folder=path.parent.name,
        name=path.name,
        file=file,
        rows=[UnderstoodRow.of(row) for row in rows],
        bad=bad,
        by_hand=False,
        ready=not found.questions,
        values=form.values() if form.get(SHOWN) else {"dry_run": "yes", **form.values()},
        faults=faults,
        labels={field.name: field.text for field in file.asked},
        once=once(),
    )


def _by_hand_page(request: Request, path: Path, text: str, values: dict[str, str], faults: Faults) -> Response:
    return render(
        request,
        "admin/mapping.html",
        status=422 if faults else 200,
        folder=path.parent.name,
        name=path.name,
        by_hand=True,
        values=values | {"mapping": text},
        faults=faults,
        labels={"mapping": _("The columns")},
        once=once(),
    )

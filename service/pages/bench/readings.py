"""The form of a reading: block by block, a pasted row or column, or a logger's file."""

from __future__ import annotations

import base64
import gzip
import io
import re
import tempfile
import zlib
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any, Final

from fastapi import Request
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from models.packs.fields import columns_of
from models.packs.history import BlockReading
from service.core.refusals import Conflict, Doubtful, Outdated
from service.core.translation import _, ngettext
from service.exchange.imports.files import ENDINGS, headings_of, rows_of
from service.exchange.imports.guess import confirmed
from service.exchange.imports.loading import ImportReport, import_files
from service.exchange.imports.mapping import FileMapping, documented_mapping
from service.exchange.imports.packed_files import unpacked_once
from service.exchange.imports.understanding import Understanding
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.bench.facts import (
    Number,
    as_text,
    fact_page,
    faults_of,
    require_may,
    require_of,
    store_change,
    store_new,
    take_away,
)
from service.pages.bench.in_volts import in_volts
from service.pages.bench.state_of_unit import Unit, unit_of
from service.pages.bench.unit import UnitName
from service.pages.bench.units import unit_address
from service.pages.bench.voltages import as_number, count_problem, is_number_or_unread, pasted_numbers, split_numbers
from service.pages.forms import NO_FAULTS, Faults, Form, PageWrite, SentForm, checked, page_router
from service.pages.messages import Message
from service.pages.rendering import go_to, render, zone_of
from service.pages.understanding import (
    SHOWN,
    UnderstoodRow,
    answers_of,
    digest_of,
    open_faults,
    understood_file,
)
from service.pages.undo import Step, step, undo_form
from service.pages.wording import code_state_words, for_input, inspected_words, moment_from, state_words
from service.records.records import read
from service.records.subjects.readings import READINGS
from service.store.schema import Reading, Versioned

router = page_router()

BLOCK: Final = "block_v"
PASTED: Final = "pasted"
UNDERSTOOD: Final = "understood"
LARGEST_FOLDED: Final = 900_000
"""Longest file that a page keeps in itself, packed and written in base64: a form's field may hold 1 MiB."""

KNOWN: Final = ("fixed.pack_id", "time.zone")
"""Questions that the page answers itself: whose file it is, and where its clocks stand."""

LARGEST_FILE: Final = 20_000_000
ROWS_SHOWN: Final = 50
DOUBTS_SHOWN: Final = 5

WORDS: Final = ("inspected", "code", "code_state")
"""Fields of a reading that are no numbers, besides its state."""

NUMBERS: Final = tuple(
    (c.name, c.measured)
    for c in columns_of(BlockReading)
    if c.measured is not None and c.kind == "number"
    if c.measured.label
)
"""Numbers of a reading besides its voltages; what only a log has is on no form."""

LISTS: Final = tuple(
    (c.name, c.measured) for c in columns_of(BlockReading) if c.measured is not None and c.kind == "list"
)
"""One number for each block besides its voltage, written as a row."""


def _page(
    request: Request,
    unit: Unit,
    values: Mapping[str, str],
    volts: list[str],
    faults: Faults = NO_FAULTS,
    row: Versioned | None = None,
) -> Response:
    return fact_page(
        request,
        "bench/reading.html",
        unit,
        "reading",
        values,
        faults,
        row,
        volts=volts,
        numbers=NUMBERS,
        lists=LISTS,
        looks=list(inspected_words().items()),
        code_states=list(code_state_words().items()),
        states=[(state, words[0].upper() + words[1:]) for state, words in state_words().items()],
    )


def _blank(unit: Unit) -> list[str]:
    return [""] * (unit.family.blocks if unit.family is not None else 0)


@router.get("/bench/units/{pack_id}/reading/new", operation_id="page_new_reading")
def show_new(pack_id: UnitName, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Ask for a reading."""
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
    return _page(request, unit, {"time": for_input(request.app.state.clock(), zone_of(request))}, _blank(unit))


@router.get("/bench/units/{pack_id}/reading/{number}", operation_id="page_reading")
def show_reading(
    pack_id: UnitName, number: Number, request: Request, store: CurrentStore, families: KnownFamilies
) -> Response:
    """Show a reading to be corrected or taken away."""
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
        row: Any = read(session, READINGS, number)
        require_of(row, pack_id)
    values = {name: as_text(getattr(row, name)) for name in ("state", *WORDS, *dict(NUMBERS))}
    values |= {name: " ".join(as_text(one) or "-" for one in getattr(row, name) or ()) for name in dict(LISTS)}
    values["time"] = for_input(row.time, zone_of(request))
    return _page(request, unit, values, [as_text(v) for v in row.block_v], row=row)


@router.post("/bench/units/{pack_id}/reading/new", operation_id="page_record_reading")
def record_reading(
    pack_id: UnitName, request: Request, form: SentForm, write: PageWrite, families: KnownFamilies
) -> Response:
    """Record a reading, or put pasted numbers into the fields to be looked over."""
    require_may(request, "create", READINGS)
    with write.store.reading() as session:
        unit = unit_of(session, pack_id, families)
    volts, faults = _volts(form, unit)
    if form.get(PASTED) and not faults and form.get("spread"):
        return _page(request, unit, form.values() | {PASTED: ""}, volts)
    try:
        content = _content(request, form, volts, faults)
        content[BLOCK], converted = in_volts(content[BLOCK], unit.family)
        new = checked(READINGS.new, {**content, "pack_id": pack_id})
        said = " ".join(filter(None, (_("The reading is recorded."), converted)))
        return write(lambda session: store_new(session, request, READINGS, new, families, write, said))
    except (BadInput, Conflict, Doubtful) as error:
        return _page(request, unit, form.values(), volts, _by_block(faults_of(error, form)))


@router.post("/bench/units/{pack_id}/reading/{number}", operation_id="page_correct_reading")
def correct_reading(
    pack_id: UnitName, number: Number, request: Request, form: SentForm, write: PageWrite, families: KnownFamilies
) -> Response:
    """Correct a reading, or take it away."""
    if form.get("take_away"):
        require_may(request, "withdraw", READINGS)
        try:
            return write(lambda s: take_away(s, request, READINGS, number, pack_id, form, families, write))
        except BadInput as error:
            with write.store.reading() as session:
                unit, row = unit_of(session, pack_id, families), read(session, READINGS, number)
            volts, _faults = _volts(form, unit)
            return _page(request, unit, form.values(), volts, faults_of(error), row)
    require_may(request, "correct", READINGS)
    with write.store.reading() as session:
        unit = unit_of(session, pack_id, families)
        row = read(session, READINGS, number)
    volts, faults = _volts(form, unit)
    try:
        content = dict.fromkeys((*WORDS, *dict(NUMBERS), *dict(LISTS)))
        content |= _content(request, form, volts, faults)
        change = checked(READINGS.change, content)
        return write(lambda s: store_change(s, request, READINGS, number, pack_id, change, form, families, write))
    except (BadInput, Conflict, Doubtful, Outdated) as error:
        return _page(request, unit, form.values(), volts, _by_block(faults_of(error, form)), row)


def _volts(form: Form, unit: Unit) -> tuple[list[str], list[Problem]]:
    """Return the voltages as written, one for each block, and what is wrong with their number."""
    typed = list(form.all(BLOCK))
    blocks = unit.family.blocks if unit.family is not None else len(typed)
    if not form.get(PASTED):
        return typed, []
    found = pasted_numbers(form.get(PASTED))
    if len(found) == blocks and all(map(is_number_or_unread, found)):
        return found, []
    return typed or _blank(unit), [count_problem(PASTED, len(found), blocks)]


def _content(request: Request, form: Form, volts: list[str], faults: list[Problem]) -> dict[str, Any]:
    problems = list(faults)
    values: dict[str, Any] = {"state": form.get("state")}
    values |= {name: form.get(name) for name in WORDS if form.get(name)}
    try:
        values["time"] = moment_from("time", form.get("time"), zone_of(request))
    except BadInput as error:
        problems += error.problems
    for name in dict(NUMBERS):
        try:
            if form.get(name):
                values[name] = form.number_or_text(name)
        except BadInput as error:
            problems += error.problems
    for name in dict(LISTS):
        written = split_numbers(form.get(name)) if form.get(name) else []
        if wrong := next((text for text in written if not is_number_or_unread(text)), None):
            mend = _("Write one number for each block, with spaces between; - for a block that was not told.")
            problems.append(Problem(name, _("%(text)s is not a number.") % {"text": repr(wrong)}, mend))
        elif written:
            values[name] = [as_number(name, text) for text in written]
    numbers: list[float | None] = []
    for place, text in enumerate(volts):
        try:
            numbers.append(as_number(f"{BLOCK}[{place}]", text))
        except BadInput as error:
            problems += error.problems
    if problems:
        raise BadInput(problems)
    values[BLOCK] = numbers
    return values


def _by_block(faults: Faults) -> Faults:
    """Let a problem of all voltages stand at the first of them."""
    placed = (Problem(f"{BLOCK}[0]", p.what, p.mend) if p.where == BLOCK else p for p in faults.problems)
    return Faults(tuple(placed), faults.sure)


@router.post("/bench/units/{pack_id}/file", operation_id="page_readings_file")
def take_file(
    pack_id: UnitName, request: Request, form: SentForm, write: PageWrite, families: KnownFamilies
) -> Response:
    """Show what a logger's file was understood as; once that is confirmed, record all its readings or none."""
    require_may(request, "create", READINGS)
    with write.store.reading() as session:
        unit = unit_of(session, pack_id, families)
        before = session.scalar(select(func.max(Reading.id))) or 0
    name, content = form.files.get("file", ("", b""))
    looked_over = form.get(UNDERSTOOD) != ""
    if looked_over:
        name, content = form.get("name"), unfolded(form.get(UNDERSTOOD))
    try:
        if not content:
            raise BadInput.one("file", _("There is no file."), _("Choose a CSV file with a heading row."))
        with tempfile.TemporaryDirectory(prefix="tideover-") as folder, unpacked_once():
            path = FilePath(folder) / _plain_name(name)
            path.write_bytes(content)
            found, mapping = _mapping(path, unit, form, zone_of(request).key)
            if mapping is None:
                return _understood_page(request, unit, name, content, form, found, [], ImportReport())
            # What another answer has changed is looked over again.
            told = "" if found is None else digest_of(found)
            sure = looked_over and not form.get("again") and form.get(SHOWN) == told
            steps: list[Step] = []
            rows: list[UnderstoodRow] = []

            def noted(session: Session, report: ImportReport) -> None:
                mine = (Reading.pack_id == pack_id, Reading.recorded_at == write.at, Reading.id > before)
                stored = session.scalars(select(Reading).where(*mine).order_by(Reading.time)).all()
                if not sure:
                    # Looked over first: what was taken in for that is taken back.
                    rows.extend(UnderstoodRow.of(row) for row in stored)
                    raise _NotYet(report)
                steps.extend(step(READINGS, row, "create") for row in stored)

            report = import_files(write.store, path, families, write.writer, mapping=mapping, at_end=noted)
    except _NotYet as looked:
        return _understood_page(request, unit, name, content, form, found, rows, looked.report)
    except BadInput as error:
        report, problems = ImportReport(), error.problems
        return _file_page(request, unit, name, report, problems)
    if report.faults_in_all:
        return _file_page(request, unit, name, report, ())
    address = unit_address(pack_id)
    said = ngettext("%(num)s reading is recorded.", "%(num)s readings are recorded.", len(steps)) % {"num": len(steps)}
    return go_to(request, address, Message(said, undo_form(request, steps, address)))


class _NotYet(Exception):
    """The rows of a file were only read to be shown, with what was found."""

    def __init__(self, report: ImportReport) -> None:
        super().__init__()
        self.report = report


def _understood_page(
    request: Request,
    unit: Unit,
    name: str,
    content: bytes,
    form: Form,
    found: Understanding | None,
    rows: list[UnderstoodRow],
    report: ImportReport,
) -> Response:
    folded = base64.b64encode(gzip.compress(content, mtime=0)).decode()
    if len(folded) > LARGEST_FOLDED:
        large = BadInput.one(
            "file", _("The file is too long to be looked over here."), _("Split it, or have the admin import it.")
        )
        return _file_page(request, unit, name, ImportReport(), large.problems)
    file = None if found is None else understood_file(found, answers_of(form), KNOWN)
    faults = open_faults(found) if found is not None and form.get(SHOWN) else NO_FAULTS
    return render(
        request,
        "bench/understood.html",
        status=422 if faults else 200,
        unit=unit,
        file=file,
        faults=faults,
        labels={} if file is None else {field.name: field.text for field in file.asked},
        name=name,
        folded=folded,
        file_state=form.get("file_state"),
        rows=rows[:ROWS_SHOWN],
        count=len(rows),
        doubts=report.doubts[:DOUBTS_SHOWN],
        further_doubts=max(report.doubts_in_all - DOUBTS_SHOWN, 0),
        address=unit_address(unit.pack.id),
    )


def unfolded(text: str) -> bytes:
    """Return a file as the page that showed it keeps it; no more of it than it could have held."""
    try:
        with gzip.GzipFile(fileobj=io.BytesIO(base64.b64decode(text, validate=True))) as file:
            return file.read(LARGEST_FILE)
    except (OSError, EOFError, ValueError, zlib.error):
        raise BadInput.one(
            "file", _("The file cannot be read any more."), _("Choose the file again on the page of the reading.")
        ) from None


def _file_page(request: Request, unit: Unit, name: str, report: ImportReport, problems: Any) -> Response:
    return render(
        request,
        "bench/file.html",
        status=422,
        unit=unit,
        name=name,
        report=report,
        problems=problems,
        address=unit_address(unit.pack.id),
    )


def _require_own(path: FilePath, mapping: FileMapping, unit: Unit) -> None:
    """Refuse a file that tells of other packs too: their readings must not become this one's."""
    heading = mapping.columns.get("pack_id")
    if heading is None:
        return
    for number, fields in rows_of(path, mapping.shape):
        name = str(fields.get(heading) or "").strip()
        if name not in ("", unit.pack.id, unit.vehicle_id):
            where = f"{path.name} row {number} column {heading}"
            what = _("This row is of %(other)s, not of %(own)s.") % {"other": repr(name), "own": unit.name}
            raise BadInput.one(where, what, _("Leave only this unit's rows in the file."))


def _plain_name(name: str) -> str:
    """Return a file's name without anything that could lead elsewhere."""
    plain = re.sub(r"[^A-Za-z0-9._-]", "-", name)[-60:].lstrip(".-")
    return plain if plain.lower().endswith(ENDINGS) else f"{plain or 'file'}.csv"


def _mapping(path: FilePath, unit: Unit, form: Form, zone: str) -> tuple[Understanding | None, FileMapping | None]:
    """Return what the columns are: as documented, else as they are understood with what the form says.

    An understanding without a mapping has a question that needs an answer.
    """
    found = None
    headings = headings_of(path) if path.suffix == ".csv" else []
    if {"time", "state", "block_1_v"} <= set(headings):
        # Whose rows they are is known here: the column for it may be left out.
        mapping = documented_mapping("readings", list(dict.fromkeys([*headings, "pack_id"])))
        if "pack_id" not in headings:
            own = {column: heading for column, heading in mapping.columns.items() if column != "pack_id"}
            mapping = mapping.model_copy(update={"columns": own})
    else:
        known = {**answers_of(form), **dict(zip(KNOWN, (unit.pack.id, zone), strict=True))}
        if form.get("file_state"):
            # It counts only where the file does not tell the state itself, by a word or a current in each row.
            known.setdefault("fixed.state", form.get("file_state"))
        found = confirmed(path, known, blocks_of_pack=_blocks(unit))
        if found.questions:
            return found, None
        mapping = found.mapping(path.name)
    _require_own(path, mapping, unit)
    columns = {column: heading for column, heading in mapping.columns.items() if column != "pack_id"}
    return found, mapping.model_copy(update={"columns": columns, "fixed": {**mapping.fixed, "pack_id": unit.pack.id}})


def _blocks(unit: Unit) -> int | None:
    return None if unit.family is None else unit.family.blocks

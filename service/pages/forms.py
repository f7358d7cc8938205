"""What comes in with a form: checked to be from a page of ours, read field by field, told back with its mistakes."""

from __future__ import annotations

import hashlib
import re
import secrets
from collections.abc import AsyncIterator, Callable, Collection, Mapping, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from typing import Annotated, Any, Final, TypeVar

from fastapi import APIRouter, Depends, HTTPException, Request
from pydantic import BaseModel, ValidationError
from python_multipart.multipart import parse_options_header
from sqlalchemy.orm import Session
from starlette.datastructures import FormData, UploadFile

from models.base.errors import BadInput, Problem, problems_from
from service.access.visits import is_form_token
from service.core.refusals import Conflict, Doubtful
from service.core.translation import _
from service.records.writing import Writing
from service.store.opening import Store

TOKEN: Final = "form_token"  # noqa: S105  the name of a field
ONCE: Final = "once"
_NUMBER: Final = re.compile(r"^[-+−]?[0-9]+([.,][0-9]+)?$")
_THOUSANDS: Final = re.compile(r"^[-+−]?[1-9][0-9]{0,2}[.,][0-9]{3}$")
_TO_THE_THOUSANDTH: Final = ("_v", "_a", "_ah", "_h", "_c", "_k", "_mohm")
"""Ends of the names of fields that meters tell to the thousandth; kilometres, days and amounts are not told so."""

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True)
class Form:
    """A form as it was sent.

    Attributes
    ----------
    sent : mapping of str to list of str
        Text fields without surrounding blanks.
    files : mapping of str to (name, content)
    """

    sent: Mapping[str, Sequence[str]] = field(default_factory=dict)
    files: Mapping[str, tuple[str, bytes]] = field(default_factory=dict)

    def get(self, name: str, default: str = "") -> str:
        """Return a field's text."""
        found = self.sent.get(name)
        return found[0] if found else default

    def all(self, name: str) -> Sequence[str]:
        """Return every value of a field that may come several times."""
        return self.sent.get(name, ())

    def values(self) -> dict[str, str]:
        """Return the text fields by name, to fill the form in again."""
        return {name: texts[0] for name, texts in self.sent.items() if texts}

    def read(self, schema: type[Model], names: Collection[str], **more: Any) -> Model:
        """Return some fields as a record; what is empty counts as not given, a decimal comma as a point.

        Parameters
        ----------
        names : collection of str
            Fields of the form that are fields of the schema too.
        **more
            Values that are not in the form as they are needed.

        Raises
        ------
        BadInput
            With the form's own field names.
        """
        return checked(schema, plain_numbers({name: self.get(name) for name in names if self.get(name)}) | more)

    def number_or_text(self, name: str) -> str:
        """Return a field as the schemas read it: with a decimal point.

        Raises
        ------
        BadInput
            As for `plain_numbers`.
        """
        return plain_numbers({name: self.get(name)})[name]

    def digest(self) -> str:
        """Return a digest of all that was sent but the token."""
        digest = hashlib.sha256()
        for name in sorted(self.sent.keys() - {TOKEN}):
            digest.update(repr((name, list(self.sent[name]))).encode("utf-8", "surrogatepass"))
        for name, (title, content) in sorted(self.files.items()):
            digest.update(repr((name, title, len(content))).encode("utf-8", "surrogatepass") + content)
        return digest.hexdigest()


def plain_number(text: str) -> str:
    """Write a number as the schemas read it: some telephones only offer a decimal comma. Other text stays."""
    return text.replace(",", ".").replace("−", "-") if _NUMBER.match(text) else text


def plain_numbers(texts: Mapping[str, str]) -> dict[str, str]:
    """Write the numbers of some fields as the schemas read them.

    Raises
    ------
    BadInput
        A mark may part thousands or decimals, and the field is one that is seldom told to the thousandth.
    """
    problems = []
    for name, text in texts.items():
        if _THOUSANDS.match(text) and not name.endswith(_TO_THE_THOUSANDTH):
            short, long = re.sub(r"[.,]0*$|(?<=[1-9])0+$", "", text.replace(",", ".")), re.sub(r"[.,]", "", text)
            what = _("%(text)s may mean %(short)s or %(long)s.") % {"text": text, "short": short, "long": long}
            problems.append(Problem(name, what, _("Write it without a mark for thousands.")))
    if problems:
        raise BadInput(problems)
    return {name: plain_number(text) for name, text in texts.items()}


def checked(schema: type[Model], values: Mapping[str, Any]) -> Model:
    """Return values as a record.

    Raises
    ------
    BadInput
    """
    try:
        return schema.model_validate(values)
    except ValidationError as error:
        raise BadInput(problems_from(error)) from error


class _TakenBack(Exception):
    """What was tried is not kept."""


def with_the_rest(error: BadInput, form: Form, store: Store, work: Callable[[Session, Form], object]) -> BadInput:
    """Return the faults of a form together with those that would show only once these are mended.

    What is wrong is left out of the form, and the rest is tried and taken back.

    Parameters
    ----------
    work : callable
        Records what a form says; raises `BadInput` or `Doubtful`.
    """
    wrong = {_field_of(problem) for problem in error.problems}
    rest = Form({name: texts for name, texts in form.sent.items() if name not in wrong}, form.files)
    try:
        with store.writing() as session:
            work(session, rest)
            raise _TakenBack
    except (_TakenBack, Conflict):
        return error
    except (BadInput, Doubtful) as further:
        found = [problem for problem in further.problems if _field_of(problem) not in wrong]
        return BadInput([*error.problems, *found]) if found else error


def _field_of(problem: Problem) -> str:
    return re.split(r"[.\[]", problem.where)[0]


def require_token(request: Request, sent: FormData) -> None:
    """Refuse a form that is not from a page of this visit."""
    token = sent.get(TOKEN)
    if not isinstance(token, str) or not is_form_token(request, token):
        raise HTTPException(
            403,
            _("This form is not from a page that you opened here, or the page was too old. Go back and send it again."),
        )


@asynccontextmanager
async def form_of(request: Request) -> AsyncIterator[FormData]:
    """Open the form that was sent; closes its files at the end of the block.

    Raises
    ------
    HTTPException
        Its text is declared in another encoding than UTF-8: a caller could choose one that takes quadratic time.
    """
    _kind, options = parse_options_header(request.headers.get("content-type"))
    encoding = options.get(b"charset", b"utf-8").decode("latin-1")
    if encoding.lower() not in ("utf-8", "utf8"):
        raise HTTPException(415, _("The form is written in %(encoding)s; send UTF-8.") % {"encoding": encoding[:40]})
    async with request.form() as sent:
        yield sent


async def token_checked(request: Request) -> Form:
    """Return what was sent, if it came from a page of this visit: a dependency of every page."""
    if request.method != "POST":
        return Form()
    texts: dict[str, list[str]] = {}
    files: dict[str, tuple[str, bytes]] = {}
    async with form_of(request) as sent:
        require_token(request, sent)
        for name, value in sent.multi_items():
            if isinstance(value, UploadFile):
                content = await value.read()
                if value.filename or content:
                    files[name] = (value.filename or name, content)
            elif name != TOKEN:
                texts.setdefault(name, []).append(value.strip())
    return Form(texts, files)


SentForm = Annotated[Form, Depends(token_checked)]
"""The form that was sent; empty when a page is only asked for."""


def page_router() -> APIRouter:
    """Return a router for pages: not in the description of the REST service, and no form without its token."""
    return APIRouter(include_in_schema=False, dependencies=[Depends(token_checked)])


def _write(request: Request, form: SentForm) -> Writing:
    digest = form.digest()
    once = form.get(ONCE)
    # Pressed twice, the same form is stored once; changed after going back, it is another write.
    key = hashlib.sha256(f"{once} {request.scope['path']} {digest}".encode()).hexdigest() if once else None
    return Writing(
        store=request.app.state.store,
        caller=request.state.caller,
        at=request.app.state.clock(),
        action=request.scope["route"].operation_id,
        request_id=request.state.request_id,
        key=key,
        digest=digest,
        sure=form.get("sure"),
    )


PageWrite = Annotated[Writing, Depends(_write)]
"""The same write as over REST: change, audit line and answer in one transaction, and once however often it is sent."""


def once() -> str:
    """Return a number for a form that writes; the template puts it into the form."""
    return secrets.token_urlsafe(12)


@dataclass(frozen=True)
class Faults:
    """What is wrong with a form, by field.

    Attributes
    ----------
    sure : str
        If they are doubts rather than mistakes: what the form says back when they were looked at and it is right.
    """

    problems: tuple[Problem, ...] = ()
    sure: str = ""

    def of(self, name: str) -> list[Problem]:
        """Return the problems of one field."""
        return [p for p in self.problems if p.where == name]

    def within(self, name: str) -> list[Problem]:
        """Return the problems of a field and of the parts of it, as ``block_v[3]``."""
        return [p for p in self.problems if re.split(r"[.\[]", p.where)[0] == name]

    def __bool__(self) -> bool:
        return bool(self.problems)


NO_FAULTS: Final = Faults()

"""Taking a write back: records keep their versions, so the earlier one is made to stand again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final, Literal

from fastapi import HTTPException, Request
from itsdangerous import BadData
from sqlalchemy.orm import Session

from models.base.errors import BadInput
from service.access.visits import seal
from service.core.refusals import WHATEVER
from service.core.translation import _
from service.http.dependencies import KnownFamilies
from service.http.page_addresses import own_address
from service.pages.forms import PageWrite, SentForm, checked, page_router
from service.pages.messages import Message, Undo
from service.pages.rendering import go_to, may
from service.records.reasons import Why
from service.records.records import Known, correct, create, etag_of, withdraw
from service.records.subject import Subject
from service.records.subjects.all_subjects import SUBJECTS
from service.records.versions import Writer, versions
from service.records.writing import Done
from service.store.schema import Versioned

BY_NAME: Final = {subject.name: subject for subject in SUBJECTS}

router = page_router()


@dataclass(frozen=True)
class Step:
    """One change of a record, to be taken back.

    Attributes
    ----------
    did : {"create", "correct", "withdraw"}
    etag : str
        Of the record as the change left it: what somebody else changed since is not touched.
    """

    subject: str
    record_id: int | str
    did: Literal["create", "correct", "withdraw"]
    etag: str


def step(subject: Subject, row: Versioned, did: Literal["create", "correct", "withdraw"]) -> Step:
    """Note a change that was just made."""
    record_id: int | str = row.id  # type: ignore[attr-defined]
    return Step(subject.name, record_id, did, etag_of(row))


def undo_form(request: Request, steps: Iterable[Step], back_to: str) -> Undo:
    """Return the form that takes changes back, the last one first."""
    token: Any = seal(request, "undo").dumps([asdict(step) for step in steps])
    return Undo("/undo", {"steps": str(token), "next": back_to})


@router.post("/undo", operation_id="page_undo")
def undo(request: Request, form: SentForm, write: PageWrite, families: KnownFamilies) -> Any:
    """Take changes back, all of them or none."""
    try:
        steps = [Step(**content) for content in seal(request, "undo").loads(form.get("steps"))]
    except (BadData, TypeError):
        mend = _("Correct or withdraw the record on its own page.")
        raise BadInput.one("steps", _("What is to be undone cannot be read."), mend) from None
    _require_roles(request, steps)

    def work(session: Session) -> Done:
        for one in reversed(steps):
            _take_back(session, one, families, replace(write.writer, sure=WHATEVER))
        response = go_to(request, own_address(form.get("next")), Message(_("Undone. The record is as it was before.")))
        return Done(303, headers=dict(response.headers))

    return write(work)


def _require_roles(request: Request, steps: Sequence[Step]) -> None:
    verbs = {"create": "withdraw", "correct": "correct", "withdraw": "create"}
    for one in steps:
        operation = f"{verbs[one.did]}_{BY_NAME[one.subject].one.replace('-', '_')}"
        if not may(request, operation):
            raise HTTPException(403, _("Your role may not change these records."))


def _take_back(session: Session, one: Step, families: Known, writer: Writer) -> None:
    subject = BY_NAME[one.subject]
    if one.did == "create":
        withdraw(session, subject, one.record_id, families, writer, one.etag, Why(undone=True))
        return
    # The newest version is what the change left; a withdrawn record's last content is the newest itself.
    kept = versions(session, subject, one.record_id)
    if one.did == "correct":
        before = checked(subject.change, kept[-2].content)
        correct(session, subject, one.record_id, before, families, writer, one.etag, Why(undone=True))
        return
    named = {"id": one.record_id} if subject.named else {}
    create(session, subject, checked(subject.new, kept[-1].content | named), families, writer)

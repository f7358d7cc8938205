"""Access keys: make one, list them, revoke one."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Body, Depends, Path
from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput
from models.base.numbers import NO_TRUTH_VALUE
from service.access.callers import Role
from service.access.keys import LONGEST_DAYS, make_key, revoke_key
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore
from service.http.problems import problem_responses
from service.records.schemas import Line
from service.records.writing import Done, Write
from service.store.schema import ApiKey

router = APIRouter(prefix="/v1/keys", tags=["access keys"])


class NewKey(BaseModel):
    """An access key to be made."""

    model_config = ConfigDict(extra="forbid")

    title: Line = Field(description="What it is for; not a person's name.", examples=["bench tablet"])
    role: Role
    days: Annotated[int, Field(ge=1, le=LONGEST_DAYS), NO_TRUTH_VALUE] | None = Field(
        None, description="Days until it expires; null for no end."
    )


class Key(BaseModel):
    """An access key, without the key."""

    id: str = Field(description="Its name, which stands in records and in the audit trail.")
    title: str
    role: Role
    created_at: datetime
    expires_at: datetime | None
    last_used_at: datetime | None = Field(description="To the minute.")
    revoked_at: datetime | None


class FreshKey(Key):
    """An access key that was just made."""

    key: str = Field(description="The key. It is shown this once and stored nowhere: keep it safe.")


class KeyList(BaseModel):
    """Every access key, the oldest first."""

    items: list[Key]


_EXAMPLES = {
    "first": {"summary": "The first key", "value": {"title": "front office", "role": "admin"}},
    "bench": {"summary": "A tablet at the bench", "value": {"title": "bench tablet", "role": "bench", "days": 365}},
}


def _facts(row: ApiKey) -> dict[str, object]:
    return {name: getattr(row, name) for name in Key.model_fields}


@router.post(
    "",
    operation_id="create_key",
    response_model=FreshKey,
    status_code=201,
    dependencies=[Depends(require_json)],
    responses=problem_responses(400, 409, 413, 415, 422, 503),
)
def create_key(wanted: Annotated[NewKey, Body(openapi_examples=_EXAMPLES)], write: Write) -> Response:
    """Make an access key. From the first one on, every request needs a key."""
    if write.key is not None:
        raise BadInput.one(
            "header.Idempotency-Key",
            "An answer with a key in it is not kept, so it cannot be repeated.",
            "Leave the header out; revoke a key whose answer got lost.",
        )

    def work(session: Session) -> Done:
        row, key = make_key(session, wanted.title, wanted.role, wanted.days, write.at)
        return Done(201, FreshKey.model_validate(_facts(row) | {"key": key}), row.id, {"Cache-Control": "no-store"})

    return write(work)


@router.get("", operation_id="list_keys", responses=problem_responses(503))
def list_keys(store: CurrentStore) -> KeyList:
    """List the access keys: what for, which role, when last used, until when."""
    with store.reading() as session:
        rows = session.scalars(select(ApiKey).order_by(ApiKey.created_at, ApiKey.id))
        return KeyList(items=[Key.model_validate(_facts(row)) for row in rows])


@router.delete(
    "/{key_id}", operation_id="revoke_key", response_model=Key, responses=problem_responses(404, 409, 413, 422, 503)
)
def revoke(key_id: Annotated[str, Path(max_length=64)], write: Write) -> Response:
    """Close an access key for good. It stays in the list, as its name stands in records."""

    def work(session: Session) -> Done:
        row = revoke_key(session, key_id, write.at)
        return Done(200, Key.model_validate(_facts(row)), row.id)

    return write(work)

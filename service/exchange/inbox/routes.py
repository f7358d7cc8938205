"""The inbox over REST: send a file, list what waits, remove it. A job then imports it."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any, Final

from fastapi import APIRouter, Path, Request
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from service.access.callers import Caller
from service.access.roles import CurrentCaller
from service.exchange.inbox.files import coming_in, inbox_of, list_inbox, remove
from service.http.dependencies import CurrentStore
from service.http.problems import problem_responses
from service.records.schemas import Name
from service.store.opening import Store
from service.store.schema import NAME_LENGTH, AuditEntry

WRITTEN_AT_ONCE: Final = 1_000_000
"""Bytes gathered before they go to the disk."""

BODY: Final[dict[str, Any]] = {
    "requestBody": {
        "required": True,
        "description": "The file as it is: CSV, Parquet, JSON, one JSON a line, or a mapping in TOML.",
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}
FileName = Annotated[Name, Path(description="Name with its ending, as `readings.csv`.")]
FolderName = Annotated[Name, Path(description="Folder for the tables of one import.")]

router = APIRouter(prefix="/v1/inbox", tags=["inbox"])


class WaitingFile(BaseModel):
    """A file that waits to be imported."""

    name: str = Field(description="With its folder, if it lies in one.")
    size: int = Field(description="Bytes.")
    at: datetime = Field(description="When it came in.")


class Inbox(BaseModel):
    """Everything that waits, by name."""

    items: list[WaitingFile]


_SENDING: Final[dict[str, Any]] = {
    "status_code": 204,
    "response_class": Response,
    "openapi_extra": BODY,
    "responses": problem_responses(409, 413, 422, 503),
}


@router.get("", operation_id="list_inbox", responses=problem_responses(503))
def list_waiting(request: Request) -> Inbox:
    """List the files that wait to be imported."""
    found = list_inbox(inbox_of(request.app.state.settings))
    return Inbox(items=[WaitingFile(name=file.name, size=file.size, at=file.at) for file in found])


@router.put("/{name}", operation_id="send_file", **_SENDING)
async def send_file(name: FileName, request: Request, caller: CurrentCaller, store: CurrentStore) -> Response:
    """Send a file to be imported; one of that name is replaced. It is written as it comes, not held in memory."""
    return await _take(request, store, caller, name)


@router.put("/{folder}/{name}", operation_id="send_file_to_folder", **_SENDING)
async def send_file_to_folder(
    folder: FolderName, name: FileName, request: Request, caller: CurrentCaller, store: CurrentStore
) -> Response:
    """Send one of several tables that are to be imported together, as a folder."""
    return await _take(request, store, caller, f"{folder}/{name}")


@router.delete(
    "/{name}",
    operation_id="remove_from_inbox",
    status_code=204,
    response_class=Response,
    responses=problem_responses(404, 422, 503),
)
def remove_from_inbox(name: FileName, request: Request, caller: CurrentCaller, store: CurrentStore) -> Response:
    """Remove a file, or a folder with its files, from the inbox. What was imported from it stays."""
    remove(inbox_of(request.app.state.settings), name)
    note(request, store, caller, "remove_from_inbox", name)
    return Response(status_code=204)


@router.delete(
    "/{folder}/{name}",
    operation_id="remove_from_folder",
    status_code=204,
    response_class=Response,
    responses=problem_responses(404, 422, 503),
)
def remove_from_folder(
    folder: FolderName, name: FileName, request: Request, caller: CurrentCaller, store: CurrentStore
) -> Response:
    """Remove one file of a folder from the inbox. What was imported from it stays."""
    remove(inbox_of(request.app.state.settings), f"{folder}/{name}")
    note(request, store, caller, "remove_from_folder", f"{folder}/{name}")
    return Response(status_code=204)


def note(request: Request, store: Store, caller: Caller, action: str, name: str) -> None:
    """Write a line of the audit trail about a file."""
    with store.writing() as session:
        session.add(
            AuditEntry(
                at=request.app.state.clock(),
                by=caller.name,
                action=action,
                record_id=name[:NAME_LENGTH],
                request_id=request.state.request_id,
            )
        )


async def _take(request: Request, store: Store, caller: Caller, name: str) -> Response:
    gathered: list[bytes] = []
    size = 0
    with coming_in(inbox_of(request.app.state.settings), name) as write:
        async for piece in request.stream():
            gathered.append(piece)
            size += len(piece)
            if size >= WRITTEN_AT_ONCE:
                await run_in_threadpool(write, b"".join(gathered))
                gathered, size = [], 0
        await run_in_threadpool(write, b"".join(gathered))
    await run_in_threadpool(note, request, store, caller, request.scope["route"].operation_id, name)
    return Response(status_code=204)

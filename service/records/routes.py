"""The six routes of a subject: create, list, read, correct, withdraw, and every version."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Path, Query
from pydantic import BaseModel
from starlette.responses import Response

from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore, KnownFamilies
from service.http.etags import LOCATED, NOT_MODIFIED, TAGGED, IfMatch, IfNoneMatch, tag_of, tagged
from service.http.problems import problem_responses
from service.records.listing import list_page
from service.records.reasons import Why
from service.records.records import as_record, correct, create, create_together, etag_of, read, withdraw
from service.records.schemas import LARGEST_NUMBER, MOST_TOGETHER, RecordsMade, RecordVersions, one_or_many
from service.records.subject import Subject
from service.records.versions import versions
from service.records.writing import Done, Write
from service.store.schema import LONGEST_REASON

Reason = Annotated[
    str | None,
    Query(
        min_length=1,
        max_length=LONGEST_REASON,
        pattern=r"\S",
        description="Why the record was wrong; kept with the version before. Needed where a stop, a grave warning or a "
        "fault that is back would go with it.",
    ),
]


def records_router(subject: Subject, max_page: int) -> APIRouter:
    """Build the routes of a subject.

    Parameters
    ----------
    max_page : int
        Most records that one page may be asked for.
    """
    router = APIRouter(prefix=f"/v1/{subject.name}", tags=[subject.name])
    one, many = subject.one.replace("-", "_"), subject.name
    kind = str if subject.named else int
    limits: dict[str, Any] = {"max_length": 64} if subject.named else {"ge": 1, "le": LARGEST_NUMBER}

    def create_record(content: Any, write: Write, families: KnownFamilies) -> Response:
        def work(session: Any) -> Done:
            if isinstance(content, list):
                made: list[Any] = create_together(session, subject, content, families, write.writer)
                return Done(201, RecordsMade(ids=[row.id for row in made]), f"{len(made)} {subject.name}")
            row: Any = create(session, subject, content, families, write.writer)
            headers = {"Location": f"/v1/{subject.name}/{row.id}", "ETag": etag_of(row)}
            return Done(201, as_record(subject, row), row.id, headers)

        return write(work)

    def list_records(query: Any, store: CurrentStore, if_none_match: IfNoneMatch = None) -> Response:
        columns = subject.table.__table__.c
        conditions = [columns[name] == value for name in subject.filters if (value := getattr(query, name)) is not None]
        conditions += [columns[subject.listed_by] >= query.since] if query.since else []
        conditions += [columns[subject.listed_by] < query.before] if query.before else []
        conditions += [columns.recorded_at >= query.recorded_since] if query.recorded_since else []
        with store.reading() as session:
            rows, cursor = list_page(session, subject.table, conditions, query.limit, query.cursor)
            page = subject.page.model_construct(items=[as_record(subject, row) for row in rows], next_cursor=cursor)
        body = page.model_dump_json(warnings=False)
        return tagged(body, tag_of(body), if_none_match)

    def read_record(record_id: Any, store: CurrentStore, if_none_match: IfNoneMatch = None) -> Response:
        with store.reading() as session:
            row = read(session, subject, record_id)
            return tagged(as_record(subject, row).model_dump_json(warnings=False), etag_of(row), if_none_match)

    def correct_record(
        record_id: Any,
        change: BaseModel,
        write: Write,
        families: KnownFamilies,
        if_match: IfMatch = None,
        reason: Reason = None,
    ) -> Response:
        def work(session: Any) -> Done:
            row = correct(session, subject, record_id, change, families, write.writer, if_match, Why(reason))
            return Done(200, as_record(subject, row), record_id, {"ETag": etag_of(row)})

        return write(work)

    def withdraw_record(
        record_id: Any, write: Write, families: KnownFamilies, if_match: IfMatch = None, reason: Reason = None
    ) -> Response:
        def work(session: Any) -> Done:
            withdraw(session, subject, record_id, families, write.writer, if_match, Why(reason))
            return Done(204, None, record_id)

        return write(work)

    def list_versions(record_id: Any, store: CurrentStore) -> RecordVersions:
        with store.reading() as session:
            return RecordVersions(items=versions(session, subject, record_id))

    examples: Any = {
        "marrow_bay": {"summary": "An invented one of Marrow Bay", "value": subject.example},
        "several": {"summary": "Several at once: all are stored, or none", "value": [subject.example]},
    }
    types: dict[str, Any] = {
        "record_id": Annotated[
            kind, Path(description=f"The {one}'s {'name' if subject.named else 'number'}.", **limits)
        ],
        "content": Annotated[one_or_many(subject.new), Body(openapi_examples=examples)],
        "change": Annotated[subject.change, Body(examples=[subject.example_change])],
        "query": Annotated[subject.query(max_page), Query()],
    }

    def add(path: str, method: str, endpoint: Callable[..., Any], operation: str, says: str, **more: Any) -> None:
        # The one shape of all subjects is written above; what differs from subject to subject is filled in here.
        endpoint.__annotations__.update({name: types[name] for name in types if name in endpoint.__annotations__})
        endpoint.__doc__ = says
        router.add_api_route(path, endpoint, methods=[method], operation_id=operation, **more)

    record, with_body = subject.record, [Depends(require_json)]
    add(
        "",
        "POST",
        create_record,
        f"create_{one}",
        f"Record {subject.a_one}. An array of up to {MOST_TOGETHER} is stored as a whole, or not at all.",
        response_model=record | RecordsMade,
        status_code=201,
        dependencies=with_body,
        responses={201: {"headers": TAGGED | LOCATED}, **problem_responses(400, 409, 413, 415, 422, 503)},
    )
    add(
        "",
        "GET",
        list_records,
        f"list_{many}",
        f"List the {many}, a page at a time.",
        response_model=subject.page,
        responses={200: {"headers": TAGGED}, **NOT_MODIFIED, **problem_responses(422, 503)},
    )
    add(
        "/{record_id}",
        "GET",
        read_record,
        f"read_{one}",
        f"Read {subject.a_one} as it stands.",
        response_model=record,
        responses={200: {"headers": TAGGED}, **NOT_MODIFIED, **problem_responses(404, 422, 503)},
    )
    add(
        "/{record_id}",
        "PATCH",
        correct_record,
        f"correct_{one}",
        f"Correct {subject.a_one}: send the fields that change. The version before is kept.",
        response_model=record,
        dependencies=with_body,
        responses={200: {"headers": TAGGED}, **problem_responses(400, 404, 409, 412, 413, 415, 422, 503)},
    )
    add(
        "/{record_id}",
        "DELETE",
        withdraw_record,
        f"withdraw_{one}",
        f"Withdraw {subject.a_one}. It is gone from lists and forecasts; its versions are kept.",
        status_code=204,
        response_class=Response,
        responses=problem_responses(404, 409, 412, 413, 422, 503),
    )
    add(
        "/{record_id}/versions",
        "GET",
        list_versions,
        f"list_{one}_versions",
        f"List every version of {subject.a_one}, also after it was withdrawn.",
        responses=problem_responses(404, 422, 503),
    )
    return router

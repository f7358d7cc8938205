"""GET /v1/exports/{table}: one table of the store as a file."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from typing import IO, Annotated, Any, Literal

from fastapi import APIRouter, Query
from starlette.responses import StreamingResponse

from models.base.moments import Moment
from service.exchange.exports.tables import FileFormat, write_export
from service.http.dependencies import CurrentStore, KnownFamilies
from service.http.problems import problem_responses

router = APIRouter(prefix="/v1/exports", tags=["exports"])

TableFile = Literal[
    "packs",
    "readings",
    "topups",
    "usage",
    "outcomes",
    "vehicles",
    "assignments",
    "suppliers",
    "offers",
    "deliveries",
    "costs",
    "issued-forecasts",
    "earlier-versions",
]
MEDIA_TYPES: dict[FileFormat, str] = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}
PIECE_BYTES = 1 << 16


@router.get(
    "/{table}",
    operation_id="export_table",
    response_class=StreamingResponse,
    responses={
        200: {
            "content": {
                MEDIA_TYPES["csv"]: {"schema": {"type": "string"}},
                MEDIA_TYPES["parquet"]: {"schema": {"type": "string", "format": "binary"}},
            }
        },
        **problem_responses(422, 503),
    },
)
def export_table(
    table: TableFile,
    store: CurrentStore,
    families: KnownFamilies,
    form: Annotated[FileFormat, Query(alias="format")] = "csv",
    since: Annotated[
        Moment | None,
        Query(
            description="Only what was recorded, corrected, issued or (earlier versions) superseded at or after this."
        ),
    ] = None,
) -> StreamingResponse:
    """Read one table as CSV or Parquet, whole or what is new. The documented ones can be imported again."""
    # Written out first, so that a fault is told as one and not as a file that ends too early.
    file = tempfile.TemporaryFile()  # noqa: SIM115  closed when the last piece is sent
    try:
        with store.reading() as session:
            write_export(session, table, file, form, families, since)
    except BaseException:
        file.close()
        raise
    file.seek(0)
    name = f'attachment; filename="{table}.{form}"'
    return StreamingResponse(_pieces(file), headers={"Content-Disposition": name}, media_type=MEDIA_TYPES[form])


def _pieces(file: IO[Any]) -> Iterator[bytes]:
    with file:
        while piece := file.read(PIECE_BYTES):
            yield piece

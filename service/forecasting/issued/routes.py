"""Forecasts of stored packs: issue, list, read; and the history they are made from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from fastapi import APIRouter, Body, Depends, Path, Query, Request
from pydantic import BaseModel, ConfigDict, Field, create_model
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.moments import Moment
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.stops import Stop
from service.core.refusals import NoSuchRecord
from service.core.translation import _
from service.forecasting.forecasts.cases import require_unstopped
from service.forecasting.forecasts.schemas import EvidenceFlag
from service.forecasting.forecasts.sentences import look_first, read_first
from service.forecasting.issued.issuing import case_of_pack, issued, require_begun, whole_answer
from service.forecasting.issued.schemas import (
    ForecastPage,
    ForecastRequest,
    ForecastSummary,
    IssuedForecastAnswer,
    ListedForecast,
)
from service.forecasting.issued.scores import keep_score
from service.forecasting.issued.superseded import superseded
from service.forecasting.model.basis import basis_withdrawn
from service.http.body_limit import require_json
from service.http.dependencies import CurrentStore, KnownFamilies, Models, Now, PathPack
from service.http.etags import LOCATED, NOT_MODIFIED, TAGGED, IfNoneMatch, tag_of, tagged
from service.http.problems import problem_responses
from service.records.history import begun_history, chemistry_unless_stopped
from service.records.listing import list_page
from service.records.schemas import LARGEST_NUMBER, Name
from service.records.stopped import stopped_by
from service.records.writing import Done, Write
from service.store.schema import IssuedForecast

_EXAMPLES = {
    "as_planned": {"summary": "As things stand", "value": {}},
    "driven_less": {
        "summary": "If it did only 8 km a day until the pack comes in a week",
        "value": {"usage": {"km_per_day": 8}, "replacement_in_days": 7},
    },
    "explained": {"summary": "With what moves the forecast, and past packs like it", "value": {"explain": True}},
}


def _first(row: IssuedForecast, stops: Mapping[str, Stop], since: Sequence[str]) -> list[str]:
    """Say what speaks against going by a stored forecast.

    Parameters
    ----------
    stops : mapping of str to Stop
        What ends the job on its pack now.
    since : sequence of str
        What is recorded of the pack that it does not know (`superseded`).
    """
    flags = [EvidenceFlag.model_validate(flag) for flag in row.answer["flags"]]
    return [*(_(stop.text) for stop in stops.values()), *since, *look_first(flags), *read_first(flags)]


def _listed(row: IssuedForecast, first: list[str]) -> ListedForecast:
    """Return a stored forecast without its curve."""
    return ListedForecast(**{name: getattr(row, name) for name in ForecastSummary.model_fields}, first=first)


def _whole(row: IssuedForecast, families: Mapping[str, PackFamily], first: list[str]) -> IssuedForecastAnswer:
    facts = {name: getattr(row, name) for name in (*ForecastSummary.model_fields, "asked")}
    return IssuedForecastAnswer.model_validate({**facts, "first": first, "answer": whole_answer(row, families)})


def forecasts_router(max_page: int) -> APIRouter:
    """Build the routes; `max_page` is the most forecasts that one page may be asked for."""
    router = APIRouter(prefix="/v1", tags=["stored forecasts"])

    @router.get(
        "/packs/{pack_id}/history",
        operation_id="read_pack_history",
        response_model=PackHistory,
        responses={200: {"headers": TAGGED}, **NOT_MODIFIED, **problem_responses(404, 409, 422, 503)},
        tags=["packs"],
    )
    def read_pack_history(pack_id: PathPack, store: CurrentStore, if_none_match: IfNoneMatch = None) -> Response:
        """Read everything stored about a pack, as `POST /v1/forecasts` takes it."""
        with store.reading() as session:
            history = begun_history(session, pack_id, "There is nothing to show before one is recorded.")
        body = history.model_dump_json()
        return tagged(body, tag_of(body), if_none_match)

    @router.post(
        "/packs/{pack_id}/forecasts",
        operation_id="issue_forecast",
        response_model=IssuedForecastAnswer,
        status_code=201,
        dependencies=[Depends(require_json)],
        responses={201: {"headers": LOCATED}, **problem_responses(400, 404, 409, 413, 415, 422, 503)},
    )
    def issue_forecast(
        pack_id: PathPack,
        asked: Annotated[ForecastRequest, Body(openapi_examples=_EXAMPLES)],
        models: Models,
        families: KnownFamilies,
        write: Write,
        request: Request,
    ) -> Response:
        """Say how long a stored pack's top-up will hold, and keep the forecast as it was issued."""
        if (before := write.earlier_answer()) is not None:
            return before
        require_begun(asked, write.at)
        with write.store.reading() as session:
            case = case_of_pack(session, pack_id, asked)
            require_unstopped(case, families)
            model = models.current()
            case = case.with_corrected(basis_withdrawn(session, model.manifest))
        threads = request.app.state.settings.threads
        row = issued(case, asked, model, families, threads=threads, at=write.at, by=write.caller.name)

        request.app.state.measures.note_flags(row.answer["flags"])

        def work(session: Session) -> Done:
            session.add(row)
            session.flush()
            keep_score(session, row, case.history, write.at)
            first = _first(row, {}, superseded(session, [row]).get(row.id, ()))
            return Done(201, _whole(row, families, first), row.id, {"Location": f"/v1/issued-forecasts/{row.id}"})

        return write(work)

    query_type = _query(max_page)

    def list_issued_forecasts(
        query: Any, store: CurrentStore, families: KnownFamilies, if_none_match: IfNoneMatch = None
    ) -> Response:
        """List the forecasts as they were issued, without their curves, a page at a time."""
        conditions = [
            *([IssuedForecast.pack_id == query.pack_id] if query.pack_id else []),
            *([IssuedForecast.issued_at >= query.since] if query.since else []),
            *([IssuedForecast.issued_at < query.before] if query.before else []),
        ]
        with store.reading() as session:
            rows, cursor = list_page(session, IssuedForecast, conditions, query.limit, query.cursor)
            stops = stopped_by(session, {row.pack_id for row in rows}, families)
            since = superseded(session, rows)
        items = [_listed(row, _first(row, stops.get(row.pack_id, {}), since.get(row.id, ()))) for row in rows]
        body = ForecastPage(items=items, next_cursor=cursor).model_dump_json()
        return tagged(body, tag_of(body), if_none_match)

    list_issued_forecasts.__annotations__["query"] = Annotated[query_type, Query()]
    router.add_api_route(
        "/issued-forecasts",
        list_issued_forecasts,
        operation_id="list_issued_forecasts",
        response_model=ForecastPage,
        responses={200: {"headers": TAGGED}, **NOT_MODIFIED, **problem_responses(422, 503)},
    )

    @router.get(
        "/issued-forecasts/{forecast_id}",
        operation_id="read_issued_forecast",
        response_model=IssuedForecastAnswer,
        responses={200: {"headers": TAGGED}, **NOT_MODIFIED, **problem_responses(404, 409, 422, 503)},
    )
    def read_issued_forecast(
        forecast_id: Annotated[int, Path(ge=1, le=LARGEST_NUMBER)],
        store: CurrentStore,
        families: KnownFamilies,
        now: Now,
        if_none_match: IfNoneMatch = None,
    ) -> Response:
        """Read a forecast as it was issued, unless a fact on record stops its pack by now."""
        with store.reading() as session:
            row = session.get(IssuedForecast, forecast_id)
            if row is None:
                raise NoSuchRecord(_("There is no issued forecast %(number)s.") % {"number": forecast_id})
            chemistry_unless_stopped(session, row.pack_id, families, now)
            since = superseded(session, [row]).get(row.id, ())
        body = _whole(row, families, _first(row, {}, since)).model_dump_json()
        return tagged(body, tag_of(body), if_none_match)

    return router


def _query(max_page: int) -> type[BaseModel]:
    return create_model(
        "ForecastQuery",
        __config__=ConfigDict(extra="forbid"),
        limit=(int, Field(min(100, max_page), ge=1, le=max_page, description="Forecasts on a page.")),
        cursor=(str | None, Field(None, max_length=200, description="`next_cursor` of the page before.")),
        pack_id=(Name | None, Field(None, description="Only those of this pack.")),
        since=(Moment | None, Field(None, description="Only those issued at or after this.")),
        before=(Moment | None, Field(None, description="Only those issued before this.")),
    )

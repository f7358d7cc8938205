"""A unit's page: the answer first, then the curve, the figures, what they rest on, and what to do next."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Annotated, Any, Final
from zoneinfo import ZoneInfo

from fastapi import Path, Request
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput
from models.forecasts.charge_warnings import charge_warnings, forbidding
from models.packs.history import PackHistory, family_problems
from service.core.cautions import at_the_pack, driving
from service.core.dates import day_in_words, in_words
from service.core.refusals import Conflict
from service.core.translation import _, translated_problems
from service.decisions.basis.lead_times import on_order
from service.forecasting.forecasts.cases import require_unstopped
from service.forecasting.forecasts.schemas import ForecastAnswer, GoodFor
from service.forecasting.forecasts.sentences import count_days, main_promise, promised_days, releases
from service.forecasting.issued.issuing import case_of_pack, issued
from service.forecasting.issued.schemas import ForecastRequest
from service.forecasting.issued.scores import keep_score
from service.forecasting.model.basis import basis_withdrawn
from service.forecasting.recheck.days import day_reached
from service.http.dependencies import CurrentStore, KnownFamilies, Models
from service.pages.bench.curve import curve_if_told
from service.pages.bench.deviations import deviations_of
from service.pages.bench.given_out import given_out
from service.pages.bench.past_topups import past_topups
from service.pages.bench.snapshot import snapshot_of
from service.pages.bench.state_of_unit import (
    FRESH,
    Told,
    Unit,
    forecast_now,
    is_fresh,
    moment_asked,
    moved_out,
    stopped_now,
    unit_of,
)
from service.pages.bench.timeline import FactLine, timeline
from service.pages.bench.units import unit_address
from service.pages.drawing import signed
from service.pages.forms import PageWrite, SentForm, checked, once, page_router, plain_number
from service.pages.messages import Message
from service.pages.rendering import go_to, render, zone_of
from service.records.records import etag_of
from service.records.writing import Done

router = page_router()

UnitName = Annotated[str, Path(max_length=64, pattern=r"^[^\x00-\x1f]+$")]
KINDS: Final = ("leak", "fade", "neglect", "joint")

NEWEST: Final = 3
"""Entries and forecasts that stand open; older ones are folded. Our choice."""

MOST: Final = 12
"""Entries and forecasts on the page at all, so that it stays light; a link leads to the older ones. Our choice."""

MOST_MOVING: Final = 3
"""Sentences on what moves a forecast that stand open: where it starts, and the two that move it most. Our choice."""


@router.get("/bench/units/{pack_id}", operation_id="page_unit")
def show_unit(
    pack_id: UnitName, request: Request, store: CurrentStore, models: Models, families: KnownFamilies
) -> Response:
    """Show a unit."""
    waits = request.query_params.get("replacement", "").strip()
    all_entries = request.query_params.get("entries") == "all"
    with store.reading() as session:
        unit = unit_of(session, pack_id, families)
        facts = timeline(session, pack_id)
        ordered = _ordered(session, unit, request)
        moved = None if unit.vehicle_id is not None else moved_out(session, pack_id)
    told, asked, wrong = Told(None), None, ""
    if (stopped := stopped_now(unit, request.app.state.clock())) is not None:
        told = Told(None, stopped=stopped)
    elif unit.history is not None and unit.over is None:
        try:
            at = moment_asked(unit.history, request.app.state.clock(), unit.kept)
        except Conflict as error:
            told = Told(None, str(error))
        else:
            try:
                asked = _asked(at, waits)
            except BadInput as error:
                told_so = translated_problems(error.problems)
                wrong, asked = " ".join(f"{p.what} {p.mend}" for p in told_so), _asked(at, "")
            threads = request.app.state.settings.threads
            now = request.app.state.clock()
            model = models.current()
            with store.reading() as session:
                basis = basis_withdrawn(session, model.manifest)
            settled = {"threads": threads, "now": now, "corrected": unit.corrected, "basis": basis}
            told = forecast_now(unit.history, asked, model, families, **settled)
    return render(
        request,
        "bench/unit.html",
        unit=unit,
        told=told,
        asked=asked,
        waits=waits,
        wrong=wrong,
        facts=facts,
        ordered=ordered,
        moved=moved,
        curve=curve_if_told(told.forecast, request.app.state.clock(), zone_of(request)),
        promise=None if told.forecast is None else main_promise(told.forecast),
        until=None if told.forecast is None else last_safe_day(told.forecast),
        releases=told.forecast is not None and releases(told.forecast),
        silent_since=_silent_since(unit, told),
        given_out=given_out(request, unit) if told.forecast is not None and releases(told.forecast) else None,
        warned=_warned_before(unit, request.app.state.clock()),
        last_day_of=lambda row: day_reached(row.origin, row.good_for_days),
        promise_words=lambda one, origin: promise_words(one, origin, zone_of(request)),
        snapshot=None if unit.history is None else snapshot_of(unit.history),
        past=None if unit.history is None else past_topups(unit.history, request.app.state.clock(), zone_of(request)),
        newest=NEWEST,
        most=max(len(facts), len(unit.issued)) if all_entries else MOST,
        all_entries=all_entries,
        older_since=None if all_entries else _older_since(unit, facts),
        most_moving=MOST_MOVING,
        deviations=[] if unit.history is None else deviations_of(unit.history, zone_of(request)),
        signed=signed,
        missing=missing_of(unit.history),
        driving=driving(),
        at_the_pack=at_the_pack(None if unit.family is None else unit.family.chemistry),
        etag=etag_of(unit.pack),
        once=once(),
        address=unit_address(pack_id),
    )


def _ordered(session: Session, unit: Unit, request: Request) -> list[str]:
    """Say what is ordered for a unit that is out on a top-up, and when it should come."""
    if unit.topped_at is None or unit.over is not None:
        return []
    now, zone = request.app.state.clock(), zone_of(request)
    order = on_order(session, {unit.pack.id: unit.topped_at}, now).get(unit.pack.id)
    if order is None:
        return []
    if order.arrived_at is not None:
        words = {"supplier": order.supplier, "day": day_in_words(order.arrived_at, zone)}
        return [_("The pack from %(supplier)s came on %(day)s and waits to be fitted.") % words]
    words = {"supplier": order.supplier, "day": day_in_words(order.ordered_at, zone)}
    said = [_("A pack is ordered: from %(supplier)s, on %(day)s.") % words]
    wait = order.lead_time
    middle, late = (None, None) if wait is None else (wait.quantile(0.5), wait.quantile(0.9))
    if middle is None:
        return [*said, _("Nothing is known of how long it takes.")]
    days = {"day": day_in_words(now + timedelta(days=middle), zone)}
    if late is None:
        return [*said, _("It should be here by about %(day)s.") % days]
    days["late"] = day_in_words(now + timedelta(days=late), zone)
    return [*said, _("It should be here by about %(day)s, nine times in ten by %(late)s.") % days]


def last_safe_day(forecast: ForecastAnswer) -> datetime | None:
    """Return the day that the promise lasts to.

    None if not even one day is promised, it ends with the horizon, or something grave has to be looked at first.
    """
    promise = main_promise(forecast)
    if promise.beyond_horizon or not releases(forecast):
        return None
    return day_reached(forecast.origin, promised_days(forecast))


def promise_words(promise: GoodFor, origin: datetime, zone: ZoneInfo) -> str:
    """Say a promise in whole days, with the day that it lasts to."""
    if promise.days is None:
        return _("not told until it has been looked at, or read")
    if promise.days < 1:
        return _("not even one day")
    words = {"days": count_days(promise.days), "day": in_words(day_reached(origin, promise.days), zone)}
    return _("%(days)s, until %(day)s") % words


def _older_since(unit: Unit, facts: Sequence[FactLine]) -> datetime | None:
    """Return how far back it goes what the page leaves to a link; None if it leaves nothing."""
    if max(len(facts), len(unit.issued)) <= MOST:
        return None
    return min([fact.time for fact in facts[-1:]] + [row.issued_at for row in unit.issued[-1:]])


def _silent_since(unit: Unit, told: Told) -> datetime | None:
    """Return when something was entered last, if the forecast starts a day later: it assumes that the pack held."""
    if unit.history is None or told.forecast is None or told.forecast.origin - unit.history.last_fact_time < FRESH:
        return None
    return unit.history.last_fact_time


def _warned_before(unit: Unit, now: datetime) -> list[str]:
    """Say of a charge that is over what it warned of and nobody has looked at: the fault that is back mends no harm."""
    back = unit.over is not None and unit.over.kind == "returned"
    if not back or unit.history is None or unit.family is None or family_problems(unit.history, unit.family):
        return []
    flags = charge_warnings(unit.history, unit.family, now)
    return [
        _("Charge nothing until this has been looked at: %(what)s") % {"what": _(flag.text)}
        for flag in forbidding(flags)
    ]


def missing_of(history: PackHistory | None) -> list[tuple[str, bool]]:
    """Return what a forecast needs or is much better for, and whether it is there."""
    topped = history.topups[-1].time if history is not None and history.topups else None
    rests = [] if history is None else [r.time for r in history.readings if r.state == "rest"]
    loads = [] if history is None else [r.time for r in history.readings if r.state == "discharge"]
    plans = () if history is None else history.usage
    return [
        (_("A reading at rest before the charge"), any(topped is None or t <= topped for t in rests)),
        (_("A reading under load before the charge"), any(topped is None or t <= topped for t in loads)),
        (_("The top-up: block, charge put in, end voltage, time"), topped is not None),
        (_("A reading at rest after the charge"), topped is not None and any(t > topped for t in rests)),
        (_("The planned use"), bool(plans)),
    ]


def _asked(at: Any, waits: str) -> ForecastRequest:
    more = {"replacement_in_days": plain_number(waits)} if waits else {}
    return checked(ForecastRequest, {"at": at, **more})


@router.post("/bench/units/{pack_id}/forecasts", operation_id="page_issue_forecast")
def issue_forecast(
    pack_id: UnitName,
    request: Request,
    form: SentForm,
    write: PageWrite,
    models: Models,
    families: KnownFamilies,
) -> Response:
    """Keep the forecast that the page shows, as it was told, and go on to its release sheet."""
    if (before := write.earlier_answer()) is not None:
        return before
    asked = _asked(form.get("at"), form.get("replacement"))
    if asked.at is None or not is_fresh(asked.at, write.at):
        raise Conflict(
            _(
                "This forecast is from long ago: no release sheet is made from it. Open the unit's page again for one "
                "of today."
            )
        )
    with write.store.reading() as session:
        case = case_of_pack(session, pack_id, asked)
        require_unstopped(case, families)
        model = models.current()
        case = case.with_corrected(basis_withdrawn(session, model.manifest))
    threads = request.app.state.settings.threads
    row = issued(case, asked, model, families, threads=threads, at=write.at, by=write.caller.name)

    def work(session: Session) -> Done:
        session.add(row)
        session.flush()
        keep_score(session, row, case.history, write.at)
        said = _("Forecast %(number)s is kept as it was told; a later one does not change it.") % {"number": row.id}
        return Done(303, None, row.id, dict(go_to(request, f"/bench/forecasts/{row.id}", Message(said)).headers))

    return write(work)

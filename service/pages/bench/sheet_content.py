"""What stands on a release sheet: written once, shown as a page and drawn as a PDF."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.percents import level_percent
from models.forecasts.inputs import digest_at
from models.packs.cautions import Chemistry
from models.packs.family import PackFamily
from models.packs.history import BlockReading, PackHistory, TopUp
from models.packs.stops.known import any_volts
from models.physics.imbalance import deviation_v, pack_median_v
from service.core.cautions import all_cautions
from service.core.dates import dated, day_in_words, in_words
from service.core.translation import _, ngettext
from service.forecasting.forecasts.block_state import block_state
from service.forecasting.forecasts.last_seen import as_of_now
from service.forecasting.forecasts.schemas import ForecastAnswer
from service.forecasting.forecasts.sentences import lead_of, look_first, promised_days, read_first, topped_up
from service.forecasting.issued.issuing import whole_answer
from service.forecasting.issued.superseded import ended_since
from service.forecasting.recheck.days import dates_said, day_reached
from service.forecasting.recheck.schemas import RecheckAnswer
from service.pages.bench.curve import Curve, curve_of
from service.pages.bench.recheck_words import RecheckRow, recheck_row
from service.pages.bench.unit import promise_words
from service.pages.drawing import signed
from service.pages.wording import state_words
from service.records.history import chemistry_unless_stopped, history_of_pack
from service.records.unweighed import newest_entry
from service.store.schema import Assignment, IssuedForecast


@dataclass(frozen=True)
class SheetFact:
    """One thing that was measured, charged or planned: what, when, and its figures."""

    what: str
    when: str
    figures: str


@dataclass(frozen=True)
class ReleaseSheet:
    """A release sheet, every figure already in the words that are printed.

    Attributes
    ----------
    number : int
        Of the issued forecast.
    promises : tuple of str
        One for each confidence.
    owner : tuple of str
        What the tear-off says.
    recheck : str
        The day of the next reading, and what to read.
    recheck_rows : tuple of RecheckRow
        Empty if there is no plan.
    held_back : tuple of str
        Why nobody may be let go by it, in first place; empty where nothing speaks against it. Then it is no release:
        no figures, no day, nothing to sign and nothing for the owner.
    given_out : str
        When the owner's slip was made.
    workshop : str
        Its name and number as the settings give them; empty to be written in by hand.
    """

    name: str
    pack_id: str
    family: str
    number: int
    issued: str
    counted_from: str
    model_id: str
    cautions: tuple[str, ...]
    facts: tuple[SheetFact, ...]
    sentences: tuple[str, ...]
    promises: tuple[str, ...]
    curve: Curve
    owner: tuple[str, ...]
    recheck: str
    recheck_rows: tuple[RecheckRow, ...]
    held_back: tuple[str, ...]
    given_out: str
    workshop: str


@dataclass(frozen=True)
class Release:
    """What a release sheet is made from: a forecast as it was issued, and the record as it stands.

    Attributes
    ----------
    answer : ForecastAnswer
        Of the forecast.
    block : str
        How far the topped-up block is from its peers; empty where nothing tells.
    ended : tuple of str
        Why the job that it was for is over; empty while it is not.
    """

    row: IssuedForecast
    history: PackHistory | None
    vehicle_id: str | None
    changed: bool
    chemistry: Chemistry | None
    answer: ForecastAnswer
    block: str
    ended: tuple[str, ...]


def release_of(session: Session, row: IssuedForecast, families: Mapping[str, PackFamily], now: datetime) -> Release:
    """Read what belongs to a forecast.

    Raises
    ------
    Stopped
        A fact recorded by now ends the job: the sheet would promise what does not hold.
    """
    chemistry = chemistry_unless_stopped(session, row.pack_id, families, now)
    history = history_of_pack(session, row.pack_id)
    vehicle = session.scalar(
        select(Assignment.vehicle_id).where(
            Assignment.pack_id == row.pack_id,
            Assignment.since <= now,
            (Assignment.until.is_(None)) | (Assignment.until > now),
        )
    )
    family, answer = families.get(str(row.answer["family"])), whole_answer(row, families)
    changed = _changed(row, history, family)
    told = None if changed or history is None or family is None else block_state(history, family, answer)
    ended = tuple(ended_since(session, [row]).get(row.id, ()))
    return Release(row, history, vehicle, changed, chemistry, answer, "" if told is None else told.sentence, ended)


def sheet_of(
    release: Release, recheck: RecheckAnswer | None, now: datetime, zone: ZoneInfo, workshop: str = ""
) -> ReleaseSheet:
    """Put a release sheet together; `recheck` is the plan made at the moment of the forecast, if there is one."""
    row, history = release.row, release.history
    forecast = release.answer
    days = promised_days(forecast)
    last = day_reached(row.origin, days)
    held_back = _held_back(release, last, now, zone, holds=days >= 1)
    planned = row.recheck_at or (None if recheck is None else recheck.recheck_at)
    dates = dates_said(last, planned, zone, in_words, day_in_words)
    return ReleaseSheet(
        name=release.vehicle_id or row.pack_id,
        pack_id=row.pack_id,
        family=forecast.family,
        number=row.id,
        issued=in_words(row.issued_at, zone),
        counted_from=in_words(row.origin, zone),
        model_id=row.model_id,
        cautions=tuple(all_cautions(release.chemistry)),
        facts=() if history is None else tuple(_facts(history, row.origin, zone)),
        sentences=tuple(dated(said, zone) for said in (lead_of(forecast, now)[0], *_sentences(release))),
        promises=tuple(
            _("Good for, at %(share)s: %(what)s")
            % {"share": _(level_percent(one.confidence)), "what": promise_words(one, row.origin, zone)}
            for one in forecast.good_for
        ),
        curve=curve_of(forecast, now, zone),
        owner=tuple(_owner(dates)),
        given_out=_("Given out on %(day)s.") % {"day": in_words(row.issued_at, zone)},
        recheck=" ".join([*dates, _("Read all blocks at rest, before it is driven.")]),
        recheck_rows=() if recheck is None else tuple(recheck_row(one) for one in recheck.table),
        held_back=held_back,
        workshop=workshop,
    )


def _sentences(release: Release) -> list[str]:
    """Return what the forecast says, how its block stands beside its name: the sheet has one page."""
    block = release.answer.block
    named = None if block is None else topped_up(block)
    return [f"{said} {release.block}".strip() if said == named else said for said in release.answer.sentences]


def _held_back(release: Release, last: datetime, now: datetime, zone: ZoneInfo, *, holds: bool) -> tuple[str, ...]:
    """Say why nobody may be let go by a forecast.

    It gravely warns, knows no reading after the charge or not all that is recorded, is old, promises not even one day,
    its last day is past, or its job is over.
    """
    said = look_first(as_of_now(release.answer.flags, release.history, now)) + read_first(release.answer.flags)
    if said:
        said.insert(0, _("Not to be driven until it is looked at: no release sheet is made from this forecast."))
    said += release.ended
    history = release.history
    if release.changed or (history is not None and newest_entry(history) > release.row.origin):
        said.append(_("The record was changed, or something entered, after this forecast. Make a new one first."))
    if not holds:
        said += [] if said else lead_of(release.answer)[:1]
        said.append(_("Not even one day can be promised: no release sheet is made from this forecast."))
    elif last <= now:
        over = _(
            "This sheet is no longer good: what was promised ended on %(day)s. Read the pack again and make a new one."
        )
        said.append(over % {"day": in_words(last, zone)})
    return tuple(said)


def _owner(dates: list[str]) -> list[str]:
    return [
        _("The battery of this car was charged by hand to bridge the wait for another one. It is not repaired."),
        *dates,
        _("It may stop driving without warning: no motorway, no remote trips, nobody who depends on arriving."),
        _("If it stops: get everybody to safety, do not open anything, and call the number below."),
    ]


def _changed(row: IssuedForecast, history: PackHistory | None, family: PackFamily | None) -> bool:
    if history is None or family is None:
        return True
    if row.asked.get("usage") is not None:
        return False
    return digest_at(history, row.origin, family) != row.inputs_digest


def _facts(history: PackHistory, origin: datetime, zone: ZoneInfo) -> list[SheetFact]:
    readings = [r for r in history.readings if r.time <= origin and any_volts(r)]
    topups = [t for t in history.topups if t.time <= origin]
    topup = topups[-1] if topups else None
    found = []

    def newest(state: str, *, after: bool) -> None:
        fitting = [r for r in readings if r.state == state and (topup is not None and r.time > topup.time) == after]
        if fitting:
            reading = fitting[-1]
            when = _("after the charge") if after else _("before the charge")
            what = _("Read %(state)s, %(when)s") % {"state": state_words()[state], "when": when}
            found.append(SheetFact(what, in_words(reading.time, zone), _reading(reading, topup)))

    newest("rest", after=False)
    newest("discharge", after=False)
    if topup is not None:
        blocks = ", ".join(map(str, topup.blocks))
        what = ngettext("Charged: block %(blocks)s", "Charged: blocks %(blocks)s", len(topup.blocks))
        found.append(SheetFact(what % {"blocks": blocks}, in_words(topup.time, zone), _topup(topup)))
    newest("rest", after=True)
    newest("discharge", after=True)
    plans = [plan for plan in history.usage if plan.time is None or plan.time <= origin]
    if plans:
        plan = plans[-1]
        figures = _figures(
            (_("%s km a day"), plan.km_per_day),
            (_("%s trip a day") if plan.trips_per_day == 1 else _("%s trips a day"), plan.trips_per_day),
            (_("%s °C outside"), plan.ambient_c),
            (_("%s of 30 days parked"), plan.parked_days_in_30),
        )
        found.append(SheetFact(_("Planned use"), "" if plan.time is None else in_words(plan.time, zone), figures))
    if len(topups) > 1:
        found.append(SheetFact(_("Earlier top-ups"), "", str(len(topups) - 1)))
    return found


def _figures(*parts: tuple[str, float | None]) -> str:
    return ", ".join(words % f"{value:g}" for words, value in parts if value is not None)


def _reading(reading: BlockReading, topup: TopUp | None) -> str:
    volts = np.array([[np.nan if v is None else v for v in reading.block_v]])
    off = deviation_v(volts)[0]
    told = [int(np.nanargmin(off)) + 1]
    if topup is not None:
        told = [b for b in topup.blocks if b <= len(off) and not np.isnan(off[b - 1])] or told
    each = [
        _("block %(block)s %(volts)s V (%(off)s V)")
        % {"block": b, "volts": f"{volts[0, b - 1]:g}", "off": signed(off[b - 1], 2)}
        for b in told
    ]
    median = _("median %(volts)s V") % {"volts": f"{pack_median_v(volts)[0]:.2f}"}
    more = _figures((_("%s A"), reading.current_a), (_("%s °C"), reading.temperature_c))
    return ", ".join(filter(None, (*each, median, more)))


def _topup(topup: TopUp) -> str:
    return _figures(
        (_("%s Ah"), topup.charge_ah),
        (_("in %s h"), topup.duration_h),
        (_("%s V at the end"), topup.end_v),
        (_("rest %s V before"), topup.rest_before_v),
        (_("rest %s V after"), topup.rest_after_v),
    )

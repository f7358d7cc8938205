"""The tables. What is current stands in the subjects' own tables; what it was before, in `EarlierVersion`."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Any, ClassVar, Final, TypeVar

from pydantic import BaseModel
from sqlalchemy import CheckConstraint, Double, ForeignKey, Index, MetaData, String, UniqueConstraint, false, text
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from models.packs import history
from models.packs.fields import columns_of
from service.store.types import Json, RowId, UtcTime

NAME_LENGTH: Final = 64


_Table = TypeVar("_Table", bound="Base")


class Base(DeclarativeBase):
    """Every table of the store."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_N_name)s",
            "uq": "uq_%(table_name)s_%(column_0_N_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_N_name)s",
            "pk": "pk_%(table_name)s",
        }
    )
    type_annotation_map: ClassVar[dict[Any, Any]] = {datetime: UtcTime(), float: Double(), dict[str, Any]: Json}


class Versioned(Base):
    """A record that is corrected rather than overwritten: which version stands, since when, by whom."""

    __abstract__ = True

    version: Mapped[int] = mapped_column(default=1)
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str] = mapped_column(String(NAME_LENGTH))


def _numbered() -> Mapped[int]:
    return mapped_column(RowId, primary_key=True, autoincrement=True)


def _named() -> Mapped[str]:
    return mapped_column(String(NAME_LENGTH), primary_key=True)


def _of(table: str) -> Mapped[str]:
    return mapped_column(String(NAME_LENGTH), ForeignKey(f"{table}.id"))


def _with_the_rest_of(fact: type[BaseModel]) -> Callable[[type[_Table]], type[_Table]]:
    """Give a table of facts a column for each field of the fact that may be missing."""

    def complete(table: type[_Table]) -> type[_Table]:
        for column in columns_of(fact):
            if column.optional and column.kind != "time":
                kind = {"number": Double(), "list": Json}.get(column.kind, String(column.longest))
                setattr(table, column.name, mapped_column(kind, nullable=True))
        return table

    return complete


# AUTOINCREMENT: the number of a withdrawn record is never given to another one.
_NUMBERS: Final[dict[str, Any]] = {"sqlite_autoincrement": True}


class Vehicle(Versioned):
    """A vehicle, by its fleet number."""

    __tablename__ = "vehicles"

    id: Mapped[str] = _named()
    duty: Mapped[str | None] = mapped_column(String(NAME_LENGTH))
    site: Mapped[str | None] = mapped_column(String(NAME_LENGTH))


class Pack(Versioned):
    """A pack, whatever vehicle it sits in."""

    __tablename__ = "packs"

    id: Mapped[str] = _named()
    family: Mapped[str] = mapped_column(String(31))
    age_years: Mapped[float | None]
    odometer_km: Mapped[float | None]


class Assignment(Versioned):
    """A pack in a vehicle, from one day to another."""

    __tablename__ = "assignments"
    __table_args__ = (CheckConstraint("until IS NULL OR until > since", "until_after_since"), _NUMBERS)

    id: Mapped[int] = _numbered()
    pack_id: Mapped[str] = _of("packs")
    vehicle_id: Mapped[str] = _of("vehicles")
    since: Mapped[datetime]
    until: Mapped[datetime | None]


Index(None, Assignment.pack_id)
Index(None, Assignment.vehicle_id)
# Which vehicle each pack sits in now, so that finding by number reads this index alone.
Index(
    "ix_assignments_now",
    Assignment.pack_id,
    Assignment.vehicle_id,
    sqlite_where=Assignment.until.is_(None),
    postgresql_where=Assignment.until.is_(None),
)


@_with_the_rest_of(history.BlockReading)
class Reading(Versioned):
    """One snapshot of all block voltages."""

    __tablename__ = "readings"
    __table_args__ = (
        UniqueConstraint("pack_id", "time"),
        CheckConstraint("state IN ('rest', 'discharge', 'charge')", "known_state"),
        _NUMBERS,
    )

    id: Mapped[int] = _numbered()
    pack_id: Mapped[str] = _of("packs")
    time: Mapped[datetime] = mapped_column(index=True)
    state: Mapped[str] = mapped_column(String(16))
    block_v: Mapped[list[float | None]] = mapped_column(Json)


@_with_the_rest_of(history.TopUp)
class TopUp(Versioned):
    """One topping charge."""

    __tablename__ = "topups"
    __table_args__ = (UniqueConstraint("pack_id", "time"), _NUMBERS)

    id: Mapped[int] = _numbered()
    pack_id: Mapped[str] = _of("packs")
    time: Mapped[datetime] = mapped_column(index=True)
    blocks: Mapped[list[int]] = mapped_column(Json)


@_with_the_rest_of(history.UsagePlan)
class Usage(Versioned):
    """One plan of how the vehicle will be used, as known at a time."""

    __tablename__ = "usage"
    __table_args__ = (UniqueConstraint("pack_id", "time"), _NUMBERS)

    id: Mapped[int] = _numbered()
    pack_id: Mapped[str] = _of("packs")
    time: Mapped[datetime] = mapped_column(index=True)


@_with_the_rest_of(history.Outcome)
class Outcome(Versioned):
    """What became of a top-up."""

    __tablename__ = "outcomes"
    __table_args__ = (
        UniqueConstraint("pack_id", "time"),
        CheckConstraint("kind IN ('returned', 'replaced', 'retired', 'running')", "known_kind"),
        _NUMBERS,
    )

    id: Mapped[int] = _numbered()
    pack_id: Mapped[str] = _of("packs")
    time: Mapped[datetime] = mapped_column(index=True)
    kind: Mapped[str] = mapped_column(String(16))


class IssuedForecast(Base):
    """A forecast as it was issued. It is never corrected: what was said, was said."""

    __tablename__ = "forecasts"
    __table_args__ = (_NUMBERS,)

    id: Mapped[int] = _numbered()
    pack_id: Mapped[str] = _of("packs")
    issued_at: Mapped[datetime] = mapped_column(index=True)
    issued_by: Mapped[str] = mapped_column(String(NAME_LENGTH))
    origin: Mapped[datetime]
    model_id: Mapped[str] = mapped_column(String(80))
    inputs_digest: Mapped[str] = mapped_column(String(64))
    good_for_days: Mapped[float]
    """Days promised at 90 %, from `origin`; 0 where a flag withholds them."""
    asked: Mapped[dict[str, Any]]
    answer: Mapped[dict[str, Any]]
    recheck_at: Mapped[datetime | None]
    """Day of the recheck plan that was made with it: the release sheet's. None where no sheet was asked for."""


Index(None, IssuedForecast.pack_id, IssuedForecast.id)


class Supplier(Versioned):
    """Whoever sells packs."""

    __tablename__ = "suppliers"

    id: Mapped[str] = _named()
    title: Mapped[str | None] = mapped_column(String(NAME_LENGTH))


class Offer(Versioned):
    """One way of getting a pack of a family: price and quoted lead time."""

    __tablename__ = "offers"
    __table_args__ = (_NUMBERS,)

    id: Mapped[int] = _numbered()
    supplier_id: Mapped[str] = _of("suppliers")
    family: Mapped[str] = mapped_column(String(31), index=True)
    currency: Mapped[str] = mapped_column(String(3))
    price: Mapped[float]
    express_fee: Mapped[float | None]
    usual_days: Mapped[int]
    earliest_days: Mapped[int | None]
    latest_days: Mapped[int | None]
    quoted_at: Mapped[datetime]
    valid_until: Mapped[datetime | None]


Index(None, Offer.supplier_id)


class Delivery(Versioned):
    """A pack that was ordered, and when it came."""

    __tablename__ = "deliveries"
    __table_args__ = (
        CheckConstraint("arrived_at IS NULL OR arrived_at >= ordered_at", "arrived_after_order"),
        _NUMBERS,
    )

    id: Mapped[int] = _numbered()
    supplier_id: Mapped[str] = _of("suppliers")
    family: Mapped[str] = mapped_column(String(31))
    pack_id: Mapped[str | None] = mapped_column(String(NAME_LENGTH), ForeignKey("packs.id"))
    express: Mapped[bool] = mapped_column(default=False, server_default=false())
    offer_id: Mapped[int | None] = mapped_column(ForeignKey("offers.id"))
    ordered_at: Mapped[datetime]
    arrived_at: Mapped[datetime | None]


Index(None, Delivery.supplier_id)
Index(None, Delivery.pack_id)
Index(None, Delivery.offer_id)


class CostSheet(Versioned):
    """What being wrong costs the house, as somebody stated it."""

    __tablename__ = "cost_sheets"

    id: Mapped[str] = _named()
    currency: Mapped[str] = mapped_column(String(3))
    stranding: Mapped[float | None]
    day_off_road: Mapped[float | None]
    capital_per_day: Mapped[float | None]
    return_value: Mapped[float | None]
    planned_work: Mapped[float | None]
    return_work: Mapped[float | None]


class Score(Base):
    """The newest forecast of a pack that is out on a top-up, compact enough to rank tens of thousands.

    It repeats what stands elsewhere, so that a list need not read whole forecasts, and is made anew with each forecast
    and by the scoring job.
    """

    __tablename__ = "scores"

    pack_id: Mapped[str] = mapped_column(String(NAME_LENGTH), ForeignKey("packs.id"), primary_key=True)
    forecast_id: Mapped[int] = mapped_column(RowId, ForeignKey("forecasts.id"))
    vehicle_id: Mapped[str | None] = mapped_column(String(NAME_LENGTH))
    site: Mapped[str | None] = mapped_column(String(NAME_LENGTH))
    duty: Mapped[str | None] = mapped_column(String(NAME_LENGTH))
    family: Mapped[str] = mapped_column(String(31))
    model_id: Mapped[str] = mapped_column(String(80))
    topped_at: Mapped[datetime]
    origin: Mapped[datetime]
    good_until: Mapped[datetime]
    km_per_day: Mapped[float | None]
    as_of: Mapped[datetime]
    week_return: Mapped[float]
    week_wait_days: Mapped[float]
    seen_at: Mapped[datetime | None]
    """Of the newest record that it was there and holding: what is promised counts from then. None of older scores."""
    grave: Mapped[bool] = mapped_column(server_default=false())
    unread: Mapped[bool] = mapped_column(server_default=false())
    """Whether nobody read the pack at rest since its charge."""


# Everything that ranking looks at, so that it reads this index alone and not the curves beside it.
Index(
    "ix_scores_ranking",
    Score.week_return,
    Score.week_wait_days,
    Score.pack_id,
    Score.family,
    Score.site,
    Score.duty,
    Score.as_of,
)
Index(None, Score.good_until)
# What has to be known before a ranking is read: forecasts that are old, packs not seen for long, and those that warn.
Index(None, Score.origin)
Index(None, Score.seen_at)
Index(
    "ix_scores_held_back",
    Score.pack_id,
    sqlite_where=text("grave = 1 OR unread = 1"),
    postgresql_where=text("grave OR unread"),
)


class ScoreCurves(Base):
    """The curves of a score, apart from it: most of what is asked of all scores can be told without them."""

    __tablename__ = "score_curves"

    pack_id: Mapped[str] = mapped_column(
        String(NAME_LENGTH), ForeignKey("scores.pack_id", ondelete="CASCADE"), primary_key=True
    )
    origin: Mapped[datetime]
    curves: Mapped[bytes]
    told_levels: Mapped[bytes | None]


class StoppedPack(Base):
    """A pack that a fact on record stops, until something else is recorded."""

    __tablename__ = "stopped_packs"

    pack_id: Mapped[str] = mapped_column(String(NAME_LENGTH), ForeignKey("packs.id"), primary_key=True)


class UnweighedPack(Base):
    """A pack of which something is recorded that its newest forecast does not know, until it is forecast again."""

    __tablename__ = "unweighed_packs"

    pack_id: Mapped[str] = mapped_column(String(NAME_LENGTH), ForeignKey("packs.id"), primary_key=True)
    warned: Mapped[bool]
    """Whether that forecast, kept or dropped, warned of something to be looked at first."""


class DriveLog(Base):
    """A raw drive log, as Parquet, beside the readings that tell of it; gone with its pack."""

    __tablename__ = "drive_logs"
    __table_args__ = (_NUMBERS,)

    id: Mapped[int] = _numbered()
    pack_id: Mapped[str] = _of("packs")
    begins_at: Mapped[datetime]
    ends_at: Mapped[datetime]
    rows: Mapped[int]
    size_bytes: Mapped[int]
    file: Mapped[str] = mapped_column(String(NAME_LENGTH))
    content: Mapped[bytes] = mapped_column(deferred=True)
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str] = mapped_column(String(NAME_LENGTH))


Index(None, DriveLog.pack_id)


LONGEST_REASON: Final = 200
"""Letters of why a record was corrected or withdrawn. Our choice."""


class EarlierVersion(Base):
    """A record as it stood before it was corrected or withdrawn."""

    __tablename__ = "earlier_versions"
    __table_args__ = (UniqueConstraint("subject", "record_id", "version"), _NUMBERS)

    id: Mapped[int] = _numbered()
    subject: Mapped[str] = mapped_column(String(16))
    record_id: Mapped[str] = mapped_column(String(NAME_LENGTH))
    version: Mapped[int]
    content: Mapped[dict[str, Any]]
    recorded_at: Mapped[datetime]
    recorded_by: Mapped[str] = mapped_column(String(NAME_LENGTH))
    superseded_at: Mapped[datetime]
    superseded_by: Mapped[str] = mapped_column(String(NAME_LENGTH))
    withdrawn: Mapped[bool]
    reason: Mapped[str | None] = mapped_column(String(LONGEST_REASON))
    pack_id: Mapped[str | None] = mapped_column(String(NAME_LENGTH), index=True)
    lifted: Mapped[list[str] | None] = mapped_column(Json)


class ApiKey(Base):
    """An access key: its digest, never the key."""

    __tablename__ = "api_keys"
    __table_args__ = (CheckConstraint("role IN ('bench', 'parts', 'fleet', 'admin', 'read-only')", "known_role"),)

    id: Mapped[str] = mapped_column(String(NAME_LENGTH), primary_key=True)
    title: Mapped[str] = mapped_column(String(NAME_LENGTH))
    role: Mapped[str] = mapped_column(String(16))
    digest: Mapped[str] = mapped_column(String(64), unique=True)
    created_at: Mapped[datetime]
    expires_at: Mapped[datetime | None]
    last_used_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]


class EndedVisit(Base):
    """A visit to the pages that somebody signed out of, kept for as long as its cookie would have been good."""

    __tablename__ = "ended_visits"

    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    until: Mapped[datetime] = mapped_column(index=True)


class SignInCode(Base):
    """A code that signs one more device in, once and soon; gone as soon as it was used."""

    __tablename__ = "sign_in_codes"

    digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    key_id: Mapped[str] = mapped_column(String(NAME_LENGTH), ForeignKey("api_keys.id"))
    until: Mapped[datetime] = mapped_column(index=True)


class AuditEntry(Base):
    """One write: who, when, what was asked and what came of it. Written together with what it tells of."""

    __tablename__ = "audit"
    __table_args__ = (_NUMBERS,)

    id: Mapped[int] = _numbered()
    at: Mapped[datetime] = mapped_column(index=True)
    by: Mapped[str] = mapped_column(String(NAME_LENGTH))
    action: Mapped[str] = mapped_column(String(48))
    record_id: Mapped[str | None] = mapped_column(String(NAME_LENGTH))
    request_id: Mapped[str | None] = mapped_column(String(NAME_LENGTH))


class StoredAnswer(Base):
    """The answer to a write that carried an Idempotency-Key, kept so that a repetition gets the same one."""

    __tablename__ = "idempotency"

    caller: Mapped[str] = mapped_column(String(NAME_LENGTH), primary_key=True)
    key: Mapped[str] = mapped_column(String(128), primary_key=True)
    request_digest: Mapped[str] = mapped_column(String(64))
    at: Mapped[datetime] = mapped_column(index=True)
    status: Mapped[int]
    headers: Mapped[dict[str, Any]]
    body: Mapped[str]


class Job(Base):
    """Long work, done by a worker that holds a lease on it."""

    __tablename__ = "jobs"
    __table_args__ = (
        CheckConstraint("state IN ('queued', 'running', 'done', 'failed', 'cancelled')", "known_state"),
        _NUMBERS,
    )

    id: Mapped[int] = _numbered()
    kind: Mapped[str] = mapped_column(String(16))
    arguments: Mapped[dict[str, Any]]
    state: Mapped[str] = mapped_column(String(16), default="queued")
    steps_done: Mapped[int] = mapped_column(default=0)
    steps_total: Mapped[int | None]
    doing: Mapped[str | None] = mapped_column(String(200))
    attempts: Mapped[int] = mapped_column(default=0)
    cancel_asked: Mapped[bool] = mapped_column(default=False)
    worker: Mapped[str | None] = mapped_column(String(NAME_LENGTH))
    lease_until: Mapped[datetime | None]
    created_at: Mapped[datetime]
    created_by: Mapped[str] = mapped_column(String(NAME_LENGTH))
    started_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    result: Mapped[dict[str, Any] | None] = mapped_column(Json)
    problems: Mapped[list[dict[str, str]] | None] = mapped_column(Json)


Index(None, Job.state, Job.id)


class Receiver(Base):
    """Where notices go: a mail address, or the address of a program."""

    __tablename__ = "receivers"
    __table_args__ = (
        CheckConstraint("kind IN ('mail', 'webhook')", "known_kind"),
        UniqueConstraint("address"),
        _NUMBERS,
    )

    id: Mapped[int] = _numbered()
    kind: Mapped[str] = mapped_column(String(8))
    title: Mapped[str] = mapped_column(String(NAME_LENGTH))
    address: Mapped[str] = mapped_column(String(500))
    secret: Mapped[str | None] = mapped_column(String(80))
    """What its messages are signed with; it has to be kept, as signing needs it."""
    wants: Mapped[list[str]] = mapped_column(Json)
    days_ahead: Mapped[int]
    fault_within_days: Mapped[int]
    fault_chance: Mapped[float]
    created_at: Mapped[datetime]
    created_by: Mapped[str] = mapped_column(String(NAME_LENGTH))
    paused_at: Mapped[datetime | None]
    paused_why: Mapped[str | None] = mapped_column(String(200))


class Notice(Base):
    """Something that a receiver was told of, so that it is told once."""

    __tablename__ = "notices"

    receiver_id: Mapped[int] = mapped_column(RowId, ForeignKey("receivers.id"), primary_key=True)
    key: Mapped[str] = mapped_column(String(64), primary_key=True)
    at: Mapped[datetime] = mapped_column(index=True)


class OutgoingMessage(Base):
    """A message to a receiver, kept until it is delivered or given up, and a while longer."""

    __tablename__ = "messages"
    __table_args__ = (CheckConstraint("state IN ('waiting', 'sent', 'given-up')", "known_state"), _NUMBERS)

    id: Mapped[int] = _numbered()
    receiver_id: Mapped[int] = mapped_column(RowId, ForeignKey("receivers.id"), index=True)
    uid: Mapped[str] = mapped_column(String(64), unique=True)
    content: Mapped[dict[str, Any]]
    state: Mapped[str] = mapped_column(String(8), default="waiting")
    attempts: Mapped[int] = mapped_column(default=0)
    next_try_at: Mapped[datetime]
    created_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    problem: Mapped[str | None] = mapped_column(String(300))


Index(None, OutgoingMessage.state, OutgoingMessage.next_try_at)

"""What is asked for, or refused, of a pack that nobody has read for long: the same for every question."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Final, Protocol, TypeVar

from models.base import counts
from models.forecasts.last_seen import ASK_AFTER_DAYS, REFUSE_AFTER_DAYS, days_unseen, not_of_today
from models.forecasts.withheld import NOT_OF_TODAY
from models.packs.history import PackHistory
from service.core import clock
from service.core.refusals import Conflict
from service.core.translation import _
from service.forecasting.forecasts.schemas import EvidenceFlag, PackCase

AnyCase = TypeVar("AnyCase", bound=PackCase)

TODAY: Final = timedelta(days=1)
"""Whoever asks of a moment since then asks of today."""


class Asked(Protocol):
    """Whatever asks about a history, and may name a moment."""

    @property
    def history(self) -> PackHistory:
        """Everything known about the pack."""
        ...

    @property
    def at(self) -> datetime | None:
        """The moment that was named."""
        ...


def age_of(case: Asked, now: datetime | None, *, of_today_too: bool = False) -> list[EvidenceFlag]:
    """Flag an answer that rests on a record of long ago though nobody asked for a moment of the past.

    Parameters
    ----------
    now : datetime, optional
        By the clock if left out.
    of_today_too : bool
        Also where somebody asked of today by its date, as the bench's pages do.
    """
    now = now or clock.now_utc()
    if case.at is not None and not (of_today_too and now - case.at < TODAY):
        return []
    return [EvidenceFlag.of(flag) for flag in not_of_today(case.history, now)]


def as_of_now(flags: Sequence[EvidenceFlag], history: PackHistory | None, now: datetime) -> list[EvidenceFlag]:
    """Return the flags of a forecast made earlier, its age counted to now."""
    aged = () if history is None else not_of_today(history, now)
    return [*map(EvidenceFlag.of, aged), *(flag for flag in flags if not aged or flag.code != NOT_OF_TODAY)]


def asked_of_today(case: AnyCase, now: datetime | None) -> AnyCase:
    """Return a question whose days count from now where no moment was named and something was entered before today."""
    now = now or clock.now_utc()
    if case.at is not None or now - case.history.last_fact_time < TODAY:
        return case
    return case.model_copy(update={"at": now})


def counts_from_today(case: Asked, now: datetime | None) -> list[str]:
    """Say that days count from now though nothing was entered today; nothing where another moment was named."""
    now, entered = now or clock.now_utc(), case.history.last_fact_time
    if case.at is not None or now - entered < TODAY:
        return []
    said = _(
        "All days here count from today, %(today)s. Something was last entered on %(day)s, %(days)s ago; that the "
        "fault has not come back since then is taken for granted."
    )
    days = _(counts.days((now - entered) // timedelta(days=1)))
    return [said % {"today": now.date().isoformat(), "day": entered.date().isoformat(), "days": days}]


def unseen_since(seen_at: datetime | None, now: datetime) -> list[str]:
    """Ask for a fresh reading where the newest says little of today."""
    if seen_at is None or days_unseen(seen_at, now) <= ASK_AFTER_DAYS:
        return []
    said = _(
        "Nothing has been entered since %(day)s: nobody knows whether it still holds. Read all blocks at rest first."
    )
    return [said % {"day": seen_at.date().isoformat()}]


def require_seen_lately(pack_id: str, seen_at: datetime | None, now: datetime) -> None:
    """Refuse to let a car go, or to charge a block, by what was read so long ago that no decision goes by it.

    Raises
    ------
    Conflict
    """
    if seen_at is None or days_unseen(seen_at, now) <= REFUSE_AFTER_DAYS:
        return
    raise Conflict(
        _(
            "There is no reading of pack %(pack)s since %(day)s, more than %(days)s days ago: that it still holds is "
            "not known. Read all blocks at rest, and under load, keep a new forecast, and ask again."
        )
        % {"pack": pack_id, "day": seen_at.date().isoformat(), "days": f"{REFUSE_AFTER_DAYS:.0f}"}
    )

"""Cases: a pack's history and what is asked of it. How they are made, checked, and handed to the models."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import TYPE_CHECKING, TypeVar

from pydantic import BaseModel, ValidationError

from models.base.errors import BadInput, Problem, problems_from
from models.base.threads import thread_limit
from models.forecasts.endings import ended_in_words
from models.packs.family import PackFamily
from models.packs.history import PackHistory, UsagePlan, family_problems
from models.packs.stops import require_no_stop
from service.core.translation import _
from service.forecasting.forecasts.schemas import PackCase, PackQuestion
from service.records.ahead import not_yet

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

Case = TypeVar("Case", bound=BaseModel)
OfPack = TypeVar("OfPack", bound=PackCase)


def checked_case(kind: type[Case], content: object) -> Case:
    """Check a case that was read from JSON.

    Raises
    ------
    BadInput
        With every fault found.
    """
    try:
        return kind.model_validate(content)
    except ValidationError as error:
        raise BadInput(problems_from(error)) from error


def case_of_pack(session: Session, pack_id: str, asked: PackQuestion, kind: type[OfPack]) -> OfPack:
    """Put a stored pack's history and a question together.

    Parameters
    ----------
    asked : PackQuestion
        Of the same fields as the case, but for history and family.
    kind : type
        The case of this question.

    Raises
    ------
    NoSuchRecord, BadInput
    Conflict
        Nothing is recorded of the pack that an answer could start from.
    """
    # Whoever sends a history along needs no store, and should not wait for it to load.
    from service.records.history import begun_history
    from service.records.taken_away import taken_away

    case = kind(history=begun_history(session, pack_id, _(kind.to_begin)), **dict(asked))
    return case.with_corrected(taken_away(session, [pack_id]).get(pack_id))


def family_of(case: PackCase, families: Mapping[str, PackFamily], now: datetime | None = None) -> PackFamily:
    """Return the family of a case: the one it defines, or else the one it names.

    Raises
    ------
    BadInput
        No family of that name is known, or something is told as past that lies ahead: an answer would count from it.
    """
    require_past(case.history, now or datetime.now(UTC))
    family = case.family or families.get(case.history.family)
    if family is None:
        raise BadInput.one(
            "history.family",
            _("The family %(family)s is not known.") % {"family": repr(case.history.family)},
            _("Name one of %(known)s, or define it in the field family.") % {"known": ", ".join(sorted(families))},
        )
    return family


def require_unstopped(
    case: PackCase, families: Mapping[str, PackFamily], *, charging: bool = False, ambient_c: float | None = None
) -> None:
    """Raise `models.packs.stops.Stopped` where a fact ends the job: facts need no model, so this is asked first.

    What is wrong with the history itself is left to the question.
    """
    family = case.family or families.get(case.history.family)
    if family is not None and not family_problems(case.history, family):
        require_no_stop(case.history, family, at=case.at, ambient_c=ambient_c, charging=charging)


def require_past(history: PackHistory, now: datetime) -> None:
    """Refuse a history in which something is told as past that lies ahead; a plan may.

    Raises
    ------
    BadInput
    """
    when = {f"history.readings[{i}].time": reading.time for i, reading in enumerate(history.readings)}
    when |= {f"history.topups[{i}].time": topup.time for i, topup in enumerate(history.topups)}
    when |= {f"history.outcomes[{i}].time": outcome.time for i, outcome in enumerate(history.outcomes)}
    if ahead := not_yet(when, now):
        raise BadInput(ahead)


def require_still_out(case: PackCase) -> None:
    """Refuse to decide on a pack whose newest top-up is over, whatever moment the question is of.

    Raises
    ------
    BadInput
    """
    if (ended := case.history.ended) is not None:
        raise BadInput.one(
            f"history.outcomes[{len(case.history.outcomes) - 1}]",
            _("%(what)s: there is nothing left to decide on this top-up.") % {"what": _(ended_in_words(ended))},
            _("Record the next top-up first."),
        )


def plan_of(case: PackCase) -> UsagePlan | None:
    """Return the plan to forecast with: what the case says, the rest from the newest plan known by then.

    None if the case says nothing about usage.
    """
    if case.usage is None:
        return None
    origin = case.at or case.history.last_fact_time
    known = [plan for plan in case.history.usage if plan.time is None or plan.time <= origin]
    before = known[-1] if known else UsagePlan()
    return before.model_copy(update=case.usage.model_dump(exclude_none=True))


@contextmanager
def computing(threads: int) -> Iterator[None]:
    """Hold the numerical libraries to so many threads; name places in what is found wrong as the sender wrote them."""
    try:
        with thread_limit(threads):
            yield
    except BadInput as error:
        raise BadInput(as_in_the_case(error.problems)) from error


def as_in_the_case(problems: Iterable[Problem]) -> list[Problem]:
    """Name places as the sender wrote them: a history is one field of a case."""
    return [
        Problem(
            f"history.{p.where}" if re.split(r"[.[]", p.where)[0] in PackHistory.model_fields else p.where,
            p.what,
            p.mend,
        )
        for p in problems
    ]

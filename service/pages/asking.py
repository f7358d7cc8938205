"""What pages of decisions share: questions in the address, money in words, and costs that nobody has stated yet."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any, Final, TypeVar
from zoneinfo import ZoneInfo

from fastapi import Request
from pydantic import BaseModel
from sqlalchemy.orm import Session

from models.base.errors import BadInput, Problem
from models.decisions.money import Money
from service.core.dates import day_in_words
from service.core.translation import _
from service.decisions.basis.open_cases import NotWeighed, without_forecast
from service.forecasting.issued.scores import OLDEST_DAYS
from service.pages.forms import checked, once, plain_number, plain_numbers

Asked = TypeVar("Asked", bound=BaseModel)

NAMED: Final = 5
"""Cases that are not weighed and named at once."""


def given(request: Request, *names: str) -> dict[str, str]:
    """Return fields of the address that are not empty, as they were typed."""
    found = {name: request.query_params.get(name, "").strip() for name in names}
    return {name: text for name, text in found.items() if text}


def question(schema: type[Asked], texts: Mapping[str, Any]) -> Asked:
    """Return typed fields as a question; a decimal comma counts as a point.

    Raises
    ------
    BadInput
        With the form's own field names.
    """
    typed = {name: text for name, text in texts.items() if isinstance(text, str)}
    return checked(schema, {**texts, **plain_numbers(typed)})


def share_of_100(texts: dict[str, str], name: str) -> dict[str, Any]:
    """Turn a field that is typed in hundredths into a share; what is no number is left to the schema to refuse.

    Raises
    ------
    BadInput
        It is not between 0 and 100: said in the field's own hundredths.
    """
    if name not in texts:
        return dict(texts)
    try:
        hundredths = float(plain_number(texts[name]))
    except ValueError:
        return dict(texts)
    if not 0 < hundredths < 100:
        what = _("%(share)s in 100 cannot be right.") % {"share": f"{hundredths:g}"}
        raise BadInput.one(name, what, _("Write a number between 0 and 100, as 10."))
    return {**texts, name: hundredths / 100}


def stated_first(problems: Sequence[Problem]) -> list[Problem]:
    """Return the problems of costs and offers that nobody has entered: they are asked for on pages of their own."""
    return [problem for problem in problems if problem.where == "offers" or problem.where.startswith("costs.")]


def cost_words(where: str) -> str:
    """Return what a cost is called on the pages, from its name or the place of a problem with it."""
    words = {
        "currency": _("Currency"),
        "stranding": _("One stranding"),
        "day_off_road": _("One day off the road"),
        "capital_per_day": _("One day of money tied up"),
        "return_value": _("Value left in an unneeded pack"),
        "planned_work": _("A planned replacement"),
        "return_work": _("A replacement at a return"),
    }
    name = where.removeprefix("costs.")
    return words.get(name, name)


def date_in_words(day: date) -> str:
    """Write a date as the pages write days: ``Sat 14 Mar 2026``."""
    return day_in_words(datetime(day.year, day.month, day.day, 12, tzinfo=UTC), ZoneInfo("UTC"))


@dataclass(frozen=True)
class Unweighed:
    """Open cases that no decision counts.

    Attributes
    ----------
    named : sequence of NotWeighed
        Some of them, those topped up longest ago.
    oldest : int
        Days after which a forecast is not decided on any more.
    once : str
        Of the form that has them forecast.
    """

    count: int
    named: Sequence[NotWeighed]
    oldest: int
    once: str


def unweighed(session: Session, now: datetime, *, old_too: bool = True, besides: Collection[str] = ()) -> Unweighed:
    """Return the open cases of which there is no forecast to decide on; parameters as for `without_forecast`.

    What the fleet is told first (`service.decisions.fleet.caveats`) names the old ones already.
    """
    named, count = without_forecast(session, now, NAMED, old_too=old_too, besides=besides)
    return Unweighed(count, named, round(OLDEST_DAYS), once())


def money(amount: float, currency: str) -> str:
    """Write an amount with its currency, as ``EUR 1,450``."""
    return str(Money(amount, currency))


def whole_money(amount: float, currency: str) -> str:
    """Write an expected amount without the digits that it does not have: ``EUR 1,836``, ``EUR −12``."""
    return f"{currency} {round(amount):,}".replace("-", "−")

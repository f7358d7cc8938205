"""The costs a decision is made with: stated in the request, else by the house. None has a default."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy.orm import Session

from models.base.errors import BadInput
from service.core.translation import _
from service.records.cost_words import MEANING
from service.records.schemas import Amount
from service.records.subjects.costs import HOUSE
from service.records.subjects.suppliers import Currency
from service.store.schema import CostSheet


class StatedCosts(BaseModel):
    """Costs for one question. What is left out is taken from the house's own statement, if there is one."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    currency: Currency | None = Field(None, description="Code of ISO 4217, of all amounts.", examples=["EUR"])
    stranding: Amount | None = Field(None, description=MEANING["stranding"])
    day_off_road: Amount | None = Field(None, description=MEANING["day_off_road"])
    capital_per_day: Amount | None = Field(None, description=MEANING["capital_per_day"])
    return_value: Amount | None = Field(None, description=MEANING["return_value"])
    planned_work: Amount | None = Field(None, description=MEANING["planned_work"])
    return_work: Amount | None = Field(None, description=MEANING["return_work"])


NOTHING_STATED = StatedCosts()


@dataclass(frozen=True)
class KnownCosts:
    """Costs, each as stated or None.

    Attributes
    ----------
    source : str
        A sentence: who stated them.
    """

    currency: str
    amounts: dict[str, float | None]
    source: str

    def only(self, *names: str) -> dict[str, Any]:
        """Return some of them by name."""
        return {name: self.amounts[name] for name in names}


def known_costs(given: StatedCosts, sheet: CostSheet | None) -> KnownCosts:
    """Put the request's costs and the house's together.

    Raises
    ------
    BadInput
        No currency is known, or amounts in two currencies would be mixed.
    """
    own = {name: getattr(given, name) for name in MEANING}
    house = {name: None if sheet is None else getattr(sheet, name) for name in MEANING}
    taken = [name for name in MEANING if own[name] is None and house[name] is not None]
    if given.currency is not None and sheet is not None and given.currency != sheet.currency:
        # Amounts in another currency are none: what the request leaves out is then asked for.
        house, taken, sheet = dict.fromkeys(MEANING), [], None
    currency = given.currency or (None if sheet is None else sheet.currency)
    if currency is None:
        raise BadInput.one(
            "costs.currency",
            _("is not given. Every amount is in some currency, and none is assumed."),
            _("State it, as EUR, or state once what things cost here, under the name %(name)s.") % {"name": HOUSE},
        )
    stated = [name for name in MEANING if own[name] is not None]
    amounts = {name: house[name] if own[name] is None else own[name] for name in MEANING}
    return KnownCosts(currency, amounts, _source(bool(stated), sheet if taken else None))


def _source(asked: bool, sheet: CostSheet | None) -> str:
    """Say who stated the costs: whoever asks, or the house, or both in part."""
    if sheet is None:
        return _("Costs as stated with the question.") if asked else _("No cost has been stated.")
    said = (
        _("Costs as stated with the question and stated for the house on %(day)s by %(name)s.")
        if asked
        else _("Costs as stated for the house on %(day)s by %(name)s.")
    )
    return said % {"day": sheet.recorded_at.date().isoformat(), "name": sheet.recorded_by}


def costs_here(session: Session, given: StatedCosts) -> KnownCosts:
    """Return the request's costs, completed from the store."""
    return known_costs(given, session.get(CostSheet, HOUSE))

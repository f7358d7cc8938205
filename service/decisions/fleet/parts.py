"""The part of the fleet that is asked about, and what a pack for it costs."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from models.base.errors import BadInput, Problem
from models.decisions.money import Money
from service.core.translation import _
from service.decisions.basis.costs import KnownCosts
from service.decisions.basis.lead_times import standing_offers
from service.decisions.fleet.schemas import Part
from service.store.schema import Assignment, Pack, Score, Vehicle


def conditions_of(part: Part) -> list[Any]:
    """Return the SQL conditions on scores that pick a part of the fleet."""
    columns = (("family", Score.family), ("site", Score.site), ("duty", Score.duty))
    return [column == value for name, column in columns if (value := getattr(part, name)) is not None]


def on_packs(part: Part) -> list[Any]:
    """Return the SQL conditions on packs that pick the same part: site and duty are those of the vehicle it sits in."""
    conditions: list[Any] = [] if part.family is None else [Pack.family == part.family]
    columns = (("site", Vehicle.site), ("duty", Vehicle.duty))
    wanted = [column == value for name, column in columns if (value := getattr(part, name)) is not None]
    if wanted:
        sits = select(Assignment.pack_id).join(Vehicle, Vehicle.id == Assignment.vehicle_id)
        conditions.append(Pack.id.in_(sits.where(Assignment.until.is_(None), *wanted)))
    return conditions


def pack_prices(
    session: Session, families: Iterable[str], stated: float | None, costs: KnownCosts, now: datetime
) -> dict[str, float]:
    """Return the price of a pack by family: as stated, or of the cheapest offer that stands today, express left aside.

    So is an offer that asks less than an unneeded pack is said to be still good for.

    Raises
    ------
    BadInput
        For each family without such an offer in this currency.
    """
    prices, found = {}, []
    currency, worth = costs.currency, costs.amounts["return_value"] or 0.0
    for family in sorted(set(families)):
        if stated is not None:
            prices[family] = stated
            continue
        known = [
            offer.price
            for offer in standing_offers(session, family, now)
            if offer.currency == currency and offer.express_fee is None
        ]
        if weighed := [price for price in known if price >= worth]:
            prices[family] = min(weighed)
            continue
        what = (
            _(
                "is not given, and every ordinary offer for a pack of the family %(family)s asks less than the "
                "%(worth)s that an unneeded pack is said to be still good for."
            )
            if known
            else _(
                "is not given, and no ordinary offer in %(currency)s for a pack of the family %(family)s stands today."
            )
        )
        words = {"currency": currency, "family": family, "worth": Money(worth, currency)}
        found.append(Problem("pack", what % words, _("State the price of a pack, or enter an offer.")))
    if found:
        raise BadInput(found)
    return prices

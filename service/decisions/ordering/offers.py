"""The offers that a case can choose among."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from models.base.errors import BadInput, Problem
from models.decisions.lead_time import LeadTime
from models.decisions.money import Money
from models.decisions.ordering import Offer
from service.core.translation import _, ngettext
from service.decisions.basis.costs import KnownCosts
from service.decisions.basis.lead_times import (
    families_on_offer,
    offer_lead_time,
    standing_offers,
    stated_lead_time,
)
from service.decisions.ordering.schemas import SentOffer
from service.records.subjects.suppliers import quoted_long_ago
from service.store.schema import Offer as StoredOffer


@dataclass(frozen=True)
class KnownOffer:
    """An offer with its number in the store, if it is stored, and its supplier.

    In sentences an express delivery has to be told from the ordinary one of the same supplier, and two offers alike in
    both by their numbers, so `offer.supplier` says so.
    """

    number: int | None
    supplier: str
    offer: Offer


@dataclass(frozen=True)
class Offers:
    """What can be chosen among, what was left out, and which quotes are so old that they may not stand any more.

    Of what was left out `too_cheap` repeats what asks less than the pack would still be good for.
    """

    known: tuple[KnownOffer, ...]
    left_out: tuple[str, ...]
    old: tuple[str, ...] = ()
    too_cheap: tuple[str, ...] = ()

    def of_which(self, currency: str) -> list[str]:
        """Say among which offers one was chosen, where others were left out."""
        if not self.left_out:
            return []
        said = ngettext(
            "That is of the offers in %(currency)s; %(count)s is not weighed.",
            "That is of the offers in %(currency)s; %(count)s are not weighed.",
            len(self.left_out),
        )
        return [said % {"currency": currency, "count": len(self.left_out)}]

    @property
    def plain(self) -> list[Offer]:
        """The offers without their numbers."""
        return [known.offer for known in self.known]


def in_currency(rows: Iterable[StoredOffer], currency: str) -> tuple[list[StoredOffer], tuple[str, ...]]:
    """Return the offers in a currency, and a sentence for each in another: it cannot be compared."""
    kept, left_out = [], []
    for row in rows:
        if row.currency == currency:
            kept.append(row)
            continue
        left_out.append(
            _(
                "Offer %(number)s of %(supplier)s is in %(own)s, the costs are in %(currency)s: no rate of "
                "exchange is assumed. Enter its price converted at a rate you stand by."
            )
            % {"number": row.id, "supplier": row.supplier_id, "own": row.currency, "currency": currency}
        )
    return kept, tuple(left_out)


def stored_offers(session: Session, family: str, costs: KnownCosts, now: datetime) -> Offers:
    """Return the standing offers of a family that can be weighed at some costs; the others are left out, and named.

    Raises
    ------
    BadInput
        There is none.
    """
    offers = _standing(session, family, costs, now)
    if not offers.known:
        raise BadInput([_none_stands(family, costs, offers)])
    return offers


def offers_by_family(session: Session, costs: KnownCosts, now: datetime) -> dict[str, Offers]:
    """Return the standing offers of every family that has any to be weighed at some costs."""
    found = {family: _standing(session, family, costs, now) for family in families_on_offer(session, now)}
    return {family: offers for family, offers in found.items() if offers.known}


def lacking_offer(session: Session, family: str, costs: KnownCosts, now: datetime) -> Problem:
    """Say that a family has no standing offer to be weighed at some costs, and how to mend it."""
    return _none_stands(family, costs, _standing(session, family, costs, now))


def _none_stands(family: str, costs: KnownCosts, offers: Offers) -> Problem:
    if offers.too_cheap:
        said = _("No offer for a pack of the family %(family)s can be weighed.") % {"family": family}
        return Problem("offers", " ".join([said, *offers.too_cheap]), _("Enter an offer with its full price."))
    what = (
        _("The store has no offer for a pack of the family %(family)s that stands today in %(currency)s.")
        if offers.left_out
        else _("The store has no offer for a pack of the family %(family)s that stands today.")
    )
    return Problem(
        "offers",
        what % {"family": family, "currency": costs.currency},
        _("Enter at least one, with a price and a usual number of days."),
    )


def _standing(session: Session, family: str, costs: KnownCosts, now: datetime) -> Offers:
    known = []
    rows, left_out = in_currency(standing_offers(session, family, now), costs.currency)
    for row in rows:
        fee = None if row.express_fee is None else Money(row.express_fee, row.currency)
        lead_time = offer_lead_time(session, row, now)
        known.append(_known(row.id, row.supplier_id, Money(row.price, row.currency), lead_time, fee))
    return _worth_weighing(Offers(_told_apart(known), left_out, tuple(_old_quotes(rows, now))), costs)


def _worth_weighing(offers: Offers, costs: KnownCosts) -> Offers:
    """Leave out, by name, offers that ask less than the pack would still be good for: each bought would be a gain."""
    worth = costs.amounts["return_value"]
    if worth is None:
        return offers
    cheap = [one for one in offers.known if one.offer.to_pay.amount < worth]
    said = [
        _(
            "Offer %(number)s of %(supplier)s asks %(price)s, less than the %(worth)s that an unneeded pack is said to "
            "be still good for: it is not weighed. Correct its price, or that value."
        )
        % {
            "number": one.number,
            "supplier": one.supplier,
            "price": one.offer.to_pay,
            "worth": Money(worth, costs.currency),
        }
        for one in cheap
    ]
    kept = tuple(one for one in offers.known if one not in cheap)
    return replace(offers, known=kept, left_out=(*offers.left_out, *said), too_cheap=tuple(said))


def _old_quotes(rows: Iterable[StoredOffer], now: datetime) -> Iterator[str]:
    """Name the offers without an end that were quoted so long ago that nobody may hold their price any more."""
    for row in rows:
        if row.valid_until is None and quoted_long_ago(row.quoted_at, now):
            words = {"number": row.id, "supplier": row.supplier_id, "day": row.quoted_at.date().isoformat()}
            yield (
                _(
                    "Offer %(number)s of %(supplier)s was quoted on %(day)s, over a year ago, and is weighed as if it "
                    "stood today: ask before you order."
                )
                % words
            )


def soonest_offer(session: Session, family: str, now: datetime) -> StoredOffer | None:
    """Return the standing offer that comes soonest, by the middle of its days, whatever it costs; None without one."""

    def days(row: StoredOffer) -> float:
        middle = offer_lead_time(session, row, now).quantile(0.5)
        return math.inf if middle is None else middle

    return min(standing_offers(session, family, now), key=lambda row: (days(row), row.id), default=None)


def offer_name(supplier: str, *, express: bool) -> str:
    """Return what sentences call an offer."""
    return _("%(supplier)s (express)") % {"supplier": supplier} if express else supplier


def sent_offers(sent: Sequence[SentOffer]) -> Offers:
    """Return offers that were sent along with a question.

    Raises
    ------
    BadInput
        Of one nothing is known of how long it takes, or its days are out of order.
    """
    known = []
    for offer in sent:
        fee = None if offer.express_fee is None else Money(offer.express_fee, offer.currency)
        lead_time = stated_lead_time(offer.supplier, offer)
        known.append(_known(None, offer.supplier, Money(offer.price, offer.currency), lead_time, fee))
    return Offers(_told_apart(known), ())


def _known(number: int | None, supplier: str, price: Money, lead_time: LeadTime, fee: Money | None) -> KnownOffer:
    return KnownOffer(number, supplier, Offer(offer_name(supplier, express=fee is not None), price, lead_time, fee))


def _told_apart(known: Sequence[KnownOffer]) -> tuple[KnownOffer, ...]:
    """Give a number to offers that would be called alike: as they are stored, or as they were sent."""
    names = [one.offer.supplier for one in known]
    told = []
    for place, (one, name) in enumerate(zip(known, names, strict=True), start=1):
        numbered = _("%(name)s, offer %(number)s") % {"name": name, "number": one.number or place}
        told.append(replace(one, offer=replace(one.offer, supplier=numbered)) if names.count(name) > 1 else one)
    return tuple(told)

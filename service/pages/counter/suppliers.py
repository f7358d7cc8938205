"""Suppliers, what they offer and what is on its way; forms to enter, correct or take away each of them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Final, Literal

from fastapi import Path, Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from models.base.errors import BadInput, Problem
from models.packs.family import PackFamily
from service.core.refusals import Conflict, Doubtful, Outdated
from service.core.translation import _
from service.exchange.exports.routes import export_table
from service.http.dependencies import CurrentStore, KnownFamilies
from service.pages.asking import money
from service.pages.bench.facts import Entry, as_text, faults_of, require_may
from service.pages.forms import NO_FAULTS, Faults, Form, PageWrite, SentForm, checked, once, page_router, with_the_rest
from service.pages.messages import Message
from service.pages.rendering import go_to, may, render, zone_of
from service.pages.sorting import in_order, sorting_of
from service.pages.undo import step, undo_form
from service.pages.wording import for_input, moment_from
from service.records.records import correct, create, etag_of, read, withdraw
from service.records.schemas import LARGEST_NUMBER
from service.records.stopped import vehicle_names
from service.records.subject import Subject
from service.records.subjects.costs import COSTS, HOUSE
from service.records.subjects.suppliers import DELIVERIES, OFFERS, SUPPLIERS
from service.records.writing import Done
from service.store.schema import Delivery, Offer, Supplier

MOST_SHOWN: Final = 100
"""Offers and orders on the page, the newest first; every one of them is in the export."""

OFFER_ORDERS: Final = {"id": True, "supplier_id": False, "family": False, "to_pay": False, "usual_days": False,
                       "valid_until": False}  # fmt: skip
"""Columns that offers are sorted by, and whether each begins with the highest; the usual one first."""

BY_WORD: Final[Mapping[str, Subject]] = {"supplier": SUPPLIERS, "offer": OFFERS, "delivery": DELIVERIES}
_WORDS: Final = frozenset({"id", "title", "pack_id", "supplier_id", "family", "currency"})
MOMENTS: Final = frozenset({"quoted_at", "valid_until", "ordered_at", "arrived_at"})

router = page_router()

Word = Annotated[Literal["supplier", "offer", "delivery"], Path()]
Key = Annotated[str, Path(max_length=64)]


@router.get("/parts/suppliers/{table}.csv", operation_id="page_supply_file")
def read_supply_file(table: Literal["offers", "deliveries"], store: CurrentStore, families: KnownFamilies) -> Response:
    """Send all offers or all orders as a file for a spreadsheet."""
    return export_table(table, store, families)


@dataclass(frozen=True)
class Field(Entry):
    """One field of a form; `moment` if it is a time."""

    moment: bool = False


@router.get("/parts/suppliers", operation_id="page_suppliers")
def show_suppliers(request: Request, store: CurrentStore) -> Response:
    """List suppliers, offers and orders."""
    sorting = sorting_of(request, "/parts/suppliers", OFFER_ORDERS, {})
    with store.reading() as session:
        suppliers = session.scalars(select(Supplier).order_by(Supplier.id).limit(MOST_SHOWN)).all()
        offers = session.scalars(select(Offer).order_by(Offer.id.desc()).limit(MOST_SHOWN)).all()
        open_orders = select(Delivery).where(Delivery.arrived_at.is_(None)).order_by(Delivery.ordered_at)
        came = select(Delivery).where(Delivery.arrived_at.is_not(None)).order_by(Delivery.ordered_at.desc())
        coming = session.scalars(open_orders.limit(MOST_SHOWN)).all()
        return render(
            request,
            "counter/suppliers.html",
            suppliers=suppliers,
            offers=in_order(offers, sorting, _sorted_by),
            sorting=sorting,
            coming=coming,
            vehicles=vehicle_names(session, [order.pack_id for order in coming if order.pack_id is not None]),
            came=session.scalars(came.limit(20)).all(),
            money=money,
            most=MOST_SHOWN,
            once=once(),
        )


def _sorted_by(offer: Offer, column: str) -> Any:
    return offer.price + (offer.express_fee or 0) if column == "to_pay" else getattr(offer, column)


def fields_of(word: str, session: Session, families: Mapping[str, PackFamily], row: Any) -> tuple[Field, ...]:
    """Return the fields of a form."""
    if word == "supplier":
        named = () if row is not None else (
            Field("id", _("Short name"), hint=_("Letters, digits, hyphen; as north-quay."), required=True, text=True),
        )  # fmt: skip
        return (*named, Field("title", _("Name on paper"), hint=_("The firm, no person."), text=True))
    names = session.scalars(select(Supplier.id).order_by(Supplier.id)).all()
    choose = ("", _("Choose one"))
    supplier = Field("supplier_id", _("Supplier"), options=(choose, *((n, n) for n in names)), required=True)
    kinds = tuple((name, name) for name in sorted(families))
    family = Field("family", _("Kind of pack"), options=(choose, *kinds), required=True)
    if word == "offer":
        return (
            supplier,
            family,
            Field("price", _("Price of the pack"), required=True),
            Field("currency", _("Currency"), hint=_("Three letters, as EUR."), required=True, text=True),
            Field(
                "express_fee",
                _("Express fee"),
                hint=_("Only for an express delivery, which is an offer of its own with its own days. It may be 0."),
            ),
            Field("usual_days", _("Usual days from order to arrival"), _("days"), required=True),
            Field("earliest_days", _("Earliest"), _("days")),
            Field("latest_days", _("Latest"), _("days"), _("If left empty, the usual days are taken as exact.")),
            Field("quoted_at", _("Quoted on"), required=True, moment=True),
            Field("valid_until", _("Valid until"), moment=True),
        )
    yes_no = (("false", _("Ordinary")), ("true", _("Express")))
    return (
        supplier,
        family,
        Field("express", _("Delivery"), options=yes_no, required=True),
        Field("pack_id", _("For the pack"), hint=_("Its number; empty if it goes on the shelf."), text=True),
        Field("ordered_at", _("Ordered"), required=True, moment=True),
        Field("arrived_at", _("Arrived"), hint=_("Leave it empty while it is on its way."), moment=True),
    )


def _titles() -> Mapping[str, tuple[str, str, str]]:
    return {
        "supplier": (_("Supplier"), _("A new supplier"), _("The supplier is recorded.")),
        "offer": (_("Offer"), _("A new offer"), _("The offer is recorded.")),
        "delivery": (_("Order"), _("A new order"), _("The order is recorded.")),
    }


def _form_page(
    request: Request,
    session: Session,
    families: Mapping[str, PackFamily],
    word: str,
    values: Mapping[str, str],
    faults: Faults = NO_FAULTS,
    row: Any = None,
) -> Response:
    verb = "correct" if row is not None else "create"
    return render(
        request,
        "counter/record.html",
        status=422 if faults else 200,
        title=_titles()[word][1] if row is None else _titles()[word][0],
        word=word,
        fields=fields_of(word, session, families, row),
        values=values,
        faults=faults,
        row=row,
        etag="" if row is None else etag_of(row),
        once=once(),
        may_write=may(request, f"{verb}_{BY_WORD[word].one}"),
        may_withdraw=row is not None and may(request, f"withdraw_{BY_WORD[word].one}"),
    )


@router.get("/parts/{word}/new", operation_id="page_new_supply")
def show_new(word: Word, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Ask for a supplier, an offer or an order."""
    now = for_input(request.app.state.clock(), zone_of(request))
    with store.reading() as session:
        house = session.get(COSTS.table, HOUSE)
        values = {"quoted_at": now, "ordered_at": now, "express": "false"}
        values["currency"] = "" if house is None else str(getattr(house, "currency"))  # noqa: B009
        values |= {name: text for name, text in request.query_params.items() if name in {"family", "supplier_id"}}
        return _form_page(request, session, families, word, values)


@router.get("/parts/{word}/{key}", operation_id="page_supply")
def show_one(word: Word, key: Key, request: Request, store: CurrentStore, families: KnownFamilies) -> Response:
    """Show one of them to be corrected or taken away."""
    with store.reading() as session:
        row: Any = read(session, BY_WORD[word], record_key(word, key))
        values = {}
        for one in fields_of(word, session, families, row):
            value = getattr(row, one.name)
            if one.moment:
                values[one.name] = "" if value is None else for_input(value, zone_of(request))
            else:
                values[one.name] = str(value).lower() if isinstance(value, bool) else as_text(value)
        return _form_page(request, session, families, word, values, row=row)


@router.post("/parts/{word}/new", operation_id="page_record_supply")
def record_new(
    word: Word, request: Request, form: SentForm, write: PageWrite, store: CurrentStore, families: KnownFamilies
) -> Response:
    """Record one of them."""
    subject = BY_WORD[word]
    require_may(request, "create", subject)
    try:
        new = checked(subject.new, _content(request, word, form))

        def work(session: Session) -> Done:
            row: Any = create(session, subject, new, families, write.writer)
            return _back(request, _titles()[word][2], [step(subject, row, "create")], row.id)

        return write(work)
    except (BadInput, Conflict, Doubtful) as error:

        def rest(session: Session, left: Form) -> None:
            create(session, subject, checked(subject.new, _content(request, word, left)), families, write.writer)

        if isinstance(error, BadInput):
            error = with_the_rest(error, form, store, rest)
        with store.reading() as session:
            return _form_page(request, session, families, word, form.values(), faults_of(error, form))


@router.post("/parts/{word}/{key}", operation_id="page_correct_supply")
def correct_one(
    word: Word,
    key: Key,
    request: Request,
    form: SentForm,
    write: PageWrite,
    store: CurrentStore,
    families: KnownFamilies,
) -> Response:
    """Correct one of them, or take it away."""
    subject, number = BY_WORD[word], record_key(word, key)
    verb: Literal["correct", "withdraw"] = "withdraw" if form.get("take_away") else "correct"
    require_may(request, verb, subject)

    def away(session: Session) -> Done:
        row: Any = read(session, subject, number)
        done = step(subject, row, "withdraw")
        withdraw(session, subject, number, families, write.writer, form.get("etag"))
        return _back(request, _("Removed. What it said before is kept."), [done], number)

    def change(session: Session) -> Done:
        content: dict[str, Any] = dict.fromkeys(subject.columns)
        wanted = checked(subject.change, content | _content(request, word, form))
        row: Any = correct(session, subject, number, wanted, families, write.writer, form.get("etag"))
        if etag_of(row) == form.get("etag"):
            return _back(request, _("Nothing was changed."), [], number)
        return _back(request, _("Corrected."), [step(subject, row, "correct")], number)

    try:
        return write(away if verb == "withdraw" else change)
    except (BadInput, Conflict, Doubtful, Outdated) as error:
        with store.reading() as session:
            row = read(session, subject, number)
            return _form_page(request, session, families, word, form.values(), faults_of(error, form), row)


def record_key(word: str, key: str) -> int | str:
    """Return the name or number in an address; 0, which no record has, for what is no number."""
    if BY_WORD[word].named:
        return key
    return int(key) if key.isdecimal() and int(key) <= LARGEST_NUMBER else 0


def _back(request: Request, said: str, steps: list[Any], key: int | str) -> Done:
    undo = undo_form(request, steps, "/parts/suppliers") if steps else None
    return Done(303, None, key, dict(go_to(request, "/parts/suppliers", Message(said, undo)).headers))


def _content(request: Request, word: str, form: Form) -> dict[str, Any]:
    values: dict[str, Any] = {}
    problems: list[Problem] = []
    for name in BY_WORD[word].new.model_fields:
        text = form.get(name)
        if not text:
            continue
        try:
            if name in MOMENTS:
                values[name] = moment_from(name, text, zone_of(request))
            else:
                values[name] = text if name in _WORDS else form.number_or_text(name)
        except BadInput as error:
            problems += error.problems
    if problems:
        raise BadInput(problems)
    return values

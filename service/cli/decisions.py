"""``tideover release``, ``orders`` and ``stock``."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from models.base import counts
from models.base.errors import BadInput
from models.base.percents import percent, risk_percent
from service.cli.asking import (
    AsJson,
    CapitalPerDay,
    Currency,
    DayOffRoad,
    Family,
    ReturnValue,
    Stranding,
    checked,
    pack_meant,
    print_lines,
    show,
    stated,
    store_now,
)
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import settings_here
from training.files.families import load_families

if TYPE_CHECKING:
    from service.decisions.ordering.schemas import Choice, OrdersAnswer, QueueAnswer
    from service.decisions.release.schemas import EarlyToLate, ReleaseAnswer
    from service.decisions.stock.schemas import StockAnswer

Risk = Annotated[
    float | None, typer.Option(help="Highest acceptable chance that the fault is back before the pack comes: 0.1.")
]


@plain_errors
def release(
    pack: Annotated[str | None, typer.Argument(help="A stored pack that is out on a top-up, or its vehicle.")] = None,
    case: Annotated[
        Path | None, typer.Option(help="Instead: a file as for POST /v1/release, or - for standard input.")
    ] = None,
    promised: Annotated[datetime | None, typer.Option(formats=["%Y-%m-%d"], help="Day it is promised for.")] = None,
    in_days: Annotated[int | None, typer.Option(help="Days until the replacement comes, taken as exact.")] = None,
    usual_days: Annotated[
        int | None, typer.Option(help="Days from order to arrival that the supplier calls usual.")
    ] = None,
    earliest_days: Annotated[int | None, typer.Option(help="The supplier's own bound.")] = None,
    latest_days: Annotated[int | None, typer.Option(help="The supplier's own bound.")] = None,
    waited_days: Annotated[int | None, typer.Option(help="Days since the order was placed.")] = None,
    km_per_day: Annotated[float | None, typer.Option(help="Usual distance a day.")] = None,
    as_json: AsJson = False,
) -> None:
    """Say how likely a pack holds until its replacement comes, and what to tell the owner. It gives no permission."""
    from service.cli.case_file import answered_here, read_case
    from service.decisions.release.answers import release_of_history, release_of_pack
    from service.decisions.release.schemas import ReleaseCase, ReleaseRequest

    lead_time = stated(
        usual_days=usual_days, earliest_days=earliest_days, latest_days=latest_days, waited_days=waited_days
    )
    arrival = stated(
        promised=None if promised is None else promised.date().isoformat(),
        in_days=in_days,
        lead_time=lead_time or None,
        km_per_day=km_per_day,
    )
    if (pack is None) == (case is None):
        raise BadInput.one("release", "It is not clear which pack is meant.", "Name a stored pack, or give --case.")
    if case is not None:
        asked_case = checked(ReleaseCase, **{**read_case(case), **arrival})
        given = answered_here(release_of_history, asked_case, asked_case.case)
    else:
        asked = checked(ReleaseRequest, **arrival)
        with store_now() as (session, now):
            families, meant = load_families(settings_here().own_families_dir), pack_meant(session, str(pack), now)
            given = release_of_pack(session, meant, asked, now, families)
    show(given, as_json, _print_release)


def _print_release(given: ReleaseAnswer) -> None:
    console = out()
    console.print(f"Pack {given.pack_id}, from {given.as_of.isoformat(sep=' ', timespec='minutes')}")
    console.print()
    for line in given.first:
        console.print(line)
    console.print(given.sentence)
    print_lines("Conditions", given.conditions, console)
    print_lines("What it rests on", given.basis, console)
    print_lines("Cautions", given.cautions, console)


@plain_errors
def orders(
    pack: Annotated[
        str | None, typer.Argument(help="A stored pack, or its vehicle; without it, all open cases.")
    ] = None,
    case: Annotated[
        Path | None, typer.Option(help="Instead: a file as for POST /v1/orders, or - for standard input.")
    ] = None,
    family: Family = None,
    risk: Risk = None,
    currency: Currency = None,
    stranding: Stranding = None,
    day_off_road: DayOffRoad = None,
    capital_per_day: CapitalPerDay = None,
    return_value: ReturnValue = None,
    as_json: AsJson = False,
) -> None:
    """Say when to order the pack and from whom; without a pack, which open cases need theirs first."""
    from service.cli.case_file import answered_here, read_case
    from service.decisions.ordering.answers import orders_of_history, orders_of_pack
    from service.decisions.ordering.queue import queue_of_cases
    from service.decisions.ordering.schemas import OrdersCase, OrdersRequest, QueueRequest

    costs = stated(
        currency=currency,
        stranding=stranding,
        day_off_road=day_off_road,
        capital_per_day=capital_per_day,
        return_value=return_value,
    )
    if case is not None and pack is None:
        content = read_case(case)
        before = content.get("costs") or {}
        merged = {**before, **costs} if isinstance(before, dict) else before
        asked_case = checked(OrdersCase, **{**content, "costs": merged, **stated(risk=risk)})
        show(answered_here(orders_of_history, asked_case, asked_case.case), as_json, _print_orders)
    elif case is not None:
        raise BadInput.one("orders", "It is not clear which pack is meant.", "Name a stored pack, or give --case.")
    elif pack is not None:
        asked = checked(OrdersRequest, risk=risk, costs=costs)
        with store_now() as (session, now):
            families, meant = load_families(settings_here().own_families_dir), pack_meant(session, pack, now)
            one = orders_of_pack(session, meant, asked, now, families)
        show(one, as_json, _print_orders)
    else:
        wanted = checked(QueueRequest, risk=risk, costs=costs, family=family)
        with store_now() as (session, now):
            queue = queue_of_cases(session, wanted, now, load_families(settings_here().own_families_dir))
        show(queue, as_json, _print_queue)


def _print_orders(given: OrdersAnswer) -> None:
    from models.decisions.money import Money

    console = out()
    console.print(f"Pack {given.pack_id} ({given.family}), from {given.as_of.isoformat(sep=' ', timespec='minutes')}")
    console.print()
    for line in given.first:
        console.print(line)
    if given.on_order is None:
        console.print(given.order.sentence)
        for reason in given.reasons:
            console.print(reason)
    else:
        console.print(given.on_order.basis)
    console.print()
    heads = ("supplier", "to pay", "days", "ordered today", "fault first", "cheapest", "on day", "latest day")
    table = Table(*heads, box=None, pad_edge=False)
    for offer in given.offers:
        table.add_row(
            offer.name,
            str(Money(offer.to_pay, given.currency)),
            _range(offer.lead_days),
            str(Money(offer.today_cost, given.currency)),
            risk_percent(offer.fault_first_today),
            str(Money(offer.best_cost, given.currency)),
            str(offer.best_day),
            "too late already" if offer.latest_day is None else str(offer.latest_day),
        )
    console.print(table)
    changed = [
        f"{change.cost} times {change.factor:g}: {change.cheapest.sentence}"
        for change in given.sensitivity
        if change.changed
    ]
    print_lines("If a cost were another", changed or ["Halving or doubling any one cost changes nothing."], console)
    print_lines(
        "If the forecast is wrong by its band", _band(given.if_it_holds_less, given.if_it_holds_longer), console
    )
    print_lines("What it rests on", [*given.basis, *given.left_out], console)
    print_lines("Cautions", given.cautions, console)


def _band(less: Choice, longer: Choice) -> list[str]:
    return [f"It holds less long: {less.sentence}", f"It holds longer: {longer.sentence}"]


def _range(days: EarlyToLate) -> str:
    early, middle, late = ("?" if value is None else f"{value:.0f}" for value in (days.early, days.middle, days.late))
    return f"{early} to {late}, half by {middle}"


def _print_queue(given: QueueAnswer) -> None:
    console = out()
    if not given.entries and not given.offers_lacking:
        console.print("No open case waits for an order.")
    print_lines("Offers are needed", [f"{one.what} {one.mend}" for one in given.offers_lacking], console)
    for place, entry in enumerate(given.entries, start=1):
        console.print(f"{place}. {entry.vehicle_id or entry.pack_id} ({entry.family}), {entry.offer_name}")
        # What stops a pack says in its reasons, and first, that another is to be ordered.
        for reason in entry.reasons if entry.needs_pack else [entry.last_day, *entry.reasons]:
            console.print(f"   {reason}")
    coming = [f"{case.vehicle_id or case.pack_id}: from {case.supplier}. {case.basis}" for case in given.on_order]
    print_lines("On order", coming, console)
    print_lines(
        "Not weighed", [f"{case.vehicle_id or case.pack_id}: {case.reason}" for case in given.left_out], console
    )
    print_lines("What it rests on", given.notes, console)
    print_lines("Cautions", given.cautions, console)


@plain_errors
def stock(
    family: Annotated[str, typer.Argument(help="Name of the pack family.")],
    on_shelf: Annotated[int, typer.Option(help="Packs on the shelf now: count them.")],
    offer: Annotated[int | None, typer.Option(help="Number of the offer that the shelf is filled from.")] = None,
    new_cases_per_day: Annotated[float | None, typer.Option(help="New cases a day; else as the record shows.")] = None,
    currency: Currency = None,
    day_off_road: DayOffRoad = None,
    capital_per_day: CapitalPerDay = None,
    as_json: AsJson = False,
) -> None:
    """Say how many packs of a family to hold until one ordered today would come."""
    from service.decisions.stock.answers import stock_of_family
    from service.decisions.stock.schemas import StockRequest
    from training.files.families import load_families

    costs = stated(currency=currency, day_off_road=day_off_road, capital_per_day=capital_per_day)
    asked = checked(StockRequest, on_shelf=on_shelf, offer_id=offer, new_cases_per_day=new_cases_per_day, costs=costs)
    families = load_families(settings_here().own_families_dir)
    with store_now() as (session, now):
        given = stock_of_family(session, family, asked, now, families)
    show(given, as_json, _print_stock)


def _print_stock(given: StockAnswer) -> None:
    from models.decisions.money import Money

    console = out()
    console.print(given.sentence)
    console.print(
        f"Open: {counts.cases(given.open_cases)}; {given.new_cases_per_day:.2g} new a day. "
        f"Packs wanted: {given.expected_demand:.1f} while one is on its way ({_range(given.lead_days)} days)."
    )
    console.print()
    table = Table("packs", "covers", "too few", "left over", "cost", box=None, pad_edge=False)
    for level in given.levels:
        mark = " <" if level.packs == given.hold else ""
        cost = str(Money(level.cost, given.currency))
        table.add_row(
            f"{level.packs}{mark}", percent(level.covers, 1), f"{level.shortage:.2f}", f"{level.surplus:.1f}", cost
        )
    console.print(table)
    print_lines("What it rests on", given.basis, console)
    print_lines("Cautions", given.cautions, console)

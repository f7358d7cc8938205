"""``tideover fleet``: ranking, plan, returns and age."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated
from zoneinfo import ZoneInfo

import typer
from rich.table import Table

from models.base import counts
from models.base.percents import level_percent, risk_percent
from service.cli.asking import (
    AsJson,
    CapitalPerDay,
    Currency,
    DayOffRoad,
    Duty,
    Family,
    PlannedWork,
    ReturnValue,
    ReturnWork,
    Site,
    Stranding,
    checked,
    print_lines,
    stated,
    store_now,
)
from service.cli.errors import FAILURE_STATUS, plain_errors
from service.cli.printing import echo, out, print_json
from service.cli.surroundings import settings_here

if TYPE_CHECKING:
    from datetime import datetime

    from service.decisions.fleet.schemas import Ranked

app = typer.Typer(no_args_is_help=True, help="Which packs to replace first, in which week, and how many will return.")

Pack = Annotated[float | None, typer.Option(help="Price of a pack; else of the cheapest offer that stands today.")]


@app.command()
@plain_errors
def ranking(
    family: Family = None,
    site: Site = None,
    duty: Duty = None,
    limit: Annotated[int | None, typer.Option(help="Vehicles to list: 50.")] = None,
    cursor: Annotated[str | None, typer.Option(help="Where the list before ended.")] = None,
    currency: Currency = None,
    planned_work: PlannedWork = None,
    return_work: ReturnWork = None,
    stranding: Stranding = None,
    capital_per_day: CapitalPerDay = None,
    as_json: AsJson = False,
) -> None:
    """Rank vehicles by the expected cost of waiting one more week, as last scored."""
    from models.decisions.money import Money
    from service.decisions.fleet.ranking import rank_fleet
    from service.decisions.fleet.schemas import RankingRequest
    from training.files.families import load_families

    asked = checked(
        RankingRequest,
        family=family,
        site=site,
        duty=duty,
        limit=limit,
        cursor=cursor,
        currency=currency,
        planned_work=planned_work,
        return_work=return_work,
        stranding=stranding,
        capital_per_day=capital_per_day,
    )
    families = load_families(settings_here().own_families_dir)
    with store_now() as (session, now):
        given = rank_fleet(session, asked, now, families)
    if as_json:
        typer.echo(given.model_dump_json())
        return
    console, zone = out(), ZoneInfo(settings_here().time_zone)
    for line in given.first:
        console.print(line)
    if given.scored_from is None:
        echo("Nothing has been scored here yet: `tideover fleet score` forecasts every pack that is out on a top-up.")
        print_lines("Cautions", given.cautions, console)
        return
    console.print(f"{counts.vehicles(given.vehicles)}; what another week's wait is expected to cost:")
    console.print()
    table = Table("vehicle", "family", "site", "a week's wait", "returns in it", "good until", box=None, pad_edge=False)
    for item in given.items:
        table.add_row(
            item.vehicle_id or item.pack_id,
            item.family,
            item.site or "",
            "not known" if item.week_cost is None else str(Money(item.week_cost, given.currency)),
            "not known" if item.week_return is None else risk_percent(item.week_return),
            until_words(item, now, zone),
        )
    console.print(table)
    if given.next_cursor is not None:
        console.print(f"More with --cursor {given.next_cursor}")
    print_lines("What it rests on", given.notes, console)
    print_lines("Cautions", given.cautions, console)


def until_words(item: Ranked, now: datetime, zone: ZoneInfo) -> str:
    """Say until when a vehicle is good, or why no day is named."""
    from service.forecasting.recheck.days import to_the_minute, unseen_words

    if item.grave:
        return "look first"
    if item.unread:
        return "read first"
    if item.unweighed:
        return "forecast again first"
    if item.good_until is not None:
        return to_the_minute(item.good_until.astimezone(zone))
    assert item.no_reading_since is not None
    return unseen_words(item.no_reading_since, now, item.no_reading_since.astimezone(zone).date().isoformat())


@app.command()
@plain_errors
def score(as_json: AsJson = False) -> None:
    """Forecast every pack of the store that is out on a top-up, as the nightly job does."""
    from service.cli.scoring import print_scoring, score_store
    from service.cli.surroundings import open_store_here
    from training.files.families import load_families

    settings = settings_here()
    with open_store_here(settings) as store:
        result = score_store(store, settings, load_families(settings.own_families_dir))
    if result is None:
        raise typer.Exit(FAILURE_STATUS)
    if as_json:
        print_json(result)
    else:
        print_scoring(result)


@app.command()
@plain_errors
def plan(
    slots: Annotated[list[int], typer.Option(help="Workshop slots a week; once for every week, or once with --weeks.")],
    weeks: Annotated[int, typer.Option(help="Weeks for which each number given counts.")] = 1,
    packs: Annotated[list[int] | None, typer.Option(help="Packs that arrive a week, in the same way.")] = None,
    budget: Annotated[float | None, typer.Option(help="For all packs of the plan together.")] = None,
    pack: Pack = None,
    family: Family = None,
    site: Site = None,
    duty: Duty = None,
    currency: Currency = None,
    planned_work: PlannedWork = None,
    return_work: ReturnWork = None,
    stranding: Stranding = None,
    capital_per_day: CapitalPerDay = None,
    return_value: ReturnValue = None,
    day_off_road: DayOffRoad = None,
    gap: Annotated[float | None, typer.Option(help="Share of the possible saving that may be missed: 0.01.")] = None,
    time_limit_s: Annotated[float | None, typer.Option(help="Solver time: 10 s.")] = None,
    as_json: AsJson = False,
) -> None:
    """Plan which pack to replace in which week under slots, packs and a budget."""
    from models.decisions.money import Money
    from service.decisions.fleet.planning import plan_of_fleet
    from service.decisions.fleet.schemas import PlanRequest
    from training.files.families import load_families

    costs = stated(
        currency=currency,
        planned_work=planned_work,
        return_work=return_work,
        stranding=stranding,
        capital_per_day=capital_per_day,
        return_value=return_value,
        day_off_road=day_off_road,
    )
    asked = checked(
        PlanRequest,
        slots=slots * weeks,
        packs=packs * weeks if packs else None,
        budget=budget,
        pack=pack,
        family=family,
        site=site,
        duty=duty,
        costs=costs,
        gap=gap,
        time_limit_s=time_limit_s,
    )
    families = load_families(settings_here().own_families_dir)
    with store_now() as (session, now):
        given = plan_of_fleet(session, asked, now, families)
    if as_json:
        typer.echo(given.model_dump_json())
        return
    console = out()
    for line in given.first:
        console.print(line)
    console.print(given.sentence)
    console.print()
    table = Table("week", "from", "vehicles", "one more slot saves", "returns expected", box=None, pad_edge=False)
    for week in given.weeks:
        table.add_row(
            str(week.week),
            week.starts_on.isoformat(),
            " ".join(one.vehicle_id or one.pack_id for one in week.planned) or "none",
            "not worked out" if week.slot_value is None else f"at most {Money(week.slot_value, given.currency)}",
            f"{week.mean:.1f} ({week.low} to {week.high})",
        )
    console.print(table)
    print_lines(
        "Without a week, and why", [f"{one.vehicle_id or one.pack_id}: {one.reason}" for one in given.left], console
    )
    print_lines("What it rests on", [*given.assumptions, *given.notes], console)
    print_lines("Cautions", given.cautions, console)


@app.command()
@plain_errors
def returns(
    weeks: Annotated[int | None, typer.Option(help="How many weeks: 8.")] = None,
    confidence: Annotated[float | None, typer.Option(help="Of the interval: 0.9.")] = None,
    family: Family = None,
    site: Site = None,
    duty: Duty = None,
    as_json: AsJson = False,
) -> None:
    """Count the returns to expect in each week if nothing is replaced before."""
    from service.decisions.fleet.planning import returns_of_fleet
    from service.decisions.fleet.schemas import ReturnsRequest
    from training.files.families import load_families

    asked = checked(ReturnsRequest, weeks=weeks, confidence=confidence, family=family, site=site, duty=duty)
    families = load_families(settings_here().own_families_dir)
    with store_now() as (session, now):
        given = returns_of_fleet(session, asked, now, families)
    if as_json:
        typer.echo(given.model_dump_json())
        return
    console = out()
    for line in given.first:
        console.print(line)
    console.print(given.sentence)
    console.print()
    table = Table(
        "week", "from", "expected", f"{level_percent(given.confidence)} of such weeks", box=None, pad_edge=False
    )
    for week in given.weeks:
        table.add_row(str(week.week), week.starts_on.isoformat(), f"{week.mean:.1f}", f"{week.low} to {week.high}")
    console.print(table)
    print_lines("What it rests on", given.assumptions, console)
    print_lines("Cautions", given.cautions, console)


@app.command()
@plain_errors
def age(
    family: Annotated[str, typer.Argument(help="Name of the pack family.")],
    pack: Pack = None,
    currency: Currency = None,
    planned_work: PlannedWork = None,
    return_work: ReturnWork = None,
    stranding: Stranding = None,
    as_json: AsJson = False,
) -> None:
    """Say on which day after a top-up to replace packs of a family, by the own record."""
    from service.decisions.fleet.by_age import age_of_family
    from service.decisions.fleet.schemas import AgeRequest
    from training.files.families import load_families

    costs = stated(currency=currency, planned_work=planned_work, return_work=return_work, stranding=stranding)
    families = load_families(settings_here().own_families_dir)
    with store_now() as (session, now):
        given = age_of_family(session, family, checked(AgeRequest, pack=pack, **costs), now, families)
    if as_json:
        typer.echo(given.model_dump_json())
        return
    console = out()
    console.print(given.sentence)
    print_lines("What it rests on", given.basis, console)
    print_lines("Cautions", given.cautions, console)

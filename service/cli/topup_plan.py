"""``tideover topup-plan``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import registry_here, settings_here
from training.files.families import load_families

if TYPE_CHECKING:
    from service.forecasting.topup_plan.schemas import TopUpPlanAnswer


@plain_errors
def topup_plan(
    case: Annotated[
        Path | None, typer.Argument(help="Case file (JSON, as for POST /v1/topup-plans), or - for standard input.")
    ] = None,
    data: Annotated[Path | None, typer.Option(help="Folder of tables, instead of a case file.")] = None,
    pack: Annotated[str | None, typer.Option(help="Which pack of the tables.")] = None,
    at: Annotated[str | None, typer.Option(help="Moment of the plan, as 2026-03-02T08:30:00+00:00.")] = None,
    block: Annotated[int | None, typer.Option(help="Block to charge, from 1; left out, the weakest.")] = None,
    ambient_c: Annotated[float | None, typer.Option(help="Temperature where the pack stands, °C.")] = None,
    km_per_day: Annotated[float | None, typer.Option(help="How far it will be driven a day after the charge.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print the answer of the REST service instead.")] = False,
) -> None:
    """Think a top-up through before it is made: cautions, how much, how, where to stop, what it buys."""
    from models.forecaster import Forecaster
    from service.cli.case_file import asked_of, for_question
    from service.forecasting.forecasts.cases import checked_case, require_unstopped
    from service.forecasting.topup_plan.answers import answer
    from service.forecasting.topup_plan.schemas import TopUpPlanCase

    settings = settings_here()
    families = load_families(settings.own_families_dir)
    content = asked_of("topup-plan", case, data, pack, families)
    options = {"at": at, "block": block, "ambient_c": ambient_c}
    content = {**content, **{name: value for name, value in options.items() if value is not None}}
    if km_per_day is not None:
        usage = content.get("usage")
        content["usage"] = {**(usage if isinstance(usage, dict) else {}), "km_per_day": km_per_day}
    asked = checked_case(TopUpPlanCase, for_question(TopUpPlanCase, content))
    require_unstopped(asked, families, charging=True, ambient_c=asked.ambient_c)
    model = registry_here(settings).load_current(Forecaster)
    given = answer(asked, model.model, families, threads=settings.threads)
    if as_json:
        typer.echo(given.model_dump_json())
    else:
        print_plan(given)


def print_plan(given: TopUpPlanAnswer) -> None:
    """Print a plan, its cautions first."""
    console = out()
    console.print(
        f"Top-up of pack {given.pack_id} ({given.family}), block {given.block}, "
        f"as of {given.at.isoformat(sep=' ', timespec='minutes')}"
    )
    lists = [
        ("Cautions", given.cautions),
        ("The plan", given.sentences),
        ("What speaks against it", [concern.text for concern in given.concerns]),
        ("Stop, whichever comes first", [rule.text for rule in given.charge.stop] if given.charge else []),
    ]
    for title, lines in lists:
        if lines:
            console.print(f"\n{title}")
            for line in lines:
                console.print(f"- {line}")
    if given.steps:
        table = Table("put in, Ah", "good for, days", "half back by day", "mean days held", "this step adds")
        for step in given.steps:
            table.add_row(
                f"{step.put_in_ah:.1f}",
                f"{step.good_for_days:.1f}",
                "beyond the horizon" if step.half_back_day is None else f"{step.half_back_day:.1f}",
                f"{step.mean_days:.1f}",
                "" if step.added_mean_days is None else f"{step.added_mean_days:.1f}",
            )
        console.print("\nWhat it buys")
        console.print(table)
    if given.comparison is not None:
        console.print(
            f"\nThe top-up of {given.comparison.topped_at.isoformat(sep=' ', timespec='minutes')}, looked back on"
        )
        for finding in given.comparison.findings:
            console.print(f"- {finding.text}")
    console.print("\nWhat this rests on")
    for line in given.basis:
        console.print(f"- {line}")

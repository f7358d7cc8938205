"""``tideover topup-plan``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer
from rich.table import Table

from service.cli.asking import AsJson, show
from service.cli.case_file import At, CaseFile, Data, KmPerDay, PackName, answered_here, asked_of, case_asked
from service.cli.errors import plain_errors
from service.cli.printing import out

if TYPE_CHECKING:
    from service.forecasting.topup_plan.schemas import TopUpPlanAnswer


@plain_errors
def topup_plan(
    case: CaseFile = None,
    data: Data = None,
    pack: PackName = None,
    at: At = None,
    block: Annotated[int | None, typer.Option(help="Block to charge, from 1; left out, the weakest.")] = None,
    ambient_c: Annotated[float | None, typer.Option(help="Temperature where the pack stands, °C.")] = None,
    km_per_day: KmPerDay = None,
    as_json: AsJson = False,
) -> None:
    """Think a top-up through before it is made: cautions, how much, how, where to stop, what it buys."""
    from service.forecasting.topup_plan.answers import answer
    from service.forecasting.topup_plan.schemas import TopUpPlanCase

    content = asked_of("topup-plan", case, data, pack)
    asked = case_asked(TopUpPlanCase, content, {"km_per_day": km_per_day}, at=at, block=block, ambient_c=ambient_c)
    show(answered_here(answer, asked, charging=True, ambient_c=asked.ambient_c), as_json, print_plan)


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

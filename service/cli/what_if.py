"""``tideover what-if`` and ``tideover recheck``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.table import Table

from models.base.percents import percent, risk_percent
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import registry_here, settings_here
from training.files.families import load_families

if TYPE_CHECKING:
    from pydantic import BaseModel

    from service.forecasting.recheck.schemas import ReadingRow, RecheckAnswer
    from service.forecasting.what_if.schemas import WhatIfAnswer

TOLD_DAYS = (7, 14, 30)
"""Days for which the shares still holding are printed."""

CaseFile = Annotated[
    Path | None, typer.Argument(help="Case file (JSON, as for the REST route), or - for standard input.")
]
Data = Annotated[Path | None, typer.Option(help="Folder of tables, instead of a case file.")]
PackName = Annotated[str | None, typer.Option(help="Which pack of the tables.")]
At = Annotated[str | None, typer.Option(help="Moment of the forecast, as 2026-03-02T08:30:00+00:00.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer of the REST service instead.")]


@plain_errors
def what_if(
    case: CaseFile = None, data: Data = None, pack: PackName = None, at: At = None, as_json: AsJson = False
) -> None:
    """Compare plans: less driven, cooler, later, topped up again, block or pack exchanged; or those of the case."""
    from models.forecaster import Forecaster
    from service.forecasting.forecasts.cases import checked_case, require_unstopped
    from service.forecasting.what_if import answers as what_if_answers
    from service.forecasting.what_if.schemas import WhatIfCase

    settings = settings_here()
    families = load_families(settings.own_families_dir)
    asked = checked_case(WhatIfCase, _content(WhatIfCase, "what-if", case, data, pack, families, at=at))
    require_unstopped(asked, families)
    model = registry_here(settings).load_current(Forecaster)
    given = what_if_answers.answer(asked, model.model, families, threads=settings.threads)
    if as_json:
        typer.echo(given.model_dump_json())
    else:
        _print_what_if(given)


@plain_errors
def recheck(
    case: CaseFile = None,
    data: Data = None,
    pack: PackName = None,
    at: At = None,
    risk: Annotated[float | None, typer.Option(help="Probability of a return not to be passed, as 0.1.")] = None,
    as_json: AsJson = False,
) -> None:
    """Say on which day another reading is worth most, and what it will mean."""
    from models.forecaster import Forecaster
    from service.forecasting.forecasts.cases import checked_case, require_unstopped
    from service.forecasting.recheck import answers as recheck_answers
    from service.forecasting.recheck.schemas import RecheckCase

    settings = settings_here()
    families = load_families(settings.own_families_dir)
    asked = checked_case(RecheckCase, _content(RecheckCase, "recheck", case, data, pack, families, at=at, risk=risk))
    require_unstopped(asked, families)
    model = registry_here(settings).load_current(Forecaster)
    given = recheck_answers.answer(asked, model.model, families, threads=settings.threads)
    if as_json:
        typer.echo(given.model_dump_json())
    else:
        _print_recheck(given)


def _content(
    kind: type[BaseModel],
    command: str,
    case: Path | None,
    data: Path | None,
    pack: str | None,
    families: Any,
    **options: Any,
) -> dict[str, Any]:
    from service.cli.case_file import asked_of, for_question

    content = for_question(kind, asked_of(command, case, data, pack, families))
    return content | {name: value for name, value in options.items() if value is not None}


def _print_what_if(given: WhatIfAnswer) -> None:
    console = out()
    console.print(
        f"Pack {given.pack_id} ({given.family}), from {given.origin.isoformat(sep=' ', timespec='minutes')}\n"
    )
    for line in given.first:
        console.print(line)
    for sentence in given.sentences:
        console.print(f"- {sentence}")
    table = Table("plan", *(f"hold day {day}" for day in TOLD_DAYS), "mean days", "gained", "nine in ten", "verdict")
    for one in given.plans:
        held = (percent(one.survival[given.days.index(day)]) for day in TOLD_DAYS)
        span = f"{one.gained_low:+.1f} to {one.gained_high:+.1f}"
        table.add_row(one.plan.name, *held, f"{one.mean_days:.1f}", f"{one.gained_days:+.1f}", span, one.verdict)
    console.print()
    console.print(table)
    console.print(f"Rests on {given.effective_packs:.0f} equally good simulated packs that explain the readings.")
    _print_end(given)


def _print_recheck(given: RecheckAnswer) -> None:
    console = out()
    console.print(
        f"Pack {given.pack_id} ({given.family}), from {given.origin.isoformat(sep=' ', timespec='minutes')}\n"
    )
    for line in given.first:
        console.print(line)
    for sentence in given.sentences:
        console.print(f"- {sentence}")
    if given.table:
        table = Table("below the median, mV", "so many read so", "good for, days", "back within 7", "within 14")
        for row in given.table:
            days = "do not drive on" if row.stop else f"{row.good_for_days:.1f}"
            table.add_row(
                _edges(row), percent(row.share), days, risk_percent(row.return_7), risk_percent(row.return_14)
            )
        console.print()
        console.print(table)
    _print_end(given)


def _edges(row: ReadingRow) -> str:
    low, high = (None if edge is None else f"{edge:g}" for edge in (row.low_mv, row.high_mv))
    if low is None:
        return "any" if high is None else f"under {high}"
    return f"over {low}" if high is None else f"{low} to {high}"


def _print_end(given: WhatIfAnswer | RecheckAnswer) -> None:
    console = out()
    for flag in given.flags:
        console.print(f"Note ({flag.code}): {flag.text}")
    console.print("\nCautions")
    for caution in given.cautions:
        console.print(f"- {caution}")
    console.print(f"\nModel {given.model_id}, inputs {given.inputs_digest}")

"""``tideover what-if`` and ``tideover recheck``."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer
from rich.console import Console
from rich.table import Table

from models.base.percents import percent, risk_percent
from service.cli.asking import AsJson, print_lines, show
from service.cli.case_file import At, CaseFile, Data, PackName, answered_here, asked_of, case_asked
from service.cli.errors import plain_errors
from service.cli.printing import out

if TYPE_CHECKING:
    from service.forecasting.recheck.schemas import ReadingRow, RecheckAnswer
    from service.forecasting.what_if.schemas import WhatIfAnswer

TOLD_DAYS = (7, 14, 30)
"""Days for which the shares still holding are printed."""


@plain_errors
def what_if(
    case: CaseFile = None, data: Data = None, pack: PackName = None, at: At = None, as_json: AsJson = False
) -> None:
    """Compare plans: less driven, cooler, later, topped up again, block or pack exchanged; or those of the case."""
    from service.forecasting.what_if.answers import answer
    from service.forecasting.what_if.schemas import WhatIfCase

    asked = case_asked(WhatIfCase, asked_of("what-if", case, data, pack), at=at)
    show(answered_here(answer, asked), as_json, _print_what_if)


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
    from service.forecasting.recheck.answers import answer
    from service.forecasting.recheck.schemas import RecheckCase

    asked = case_asked(RecheckCase, asked_of("recheck", case, data, pack), at=at, risk=risk)
    show(answered_here(answer, asked), as_json, _print_recheck)


def _print_what_if(given: WhatIfAnswer) -> None:
    console = _begun(given)
    table = Table("plan", *(f"hold day {day}" for day in TOLD_DAYS), "mean days", "gained", "nine in ten", "verdict")
    for one in given.plans:
        held = (percent(one.survival[given.days.index(day)]) for day in TOLD_DAYS)
        span = f"{one.gained_low:+.1f} to {one.gained_high:+.1f}"
        table.add_row(one.plan.name, *held, f"{one.mean_days:.1f}", f"{one.gained_days:+.1f}", span, one.verdict)
    if given.plans:
        console.print()
        console.print(table)
        console.print(f"Rests on {given.effective_packs:.0f} equally good simulated packs that explain the readings.")
    _print_end(given)


def _print_recheck(given: RecheckAnswer) -> None:
    console = _begun(given)
    if given.table:
        table = Table("below the median, mV", "so many read so", "good for, days", "back within 7", "within 14")
        for row in given.table:
            days = "do not drive on" if row.stop else f"{row.good_for_days:.1f}"
            table.add_row(_edges(row), percent(row.share), days, _returned(row.return_7), _returned(row.return_14))
        console.print()
        console.print(table)
    _print_end(given)


def _returned(chance: float | None) -> str:
    return "not known" if chance is None else risk_percent(chance)


def _edges(row: ReadingRow) -> str:
    low, high = (None if edge is None else f"{edge:g}" for edge in (row.low_mv, row.high_mv))
    if low is None:
        return "any" if high is None else f"under {high}"
    return f"over {low}" if high is None else f"{low} to {high}"


def _begun(given: WhatIfAnswer | RecheckAnswer) -> Console:
    console = out()
    console.print(
        f"Pack {given.pack_id} ({given.family}), from {given.origin.isoformat(sep=' ', timespec='minutes')}\n"
    )
    for line in given.first:
        console.print(line)
    for sentence in given.sentences:
        console.print(f"- {sentence}")
    return console


def _print_end(given: WhatIfAnswer | RecheckAnswer) -> None:
    console = out()
    for flag in given.flags:
        console.print(f"Note ({flag.code}): {flag.text}")
    print_lines("Cautions", given.cautions, console)
    console.print(f"\nModel {given.model_id}, inputs {given.inputs_digest}")

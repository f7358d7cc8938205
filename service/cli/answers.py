"""How a forecast looks on the terminal: three lines that lead, then sentences, the curve and the figures."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table

from models.base.day_grid import DAYS
from models.base.percents import level_percent, percent
from service.cli.printing import out
from service.forecasting.forecasts.schemas import ForecastAnswer, ForecastExplanation
from service.forecasting.forecasts.sentences import look_first, main_promise, promised

BAR_CELLS = 40
CURVE_DAYS = (1, 3, 5, 7, 10, 14, 21, 30, 42, 60, 90)
"""Days drawn on the terminal: near ones closely, as most returns are early. All of them lie on the day grid."""


def print_answer(answer: ForecastAnswer) -> None:
    """Print a forecast, always with its cautions: before the figures where something is grave, else after them."""
    console = out()
    console.print(
        f"Pack {answer.pack_id} ({answer.family}), from {answer.origin.isoformat(sep=' ', timespec='minutes')}"
    )
    grave = any(flag.grave for flag in answer.flags)
    console.print()
    for line in answer.lead:
        console.print(line)
    if grave:
        _print_flags(console, answer, grave=True)
        _print_cautions(console, answer)
    console.print()
    led = look_first(answer.flags)  # told above
    for sentence in answer.sentences:
        if sentence not in led:
            console.print(sentence)
    console.print()
    if answer.withheld_by:
        console.print("No day and no chance is told before that is seen to.")
    else:
        _print_figures(console, answer)
    if answer.kinds and "no-load-reading" not in {flag.code for flag in answer.flags}:
        kinds = sorted(answer.kinds.items(), key=lambda item: -item[1])
        console.print("Kind of weakness: " + ", ".join(f"{kind} {percent(probability)}" for kind, probability in kinds))
    _print_flags(console, answer, grave=False)
    if not grave:
        _print_cautions(console, answer)
    if answer.explanation is not None:
        _print_explanation(console, answer.explanation)
    console.print()
    console.print(f"Model {answer.model_id}, inputs {answer.inputs_digest}")


def _print_figures(console: Console, answer: ForecastAnswer) -> None:
    for line in curve_lines(answer):
        console.print(line)
    console.print()
    console.print(_figures(answer))
    console.print(main_promise(answer).guarantee)


def _print_flags(console: Console, answer: ForecastAnswer, *, grave: bool) -> None:
    chosen = [flag for flag in answer.flags if flag.grave == grave]
    for flag in chosen[1:] if grave else chosen:  # the first grave one leads already
        console.print(f"{'Also' if grave else 'Note'} ({flag.code}): {flag.text}")


def _print_cautions(console: Console, answer: ForecastAnswer) -> None:
    console.print()
    console.print("Cautions")
    for caution in answer.cautions:
        console.print(f"- {caution}")


def _print_explanation(console: Console, explanation: ForecastExplanation) -> None:
    parts = {
        "How the block stands": [] if explanation.block_state is None else [explanation.block_state.sentence],
        "What moves it": explanation.sentences,
        "What to measure or note next": explanation.to_measure,
        "Past packs most like it": [pack.sentence for pack in explanation.similar],
    }
    for title, sentences in parts.items():
        if sentences:
            console.print()
            console.print(title)
        for sentence in sentences:
            console.print(f"- {sentence}")


def curve_lines(answer: ForecastAnswer) -> list[str]:
    """Draw the hold curve as text, one line a day: bar, share that holds, and what the model is unsure between."""
    lines = ["day   share still holding"]
    for day in CURVE_DAYS:
        i = int(DAYS.searchsorted(day))
        share, low, high = answer.survival[i], answer.band_low[i], answer.band_high[i]
        bar = "█" * round(share * BAR_CELLS)
        lines.append(f"{day:3d}   {bar:<{BAR_CELLS}} {percent(share):>4}  ({percent(low)} to {percent(high)})")
    return lines


def _figures(answer: ForecastAnswer) -> Table:
    table = Table("figure", "days", box=None, show_header=False, pad_edge=False)
    for promise in answer.good_for:
        table.add_row(f"good for, at {level_percent(promise.confidence)}", promised(promise.days or 0.0))
    for point in answer.return_days:
        table.add_row(
            f"{level_percent(point.returned)} are back by day",
            f"beyond {answer.horizon_days:g}" if point.day is None else f"{point.day:.1f}",
        )
    table.add_row(f"mean days held, none counted beyond {answer.horizon_days:g}", f"{answer.restricted_mean_days:.1f}")
    return table

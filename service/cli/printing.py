"""The terminal, and how errors look on it."""

from __future__ import annotations

import sys
from collections.abc import Iterable

from rich.console import Console

from models.base.errors import Problem
from service.core.stops import ToldStops

PIPE_WIDTH = 200
"""Columns for tables that go to a file or a pipe, so that no cell is broken."""


def out() -> Console:
    """Return a console for answers: colourless, and never breaking a line when written to a file or a pipe."""
    terminal = sys.stdout.isatty()
    width = None if terminal else PIPE_WIDTH
    return Console(file=sys.stdout, highlight=False, markup=False, soft_wrap=not terminal, width=width, no_color=True)


def print_stops(told: ToldStops) -> None:
    """Print what ends the job, before anything else, with its cautions; no figure."""
    console = out()
    for line in told.lines():
        console.print(line)
    console.print("\nCautions")
    for caution in told.cautions:
        console.print(f"- {caution}")


def print_problems(problems: Iterable[Problem]) -> None:
    """Print where, what and how to mend it, for each fault, to standard error."""
    console = Console(stderr=True, highlight=False, markup=False, soft_wrap=True)
    for problem in problems:
        console.print(f"where: {problem.where}")
        console.print(f"what:  {problem.what}")
        console.print(f"mend:  {problem.mend}")

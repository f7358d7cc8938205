"""The terminal, and how errors look on it."""

from __future__ import annotations

import json
import sys
import unicodedata
from collections.abc import Iterable
from typing import Annotated, Any, Final

import typer
from rich.console import Console
from rich.text import Text

from models.base.errors import Problem
from service.core.stops import ToldStops

PIPE_WIDTH = 200
"""Columns for tables that go to a file or a pipe, so that no cell is broken."""

BIDIRECTIONAL: Final = frozenset("\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Bidi_Control of the Unicode Character Database."""


class PlainConsole(Console):
    """A console on which a text of anybody's is letters only, and moves no cursor."""

    def render_str(self, text: str, **options: Any) -> Text:
        """Render a text."""
        return super().render_str(plain(text), **options)


def plain(text: str) -> str:
    """Return a text in which no sign steers a terminal, or turns round the order in which it is read.

    Those are the control characters of ISO/IEC 6429 and the bidirectional controls of Unicode Standard Annex 9; each
    becomes the replacement character. Line breaks and tabs stay.
    """
    return "".join("\ufffd" if _steers(sign) else sign for sign in text)


def _steers(sign: str) -> bool:
    return sign not in "\n\t" and (unicodedata.category(sign) == "Cc" or sign in BIDIRECTIONAL)


def echo(text: str, *, err: bool = False, nl: bool = True) -> None:
    """Write a text to the terminal or, with `err`, to standard error, without what would steer it."""
    typer.echo(plain(text), err=err, nl=nl)


AsJson = Annotated[bool, typer.Option("--json", help="Print it as JSON, for programs.")]


def print_json(value: Any) -> None:
    """Print plain values for programs: times as RFC 3339, paths as text."""
    typer.echo(json.dumps(value, ensure_ascii=False, default=lambda one: getattr(one, "isoformat", one.__str__)()))


def out() -> Console:
    """Return a console for answers: colourless, and never breaking a line when written to a file or a pipe."""
    terminal = sys.stdout.isatty()
    width = None if terminal else PIPE_WIDTH
    return PlainConsole(
        file=sys.stdout, highlight=False, markup=False, soft_wrap=not terminal, width=width, no_color=True
    )


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
    console = PlainConsole(stderr=True, highlight=False, markup=False, soft_wrap=True)
    for problem in problems:
        console.print(f"where: {problem.where}")
        console.print(f"what:  {problem.what}")
        console.print(f"mend:  {problem.mend}")

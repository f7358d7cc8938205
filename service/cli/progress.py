"""Progress of long work, on standard error: a bar on a terminal, a few plain lines elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

Report = Callable[[int, int], None]
LINES = 4
"""Plain lines written for one piece of work that is not on a terminal."""


@contextmanager
def shown(what: str) -> Iterator[Report]:
    """Show a piece of work while the block runs.

    Parameters
    ----------
    what : str
        What is being done, as in ``Simulating packs``.

    Yields
    ------
    callable taking (done, total)
    """
    console = Console(stderr=True, highlight=False, markup=False)
    if console.is_terminal:
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        with Progress(*columns, console=console) as bar:
            task = bar.add_task(what, total=None)
            yield lambda done, total: bar.update(task, completed=done, total=total)
        return
    console.print(f"{what} ...", soft_wrap=True)
    told = 0

    def report(done: int, total: int) -> None:
        nonlocal told
        if (reached := done * LINES // max(total, 1)) > told:
            told = reached
            console.print(f"{what}: {done} of {total}", soft_wrap=True)

    yield report

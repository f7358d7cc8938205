"""Progress of long work, on standard error: a bar on a terminal, a few plain lines elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from service.cli.printing import PlainConsole

Report = Callable[..., None]
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
    callable taking done, total and, if the work has steps, the name of the present one
    """
    console = PlainConsole(stderr=True, highlight=False, markup=False)
    if console.is_terminal:
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
        with Progress(*columns, console=console) as bar:
            task = bar.add_task(what, total=None)

            def update(done: int, total: int, step: str = "") -> None:
                bar.update(task, completed=done, total=total, description=_named(what, step))

            yield update
        return
    console.print(f"{what} ...", soft_wrap=True)
    told = 0

    def report(done: int, total: int, step: str = "") -> None:
        nonlocal told
        if step and done < total:
            console.print(f"{_named(what, step)} ({done} of {total} steps done)", soft_wrap=True)
        elif (reached := done * LINES // max(total, 1)) > told:
            told = reached
            console.print(f"{what}: {done} of {total}", soft_wrap=True)

    yield report


def _named(what: str, step: str) -> str:
    return f"{what}: {step}" if step else what

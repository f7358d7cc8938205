"""``tideover worker``."""

from __future__ import annotations

import signal
from datetime import UTC, datetime
from typing import Annotated

import typer

from service.cli.errors import plain_errors
from service.cli.printing import echo
from service.cli.surroundings import open_store_here, settings_here
from training.files.families import LiveFamilies


@plain_errors
def worker(
    once: Annotated[bool, typer.Option(help="Stop when no job is waiting.")] = False,
) -> None:
    """Do the jobs that were started over REST, one after the other; several workers may run side by side."""
    from service.core.logs import make_log
    from service.jobs.queue import require_same_clock
    from service.jobs.worker import Worker

    settings = settings_here()
    with open_store_here(settings) as store:
        require_same_clock(store, datetime.now(UTC))
        hands = Worker(
            store,
            settings,
            LiveFamilies(settings.own_families_dir),
            lambda: datetime.now(UTC),
            make_log(settings.log_level),
            echo,
        )
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: hands.stop.set())
        echo("Waiting for jobs. Stop with Ctrl-C: the job in hand goes back into the queue.")
        hands.run(once=once)

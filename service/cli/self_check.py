"""``tideover self-check``."""

from __future__ import annotations

from datetime import UTC, datetime

import typer

from service.cli.errors import FAILURE_STATUS, plain_errors
from service.cli.printing import AsJson, out, print_json
from service.cli.surroundings import open_store_here, registry_here, settings_here
from training.files.families import load_families


@plain_errors
def self_check(as_json: AsJson = False) -> None:
    """Forecast frozen cases again, look at the alarm and at drift; status 1 if a frozen case comes out otherwise."""
    from models.forecaster import Forecaster
    from service.jobs.self_checks import checked_now, keep_check

    settings = settings_here()
    model = registry_here(settings).load_current(Forecaster)
    families, now = load_families(settings.own_families_dir), datetime.now(UTC)
    with open_store_here(settings) as store:
        with store.reading() as session:
            found = checked_now(session, model, families, now, threads=settings.threads)
        with store.writing() as session:
            keep_check(session, found, "command line", now)
    if as_json:
        print_json(found)
    for sentence in () if as_json else found["sentences"]:
        out().print(sentence)
    if not found["sound"]:
        raise typer.Exit(FAILURE_STATUS)

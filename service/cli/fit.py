"""``tideover fit``: another pack in a vehicle."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from service.cli.asking import AsJson, checked, moment_of, print_lines
from service.cli.errors import plain_errors
from service.cli.printing import out
from service.cli.surroundings import COMMAND_LINE, open_store_here, settings_here


@plain_errors
def fit(
    vehicle: Annotated[str, typer.Argument(help="The vehicle's number.")],
    pack: Annotated[str, typer.Argument(help="The pack that goes in; recorded if it is not known yet.")],
    family: Annotated[str | None, typer.Option(help="Its family, where it is not known yet.")] = None,
    age_years: Annotated[float | None, typer.Option(help="Its age, where it is not known yet; 0 if new.")] = None,
    odometer_km: Annotated[float | None, typer.Option(help="Of the vehicle, at the change.")] = None,
    at: Annotated[str | None, typer.Option(help="When, as 2026-03-02T08:30:00Z; now if left out.")] = None,
    returned: Annotated[bool, typer.Option("--returned", help="The fault of the old pack had come back.")] = False,
    sure: Annotated[str, typer.Option(help="That what was asked back is right: the word that was told.")] = "",
    as_json: AsJson = False,
) -> None:
    """Put another pack into a vehicle: the old one comes out and keeps its history, an open case of it is closed."""
    from models.packs.cautions import Chemistry
    from service.core.cautions import at_the_pack
    from service.records.refitting.refit import refit
    from service.records.refitting.schemas import Refit
    from service.records.versions import Writer
    from service.store.schema import AuditEntry
    from training.files.families import load_families

    moment = None if at is None else moment_of("--at", at)
    asked = checked(
        Refit,
        pack_id=pack,
        family=family,
        age_years=age_years,
        odometer_km=odometer_km,
        at=moment,
        old_became="returned" if returned else None,
    )
    families = load_families(settings_here().own_families_dir)
    with open_store_here(settings_here()) as store, store.writing() as session:
        writer = Writer(COMMAND_LINE, datetime.now(UTC), sure)
        told, _changes = refit(session, vehicle, asked, families, writer)
        session.add(AuditEntry(at=writer.at, by=writer.by, action="fit_pack", record_id=str(told.assignment_id)))
    if as_json:
        typer.echo(told.model_dump_json())
        return
    for line in told.said:
        out().print(line)
    chemistry: Chemistry | None = families[asked.family].chemistry if asked.family in families else None
    print_lines("Cautions", at_the_pack(chemistry))

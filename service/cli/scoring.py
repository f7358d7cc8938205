"""Scoring of all open cases of the store from the command line, as the nightly job does it."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from models.base import counts
from service.cli.printing import echo
from service.cli.surroundings import COMMAND_LINE, registry_here

if TYPE_CHECKING:
    from models.packs.family import PackFamily
    from service.core.settings import Settings
    from service.store.opening import Store


def score_store(store: Store, settings: Settings, families: Mapping[str, PackFamily]) -> dict[str, Any] | None:
    """Do what the scoring job does; None where there is no model yet."""
    from service.jobs.work import Task, score

    if registry_here(settings).current_id() is None:
        echo("There is no model yet, so nothing is forecast: `tideover train` makes one.", err=True)
        return None
    results: list[dict[str, Any]] = []
    score(
        Task(
            store=store,
            settings=settings,
            families=families,
            arguments={},
            by=COMMAND_LINE,
            now=lambda: datetime.now(UTC),
            tell=lambda done, total, doing: echo(f"{doing[:1].upper()}{doing[1:]} ({done} of {total} packs)", err=True),
            finish=lambda _, result: results.append(dict(result)),
        )
    )
    return results[0]


def print_scoring(result: Mapping[str, Any]) -> None:
    """Print how many open cases have a forecast now, and which have none and why."""
    echo(f"{counts.forecasts(result['forecasts'])} made; of those before {result['standing']} still count.")
    for one in result["left_out"]:
        echo(f"No forecast for {one['pack_id']}: {one['reason']}")

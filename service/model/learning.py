"""Learning a model from a record and storing it: the one path behind every command that trains."""

from __future__ import annotations

from datetime import datetime

import pandas as pd

from models.tables import HistoryTables
from models.threads import thread_limit
from training.fitting import FitSettings, Further, Progress, Trained, train_forecaster
from training.registry import Manifest, ModelRegistry
from training.report import CalibrationReport
from training.report.inputs import Origin

_ORIGIN_WORDS: dict[Origin, str] = {
    "simulation": "simulated packs, all invented; its figures speak of the simulation until real outcomes are known",
    "shop": "a workshop's own record",
}


def learn(
    registry: ModelRegistry,
    tables: HistoryTables,
    *,
    created: datetime,
    trained_on: Origin,
    truth: pd.DataFrame | None = None,
    further: Further | None = None,
    settings: FitSettings | None = None,
    threads: int = 1,
    progress: Progress | None = None,
) -> Manifest:
    """Fit a forecaster, store it with its report, and let it answer from now on.

    Parameters
    ----------
    registry : ModelRegistry
    tables : HistoryTables
    created : datetime
        Now, with offset.
    trained_on : {"simulation", "shop"}
    truth : DataFrame, optional
        What only a simulation knows; it teaches the kinds of weakness.
    further : Further, optional
        More packs for recalibration and bound alone.
    settings : FitSettings, optional
    threads : int
        Of the numerical libraries.
    progress : callable, optional
        As for `training.fitting.train_forecaster`.

    Raises
    ------
    BadInput
        The record holds too few returned faults.
    """
    settings = settings or FitSettings()
    with thread_limit(threads):
        trained = train_forecaster(
            tables,
            truth=truth,
            further=further,
            settings=settings,
            trained_on=trained_on,
            made_at=created.isoformat(timespec="minutes"),
            progress=progress,
        )
    return store_trained(registry, trained, families=tuple(sorted(tables.packs["family"].unique())), created=created)


def store_trained(
    registry: ModelRegistry, trained: Trained, *, families: tuple[str, ...], created: datetime
) -> Manifest:
    """Store a trained forecaster with its report and card, and let it answer from now on."""
    facts = trained.facts
    model_id = trained.forecaster.model_id
    origin: Origin = facts["trained_on"]
    manifest = registry.save(
        trained.forecaster,
        model_id=model_id,
        report=trained.report.model_dump(mode="json"),
        data_digest=facts["data_digest"],
        seed=facts["seed"],
        scores=_scores(trained.report),
        created=created,
        families=families,
        facts={name: value for name, value in facts.items() if name not in ("data_digest", "seed", "grid_version")},
        card=(
            "Forecasts how long a topped-up high-voltage pack holds before its imbalance fault is confirmed again. "
            f"It learned from {facts['packs']} packs ({facts['returns']} moments followed by a return) of "
            f"{_ORIGIN_WORDS[origin]}."
        ),
    )
    registry.promote(model_id, created)
    return manifest


def _scores(report: CalibrationReport) -> dict[str, float | None]:
    scores: dict[str, float | None] = {"integrated Brier score": report.whole.score.score}
    scores |= {f"integrated Brier score of {part.name}": part.score.score for part in report.whole.comparisons}
    scores["Uno's C"] = None if report.uno is None else report.uno.index
    scores["Harrell's C"] = None if report.harrell is None else report.harrell.index
    scores |= {f"coverage of the {bound.promised:.0%} bound": bound.held for bound in report.whole.bounds}
    return scores

"""Learning a model and storing it, and who answers: the comparison decides, unless there is nothing to compare."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

import pandas as pd

from models.base.errors import BadInput
from models.base.percents import level_percent
from models.base.threads import thread_limit
from models.forecaster import Forecaster
from models.packs.tables import HistoryTables
from training.learning.fitting import FitSettings, Further, Progress, Trained, train_forecaster
from training.learning.own_records import BEFORE, CURRENT, LEARNED, learn_from_records, report_of
from training.learning.promotion import Judgement, compare, judge, later_than
from training.learning.strange_kinds import Strangers
from training.registry import Manifest, ModelRegistry
from training.report import CalibrationReport, read_report
from training.report.inputs import Origin
from training.simulation.bank import KeptPacks
from training.simulation.cohort import Cohort

_ORIGIN_WORDS: dict[Origin, str] = {
    "simulation": "simulated packs, all invented; its figures speak of the simulation until real outcomes are known",
    "shop": "a workshop's own record",
    "both": "a workshop's own record, starting from a model of simulated packs",
}


def learn(
    registry: ModelRegistry,
    tables: HistoryTables,
    *,
    created: datetime,
    truth: pd.DataFrame | None = None,
    further: Further | None = None,
    bank: KeptPacks | None = None,
    elsewhere: Cohort | None = None,
    strangers: Strangers = (),
    settings: FitSettings | None = None,
    threads: int = 1,
    trial: HistoryTables | None = None,
    progress: Progress | None = None,
) -> Manifest:
    """Fit a forecaster on simulated packs, store it with its report, and let it answer from now on if it is no worse.

    Parameters
    ----------
    created : datetime
        Now, with offset.
    truth : DataFrame, optional
        What only a simulation knows; it teaches the kinds of weakness.
    further : Further, optional
        More packs for recalibration and bound alone.
    bank : mapping, optional
        Simulated packs to run forward under other plans.
    elsewhere : Cohort, optional
        Packs of simulated worlds that nothing else is from, for the report.
    strangers : sequence of pairs of Cohort
        As for `training.learning.fitting.train_forecaster`.
    threads : int
        Of the numerical libraries.
    trial : HistoryTables, optional
        Packs that neither this model nor the current one has seen: the model answers only if it is no worse on them.
        Without them it answers in any case.
    progress : callable, optional
        As for `training.learning.fitting.train_forecaster`.

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
            bank=bank,
            elsewhere=elsewhere,
            strangers=strangers,
            settings=settings,
            made_at=created.isoformat(timespec="minutes"),
            progress=progress,
        )
    families = tuple(sorted(tables.packs["family"].unique()))
    if trial is None:
        return store_trained(registry, trained, families=families, created=created)
    manifest = _store(registry, trained.forecaster, trained.report, trained.facts, families, created)
    with thread_limit(threads):
        current = registry.load_current(Forecaster)
        judgement = compare(trained.forecaster, current.model, trial, created)
    if judgement.verdict == "no worse":
        registry.promote(manifest.model_id, created, judgement.sentence())
    return manifest


def learn_from_record(
    registry: ModelRegistry,
    record: HistoryTables,
    *,
    at: datetime,
    sisters: HistoryTables | None = None,
    seed: int = 0,
    threads: int = 1,
    progress: Progress | None = None,
) -> tuple[Manifest, Judgement | None]:
    """Learn from a workshop's own record, store the model, and let it answer unless the record shows it to be worse.

    Parameters
    ----------
    registry : ModelRegistry
        Its current model is trained on simulated packs, or has learned from one that is and is still there: an own
        record is always learned from anew, never twice.
    at : datetime
        Now, with offset.
    sisters : HistoryTables, optional
        As for `training.learning.own_records.learn_from_records`.
    seed : int
        Of the choice of moments.

    Returns
    -------
    manifest : Manifest
        Of the new model, or of the one it starts from if nothing can be learned yet.
    judgement : Judgement or None
        None if nothing was learned.

    Raises
    ------
    ModelRefused
        There is no current model that may be used.
    BadInput
        The model it learned from is gone, or does not know how much workshops differ.
    """
    current = registry.load_current(Forecaster)
    base_id = current.manifest.facts.get("base_model", current.manifest.model_id)
    base = current if base_id == current.manifest.model_id else registry.load(base_id, Forecaster)
    if not any(_teaches(tables) for tables in (record, sisters) if tables is not None):
        return base.manifest, None

    since = current.manifest.facts.get("learned_until")
    with thread_limit(threads):
        learned = learn_from_records(
            base.model,
            record,
            at,
            sisters=sisters,
            current=None if current is base else current.model,
            seed=seed,
            progress=progress,
        )
    if learned.forecaster is base.model:
        return base.manifest, None
    report = report_of(learned, read_report(base.report), at.isoformat(timespec="minutes"))
    known = tuple(sorted({*base.manifest.families, *record.packs["family"].unique()}))
    manifest = _store(registry, learned.forecaster, report, learned.facts, known, at)
    tested = later_than(learned.back_test, None if since is None else datetime.fromisoformat(since))
    judgement = judge(tested, LEARNED, BEFORE if current is base else CURRENT)
    if judgement.verdict != "worse":
        registry.promote(manifest.model_id, at, judgement.sentence())
    return manifest, judgement


def _teaches(record: HistoryTables) -> bool:
    return bool((record.outcomes["kind"] == "returned").any() or record.outcomes["found"].notna().any())


def promote_on_record(
    registry: ModelRegistry, model_id: str, at: datetime, record: HistoryTables | None, reason: str | None
) -> Judgement | None:
    """Let a model answer from now on: if it is no worse on a record, or for a reason that is kept in the history.

    Returns
    -------
    Judgement or None
        None where there was nothing to compare with, or a reason was given.

    Raises
    ------
    BadInput
        It is not shown to be no worse; nothing was changed.
    """
    registry.manifest(model_id)
    current = registry.current_id()
    if reason is not None:
        registry.promote(model_id, at, f"forced: {reason}")
        return None
    if current is None or current == model_id:
        registry.promote(model_id, at, "the first one")
        return None
    if record is None:
        raise BadInput.one(
            "promote",
            f"nothing says that {model_id} is no worse than {current}.",
            "Name a record to compare them on with --from or --from-store, or give a reason with --force.",
        )
    judgement = compare_stored(registry, model_id, current, record, at)
    if judgement.verdict != "no worse":
        raise BadInput.one(
            "promote", judgement.sentence(), "Keep the current model, or give a reason with --force; it is recorded."
        )
    registry.promote(model_id, at, judgement.sentence())
    return judgement


def compare_stored(
    registry: ModelRegistry, challenger: str, current: str, record: HistoryTables, at: datetime
) -> Judgement:
    """Judge a stored model against another on the moments of a record that neither has learned from."""
    one, other = registry.load(challenger, Forecaster), registry.load(current, Forecaster)
    learned = [m.manifest.facts["learned_until"] for m in (one, other) if "learned_until" in m.manifest.facts]
    since = max(map(datetime.fromisoformat, learned)) if learned else None
    return compare(one.model, other.model, record, at, since=since)


def store_trained(
    registry: ModelRegistry, trained: Trained, *, families: tuple[str, ...], created: datetime
) -> Manifest:
    """Store a trained forecaster with its report and card, and let it answer from now on."""
    manifest = _store(registry, trained.forecaster, trained.report, trained.facts, families, created)
    registry.promote(manifest.model_id, created, "trained anew, without comparison")
    return manifest


def _store(
    registry: ModelRegistry,
    forecaster: Forecaster,
    report: CalibrationReport,
    facts: Mapping[str, Any],
    families: tuple[str, ...],
    created: datetime,
) -> Manifest:
    origin: Origin = facts["trained_on"]
    return registry.save(
        forecaster,
        model_id=forecaster.model_id,
        report=report.model_dump(mode="json"),
        data_digest=facts["data_digest"],
        seed=facts["seed"],
        scores=_scores(report),
        created=created,
        families=families,
        facts={name: value for name, value in facts.items() if name not in ("data_digest", "seed", "grid_version")},
        card=(
            "Forecasts how long a topped-up high-voltage pack holds before its imbalance fault is confirmed again. "
            f"It learned from {facts['packs']:,} packs ({facts['returns']:,} moments followed by a return) of "
            f"{_ORIGIN_WORDS[origin]}. {report.origin_sentence}"
        ),
    )


def _scores(report: CalibrationReport) -> dict[str, float | None]:
    scores: dict[str, float | None] = {"integrated Brier score": report.whole.score.score}
    scores |= {f"integrated Brier score of {part.name}": part.score.score for part in report.whole.comparisons}
    scores["Uno's C"] = None if report.uno is None else report.uno.index
    scores["Harrell's C"] = None if report.harrell is None else report.harrell.index
    scores |= {f"coverage of the {level_percent(bound.promised)} bound": bound.held for bound in report.whole.bounds}
    return scores

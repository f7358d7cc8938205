"""What each kind of job does. The same functions as behind the command line and the other routes."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, Final

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from models.base.errors import BadInput
from models.packs.family import PackFamily
from models.packs.history import PackHistory
from models.packs.stops import Stopped
from service.core.memory import without_collection
from service.core.model_source import RegistrySource
from service.core.settings import Settings
from service.exchange.imports.loading import ImportReport, import_files
from service.exchange.imports.mapping import read_mapping
from service.exchange.inbox.files import inbox_of, require_no_links
from service.exchange.reports.files import write_report
from service.forecasting.issued.issuing import issued_together, still_standing
from service.forecasting.issued.scores import bring_to, drop_others, keep_scores
from service.forecasting.model.basis import basis_withdrawn
from service.forecasting.model.training import train_on_record
from service.forecasting.track_record.reading import report_with_live_record
from service.jobs.queue import enqueue
from service.jobs.self_checks import checked_now
from service.notices.outbox import deliver, sending_of
from service.records.history import HEAD_OF_PACK, Head, sound_or_not, tables_of
from service.records.stopped import note_stopped
from service.records.taken_away import taken_away
from service.records.versions import Writer
from service.store.bulk import add_rows, free_numbers, table_of
from service.store.opening import Store
from service.store.schema import IssuedForecast, Job, Pack
from training.registry import ModelRegistry, StoredModel

SCORED_AT_ONCE: Final = 2_000
"""Packs that are forecast together, and stored together: the store is held for a part of a second."""

Tell = Callable[[int, int | None, str], None]
Finish = Callable[[Session, Mapping[str, Any]], None]


@dataclass(frozen=True)
class Task:
    """One job as its work sees it.

    Attributes
    ----------
    by : str
        Who started it.
    tell : callable
        Told steps done, steps in all if known, and what is being done; raises `service.jobs.queue.Stopped` to end it.
    finish : callable
        Notes the result in a session, so that the last change and the end of the job are stored together.
    """

    store: Store
    settings: Settings
    families: Mapping[str, PackFamily]
    arguments: Mapping[str, Any]
    by: str
    now: Callable[[], datetime]
    tell: Tell
    finish: Finish


def train(task: Task) -> None:
    """Let the current model learn from everything in the store; what it learned answers only if it is no worse."""
    task.tell(0, None, "reading the record")
    with task.store.reading() as session:
        record = tables_of(session, task.families)
    taught = train_on_record(
        task.settings,
        ModelRegistry(task.settings.models_dir),
        record,
        packs=int(task.arguments["packs"]),
        seed=int(task.arguments["seed"]),
        workers=1,
        at=task.now(),
        stages=partial(_stage, task),
    )
    judgement = taught.judgement
    result = {
        "model_id": taught.manifest.model_id,
        "answers": taught.answering == taught.manifest.model_id,
        "verdict": None if judgement is None else judgement.verdict,
        "sentences": taught.sentences(),
    }
    with task.store.writing() as session:
        task.finish(session, result)


@contextmanager
def _stage(task: Task, name: str) -> Iterator[Callable[..., None]]:
    yield lambda done, total, step="": task.tell(done, total, f"{name}: {step}" if step else name)


def score(task: Task) -> None:
    """Forecast every pack that is out on a top-up, and bring all scores to today.

    Where nothing new is recorded, the same model answers and the last forecast is not old, that one stands. What is
    done is stored some thousand packs at a time, so a job that is taken up again goes on where it stood.
    """
    model = RegistrySource(ModelRegistry(task.settings.models_dir)).current()
    with task.store.reading() as session:
        count = session.scalar(select(func.count()).select_from(Pack)) or 0
    made: set[str] = set()
    standing: set[str] = set()
    left_out: list[dict[str, str]] = []
    began, done, last = task.now(), 0, ""
    while True:
        heads = select(*HEAD_OF_PACK).where(Pack.id > last).order_by(Pack.id).limit(SCORED_AT_ONCE)
        with task.store.reading() as session:
            some = session.connection().execute(heads).all()
        if not some:
            break
        task.tell(done, count, f"forecasting from {some[0].id} on")
        with without_collection():
            _score_some(task, model, some, made, standing, left_out)
        done, last = done + len(some), some[-1].id
    with task.store.writing() as session:
        drop_others(session, standing | made, began)
    ranked = bring_to(task.store, task.now(), made_before=began)
    result = {"forecasts": len(made), "standing": len(standing), "ranked": ranked, "left_out": left_out}
    with task.store.writing() as session:
        task.finish(session, result)


def _score_some(
    task: Task,
    model: StoredModel,
    some: Sequence[Head],
    made: set[str],
    standing: set[str],
    left_out: list[dict[str, str]],
) -> None:
    """Forecast some packs anew where that is due, store it together, and note what came of each."""
    now = task.now()
    with task.store.reading() as session:
        known = dict(sound_or_not(session, some))
        histories = [one for one in known.values() if isinstance(one, PackHistory) and holding(one)]
        stand = still_standing(session, histories, model, task.families, now)
        due = {history.pack_id: history for history in histories if history.pack_id not in stand}
        corrected = taken_away(session, due)
        basis = basis_withdrawn(session, model.manifest)
    rows, refused = issued_together(
        list(due.values()),
        model,
        task.families,
        corrected=corrected,
        basis=basis,
        threads=task.settings.threads,
        at=now,
        by=task.by,
    )
    with task.store.writing() as session:
        numbers = free_numbers(session, table_of(IssuedForecast), len(rows))
        rows = [{"id": number, **row} for number, row in zip(numbers, rows, strict=True)]
        add_rows(session, table_of(IssuedForecast), rows)
        keep_scores(session, rows, [due[row["pack_id"]] for row in rows], now)
        stopped = {pack_id for pack_id, error in refused.items() if isinstance(error, Stopped)}
        # Of one refused for another reason what was known stands.
        note_stopped(session, stopped, of=stopped | {row["pack_id"] for row in rows})
    standing |= stand
    made |= {row["pack_id"] for row in rows}
    refused |= {pack_id: one for pack_id, one in known.items() if isinstance(one, BadInput)}
    left_out += [{"pack_id": pack_id, "reason": str(error)} for pack_id, error in refused.items()]


def take_in(task: Task) -> None:
    """Import a file or folder from the inbox."""
    inbox = inbox_of(task.settings)
    name, mapping = str(task.arguments["name"]), task.arguments.get("mapping")
    for each in (name, *([] if mapping is None else [str(mapping)])):
        require_no_links(inbox, each)

    def at_end(session: Session, report: ImportReport) -> None:
        follows = enqueue_scoring(session, task)
        task.finish(session, result_of(report) | {"scoring_job": follows})

    report = import_files(
        task.store,
        inbox / name,
        task.families,
        Writer(task.by, task.now()),
        mapping=None if mapping is None else read_mapping(_there(inbox / str(mapping))),
        dry_run=bool(task.arguments["dry_run"]),
        keep_good=bool(task.arguments["keep_good"]),
        keep_logs=bool(task.arguments.get("keep_logs", False)),
        progress=lambda done, file: task.tell(done, None, f"reading {file}"),
        at_end=at_end,
    )
    if not report.stored:
        with task.store.writing() as session:
            task.finish(session, result_of(report))


def enqueue_scoring(session: Session, task: Task) -> int | None:
    """Have the packs forecast of which an import told something, unless that waits already; return the job's number.

    Without a model there is nothing to forecast with, and no job.
    """
    if ModelRegistry(task.settings.models_dir).current_id() is None:
        return None
    waiting = session.scalar(select(Job.id).where(Job.kind == "scoring", Job.state == "queued").limit(1))
    return waiting or enqueue(session, "scoring", {}, task.by, task.now()).id


def report(task: Task) -> None:
    """Write the calibration report, with what people were told, as a page and as JSON."""
    task.tell(0, None, "scoring what people were told")
    model = RegistrySource(ModelRegistry(task.settings.models_dir)).current()
    now = task.now()
    with task.store.reading() as session:
        whole = report_with_live_record(model, session, now)
    task.tell(1, 2, "writing the report")
    name = write_report(task.settings.reports_dir, whole, now)
    told = [] if whole.told is None else [*whole.told.sentences, whole.told.alarm]
    with task.store.writing() as session:
        task.finish(session, {"report": name, "sentences": [verdict.sentence for verdict in whole.verdicts] + told})


def check_self(task: Task) -> None:
    """Forecast frozen cases again, and look at the alarm and at drift."""
    task.tell(0, None, "forecasting frozen cases again")
    model = RegistrySource(ModelRegistry(task.settings.models_dir)).current()
    with task.store.reading() as session:
        found = checked_now(session, model, task.families, task.now(), threads=task.settings.threads)
    with task.store.writing() as session:
        task.finish(session, found)


def deliver_notices(task: Task) -> None:
    """Send the messages whose time has come."""
    sending = sending_of(task.settings)
    if sending is None:
        raise BadInput.one("TIDEOVER_OUTGOING", "It is off where the worker runs.", "Set it to on there as well.")
    counts = deliver(task.store, sending, task.now, before_each=lambda done: task.tell(done, None, "sending notices"))
    with task.store.writing() as session:
        task.finish(session, counts)


WORK: Mapping[str, Callable[[Task], None]] = {
    "training": train,
    "scoring": score,
    "import": take_in,
    "report": report,
    "self-check": check_self,
    "notices": deliver_notices,
}


def result_of(report: ImportReport) -> dict[str, Any]:
    """Return a report as plain values."""
    return asdict(report)


def holding(history: PackHistory) -> bool:
    """Whether the pack is out on a top-up whose end is not known."""
    ended = [outcome.time for outcome in history.outcomes if outcome.kind != "running"]
    return bool(history.topups) and (not ended or ended[-1] < history.topups[-1].time)


def _there(path: Path) -> Path:
    if not path.is_file():
        raise BadInput.one(path.name, "There is no such file in the inbox.", "Put it there, or correct the name.")
    return path

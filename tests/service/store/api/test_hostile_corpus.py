"""A corpus of hostile bodies and files: each is answered with a sentence, soon, and never with a fault of ours."""

from __future__ import annotations

import csv
import json
from datetime import UTC, datetime

import pytest

from models.base.errors import BadInput
from service.exchange.imports.guess import understand
from service.exchange.imports.loading import import_files
from service.forecasting.forecasts.examples import example_case
from service.records.subjects.all_subjects import SUBJECTS
from service.records.versions import Writer
from tests.service.hostile_corpus import HOSTILE_BODIES, HOSTILE_FIELDS, as_body, spoiled, tried
from tests.service.store.backends import ON_SQLITE
from training.files.families import load_families

pytestmark = ON_SQLITE

WRITER = Writer("test", datetime(2026, 3, 14, tzinfo=UTC))
FAMILIES = load_families(None)


def poster(api, address):
    def send(body: bytes) -> str | None:
        answer = api.post(address, content=body, headers={"Content-Type": "application/json"})
        if answer.status_code >= 500:
            return f"{answer.status_code}"
        if answer.status_code >= 400 and not answer.json()["detail"]:
            return "no sentence"
        return None if len(answer.content) < 200_000 else f"{len(answer.content)} bytes"

    return send


def case_with_everything() -> dict[str, object]:
    case = example_case()
    family = load_families()[case["history"]["family"]].model_dump(mode="json")
    return {"history": case["history"], "family": family, "at": None, "usage": {"km_per_day": 8}}


@pytest.mark.parametrize("address", ["/v1/forecasts", "/v1/topup-plans", "/v1/what-if", "/v1/recheck"])
def test_bodies_that_are_no_case(api, address):
    _, wrong = tried(poster(api, address), ((str(n), body) for n, body in enumerate(HOSTILE_BODIES)))
    assert not wrong, wrong


def test_cases_with_one_hostile_field(api):
    corpus = ((name, as_body(value)) for name, value in spoiled(case_with_everything()))
    count, wrong = tried(poster(api, "/v1/forecasts"), corpus)
    assert count > 400
    assert not wrong, wrong[:40]


@pytest.mark.parametrize("subject", SUBJECTS, ids=lambda subject: subject.name)
def test_records_with_one_hostile_field(api, subject):
    corpus = ((name, as_body(value)) for name, value in spoiled(subject.example))
    _, wrong = tried(poster(api, f"/v1/{subject.name}"), corpus)
    assert not wrong, wrong[:40]


TABLES = {
    "packs": {"pack_id": "A", "family": "gravel-14", "age_years": "9", "odometer_km": "100000"},
    "readings": {
        "pack_id": "A",
        "time": "2026-03-02T08:10:00Z",
        "state": "rest",
        "current_a": "0",
        "temperature_c": "16",
        **{f"block_{n}_v": "13.0" for n in range(1, 15)},
    },
    "topups": {"pack_id": "A", "time": "2026-03-02T09:10:00Z", "blocks": "3", "charge_ah": "1", "duration_h": "2"},
    "usage": {"pack_id": "A", "time": "2026-03-02T09:20:00Z", "km_per_day": "30"},
    "outcomes": {"pack_id": "A", "time": "2026-04-02T09:10:00Z", "kind": "returned", "code": "P0A80"},
}


def hostile_tables():
    for table, row in TABLES.items():
        for column in list(row)[:8]:
            for number, field in enumerate(HOSTILE_FIELDS):
                yield f"{table}-{column}-{number}", (table, [list(row), list((row | {column: field}).values())])
        yield f"{table}-headings", (table, [[*row, *row], [*row.values(), *row.values()]])
        yield f"{table}-short", (table, [list(row), ["A"]])
        yield f"{table}-empty", (table, [[], []])


def test_tables_with_one_hostile_field(store, tmp_path):
    def send(case) -> str | None:
        table, rows = case
        folder = tmp_path / "tables"
        folder.mkdir(exist_ok=True)
        for old in folder.iterdir():
            old.unlink()
        for name, content in {"packs": [list(TABLES["packs"]), list(TABLES["packs"].values())], table: rows}.items():
            with (folder / f"{name}.csv").open("w", newline="", encoding="utf-8", errors="surrogatepass") as file:
                csv.writer(file).writerows(content)
        try:
            report = import_files(store, folder, FAMILIES, WRITER, dry_run=True)
        except BadInput:
            return None
        return None if all(f.reason and f.mend for f in report.faults) else "no sentence"

    count, wrong = tried(send, hostile_tables())
    assert count > 400
    assert not wrong, wrong[:40]


def test_histories_and_loggers_files(store, tmp_path):
    def send(content: bytes) -> str | None:
        for name in ("h.json", "h.jsonl", "logger.csv", "packs.parquet"):
            path = tmp_path / name
            path.write_bytes(content)
            try:
                understand(path) if name == "logger.csv" else import_files(store, path, FAMILIES, WRITER, dry_run=True)
            except BadInput as error:
                if not all(p.what and p.mend for p in error.problems):
                    return "no sentence"
        return None

    history = {**example_case()["history"], "outcomes": []}
    corpus = [(f"body-{n}", body) for n, body in enumerate(HOSTILE_BODIES)]
    _, wrong = tried(send, corpus)
    assert not wrong, wrong

    def send_history(body: bytes) -> str | None:
        path = tmp_path / "h.json"
        path.write_bytes(body)
        try:
            import_files(store, path, FAMILIES, WRITER, dry_run=True)
        except BadInput:
            return None
        return None

    count, wrong = tried(send_history, ((name, as_body(value)) for name, value in spoiled(history)))
    assert count > 200
    assert not wrong, wrong[:40]
    assert json.loads(as_body(history))["pack_id"] == "MB-VAN-07"

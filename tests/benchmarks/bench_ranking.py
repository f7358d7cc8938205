"""Ranking a very large scored fleet, and the first byte of its calendar.

    python tests/benchmarks/bench_ranking.py --scores 1000000 --calendar 50000 [--database postgresql://…]

Scores are invented and written straight into the tables with their top-ups, without packs and forecasts. Printed: the
time to the top 1,000 of the ranking, two pages of 500 (our own processor time beside it, which on SQLite is all there
is); and of the calendar the time to its first piece and to all of it.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from sqlalchemy import text

from models.base.day_grid import DAYS
from service.decisions.calendar.sending import pieces_of
from service.decisions.fleet.ranking import rank_fleet
from service.decisions.fleet.schemas import RankingRequest
from service.forecasting.issued.scores import packed
from service.store.opening import Store
from service.store.upgrading import open_store
from tests.service.invented_fleet import fill
from training.files.families import load_families

NOW = datetime(2026, 3, 1, tzinfo=UTC)
PAGES = 2

SERIES = {
    "sqlite": "(WITH RECURSIVE s(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM s WHERE n < :count) SELECT n FROM s)",
    "postgresql": "(SELECT n FROM generate_series(1, :count) AS n) AS s",
}
CHANCE = {
    "sqlite": "(((n * 2654435761) % 1000003) / 1000003.0)",
    "postgresql": "(((n::bigint * 2654435761) % 1000003) / 1000003.0)",
}
CURVES = packed(*[np.exp(-DAYS / 60)] * 3)
NO_KEYS = {"sqlite": "PRAGMA foreign_keys=OFF", "postgresql": "SET session_replication_role = replica"}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--scores", type=int, default=1_000_000)
    parser.add_argument("--calendar", type=int, default=50_000)
    parser.add_argument("--database", help="of a PostgreSQL without anything in it; else SQLite")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as room:
        store = open_store(Path(room), asked.database)
        if asked.calendar:
            fill(store, asked.calendar, NOW)
            print_calendar(store)
        if asked.scores:
            invent_scores(store, asked.scores)
            print_ranking(store)


def invent_scores(store: Store, count: int) -> None:
    """Write scores and their top-ups, whose packs are not there."""
    kind = store.engine.dialect.name
    with store.engine.connect() as connection:
        driver = connection.connection.driver_connection
        assert driver is not None
        driver.execute(NO_KEYS[kind])
        connection.execute(
            text(
                "INSERT INTO scores (pack_id, forecast_id, family, model_id, topped_at, origin, good_until, as_of, "
                "week_return, week_wait_days) "
                f"SELECT 'X-' || n, 0, 'gravel-14', 'invented', :now, :now, :now, :now, {CHANCE[kind]}, "
                f"7 - 7 * {CHANCE[kind]} FROM {SERIES[kind]}"
            ),
            {"count": count, "now": NOW.replace(tzinfo=None) if kind == "sqlite" else NOW},
        )
        connection.execute(
            text(
                "INSERT INTO topups (pack_id, time, blocks, version, recorded_at, recorded_by) "
                "SELECT pack_id, topped_at, '[1]', 1, topped_at, 'invented' FROM scores"
            )
        )
        connection.execute(
            text("INSERT INTO score_curves (pack_id, origin, curves) SELECT pack_id, origin, :curves FROM scores"),
            {"curves": CURVES},
        )
        connection.commit()
        connection.execute(text("ANALYZE"))
        connection.commit()


def print_ranking(store: Store) -> None:
    costs = {"currency": "EUR", "return_work": 250.0, "stranding": 600.0, "planned_work": 180.0, "capital_per_day": 0.5}
    for attempt in ("first", "again"):
        began, worked, cursor, found = time.perf_counter(), time.process_time(), None, 0
        for _page in range(PAGES):
            with store.reading() as session:
                answer = rank_fleet(session, RankingRequest(**costs, limit=500, cursor=cursor), NOW, load_families())
            cursor, found = answer.next_cursor, found + len(answer.items)
        seconds = time.perf_counter() - began
        own = time.process_time() - worked
        print(f"ranking, {attempt}: top {found} of {answer.vehicles} in {seconds:.2f} s, {own:.2f} s of it our own")


def print_calendar(store: Store) -> None:
    began = time.perf_counter()
    pieces = pieces_of(store, NOW, ZoneInfo("UTC"), {})
    size = len(next(pieces))
    first = time.perf_counter() - began
    size += sum(map(len, pieces))
    print(
        f"calendar: first piece in {first:.2f} s, {size / 1e6:.1f} MB in {time.perf_counter() - began:.1f} s",
        flush=True,
    )


if __name__ == "__main__":
    main()

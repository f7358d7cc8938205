"""Finding a unit by a part of its number, on both databases."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import update

from service.pages.bench.finding import FOUND, find_units
from service.store.schema import Assignment, Pack, Vehicle
from tests.service.invented_fleet import fill

NOW = datetime(2026, 3, 14, 9, 0, tzinfo=UTC)
RECORD = {"version": 1, "recorded_at": NOW, "recorded_by": "invented"}


def found(session, words, after=""):
    units, last = find_units(session, words, after, {})
    return [unit.pack_id for unit in units], last


def test_any_part_of_either_number_finds_a_unit_once_page_by_page(store):
    names = fill(store, 130, NOW)
    with store.reading() as session:
        for words in ("0012", "mb-0001", "B-", "7", "nowhere", "%", "_", "!"):
            expected = [name for name in names if words.lower() in name.lower()]
            told, last = [], ""
            while last is not None:
                page, last = found(session, words, last)
                assert len(page) <= FOUND
                told += page
            assert told == expected, words


def test_a_vehicle_is_found_by_the_pack_it_has_now(store):
    fill(store, 3, NOW)
    with store.writing() as session:
        session.add(Vehicle(id="Quay_Cab!9", **RECORD))
        session.add(Pack(id="AA-1", family="marl-28", **RECORD))
        session.flush()
        session.add(Assignment(pack_id="AA-1", vehicle_id="Quay_Cab!9", since=NOW - timedelta(days=3), **RECORD))
        session.flush()
        for words in ("cab", "QUAY_", "b!9"):
            assert found(session, words) == (["AA-1"], None)
        session.execute(update(Assignment).where(Assignment.pack_id == "AA-1").values(until=NOW))
        assert found(session, "cab") == ([], None)
        assert found(session, "aa-") == (["AA-1"], None)

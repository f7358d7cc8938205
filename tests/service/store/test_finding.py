"""Finding a unit by a part of its number, on both databases."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from sqlalchemy import delete, update

from service.pages.bench.finding import FOUND, described, find_units, how_many, lately
from service.store.schema import Assignment, IssuedForecast, Outcome, Pack, Score, Vehicle
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


def test_a_number_written_short_finds_what_was_meant(store):
    """ "MB-7" found nothing, though the van is there as MB-VAN-07."""
    names = fill(store, 30, NOW)
    with store.writing() as session:
        session.add(Pack(id="MB-VAN-07", family="marl-28", **RECORD))
        session.flush()
        assert found(session, "MB-7")[0][-1] == "MB-VAN-07"
        told, last = [], ""
        while last is not None:
            page, last = found(session, "MB-0-0", last)
            told += page
        assert told == [*names, "MB-VAN-07"][: len(told)]
        assert len(told) >= len(names)


def test_of_a_unit_the_list_always_says_how_it_stands(store):
    """Of a car without a promised day, a forecast or an open top-up the list said nothing."""
    names = fill(store, 5, NOW)
    with store.writing() as session:
        session.execute(update(IssuedForecast).where(IssuedForecast.pack_id == names[0]).values(good_for_days=0.2))
        session.execute(delete(Score).where(Score.pack_id == names[1]))
        session.add(Outcome(pack_id=names[2], time=NOW, kind="returned", **RECORD))
        session.add(Pack(id="MB-P-0815", family="marl-28", **RECORD))
        session.flush()
        promised, forgotten, back, *_others = described(session, names[:3], {})
        assert promised.origin is not None
        assert forgotten.origin is None
        assert forgotten.topped_at is not None
        assert (back.became, back.became_at) == ("returned", NOW)
        assert "MB-P-0815" in [unit.pack_id for unit in lately(session, {})], "nothing is entered of it yet"
        assert how_many(session) == 6

"""When a vehicle is down and waits for another pack, as the store tells it of any number of them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import event, insert

from service.decisions.basis.needs_pack import long_down, vehicles_down
from service.store.opening import Store
from service.store.schema import Assignment, Outcome, Pack, TopUp, Vehicle

NOW = datetime(2026, 3, 11, 8, tzinfo=UTC)
ON_RECORD = {"version": 1, "recorded_at": NOW, "recorded_by": "invented"}


def ago(days: float) -> datetime:
    return NOW - timedelta(days=days)


def put(store: Store, table: type, **values: object) -> None:
    with store.writing() as session:
        session.execute(insert(table), [values | ON_RECORD])


@pytest.mark.parametrize(
    ("came_back", "charged", "ended", "down", "long"),
    [
        (2, 20, None, True, False),
        (2, None, None, True, False),
        (2, 2, None, True, False),
        (2, 1, None, False, False),
        (2, 20, 1, False, False),
        (2, 20, 5, True, False),
        (0, 20, None, True, False),
        (30, 40, None, True, False),
        (30.1, 40, None, False, True),
        (30.1, 20, None, False, False),
        (30.1, 40, 20, False, False),
        (-1, 20, None, False, False),
    ],
)
def test_it_is_down_from_its_fault_on_until_it_is_charged_replaced_or_nobody_knows(
    store, came_back, charged, ended, down, long
):
    put(store, Pack, id="MB-VAN-07", family="gravel-14")
    put(store, Outcome, pack_id="MB-VAN-07", time=ago(came_back), kind="returned")
    if charged is not None:
        put(store, TopUp, pack_id="MB-VAN-07", time=ago(charged), blocks=[5])
    if ended is not None:
        put(store, Outcome, pack_id="MB-VAN-07", time=ago(ended), kind="replaced")
    with store.reading() as session:
        assert [one.since for one in vehicles_down(session, NOW)] == ([ago(came_back)] if down else [])
        assert (long_down(session, NOW) is not None) == long


@pytest.mark.parametrize("days", [2, 40])
def test_a_pack_that_came_out_of_its_vehicle_waits_for_nothing_and_one_that_sits_goes_by_its_vehicle(store, days):
    for number in range(2):
        put(store, Pack, id=f"P-{number}", family="gravel-14")
        put(store, Vehicle, id=f"MB-VAN-0{number}")
        put(store, Outcome, pack_id=f"P-{number}", time=ago(days), kind="returned")
        until = ago(1) if number else None
        put(store, Assignment, pack_id=f"P-{number}", vehicle_id=f"MB-VAN-0{number}", since=ago(90), until=until)
    with store.reading() as session:
        if days == 2:
            assert [one.name for one in vehicles_down(session, NOW)] == ["MB-VAN-00"]
        else:
            said = long_down(session, NOW)
            assert said is not None
            assert said.startswith("1 more came back")
            assert "MB-VAN-00" in said
            assert "P-1" not in said


def test_thousands_that_came_back_long_ago_are_counted_and_not_read(store):
    """All were fetched, with their vehicles, at each look at the queue."""
    with store.writing() as session:
        names = [f"P{number:04d}" for number in range(1_200)]
        session.execute(insert(Pack), [{"id": name, "family": "gravel-14", **ON_RECORD} for name in names])
        facts = [{"pack_id": name, "time": ago(100), "kind": "returned", **ON_RECORD} for name in names]
        session.execute(insert(Outcome), facts[:900])
    asked: list[str] = []

    def noted(_connection: object, _cursor: object, statement: str, *_more: object) -> None:
        asked.append(statement)

    event.listen(store.engine, "before_cursor_execute", noted)
    try:
        with store.reading() as session:
            said = long_down(session, NOW)
    finally:
        event.remove(store.engine, "before_cursor_execute", noted)
    assert said is not None
    assert said.startswith("900 more came back with their fault over 30 days ago")
    assert "P0009, …" in said
    assert "P0010" not in said
    assert sum("FROM assignments" in one.partition("WHERE")[0] for one in asked) == 1, "of those that are named"
    with store.writing() as session:
        session.execute(insert(Outcome), facts[900:])
    with store.reading() as session:
        assert str(long_down(session, NOW)).startswith("1000+ more came back")

"""Turns at computing: a few at once, a few waiting, the rest told when to come again."""

from __future__ import annotations

import asyncio

import pytest
from fastapi import HTTPException

from service.access.roles import MAY
from service.http.turns import LANES, RETRY_SECONDS, WAIT_SECONDS, WAITING, Turns
from tests.service.event_loop import run_apart


class Caller:
    """A request as far as turns look at it."""

    def __init__(self) -> None:
        self.gone = False

    async def body(self) -> bytes:
        return b""

    async def is_disconnected(self) -> bool:
        return self.gone


def test_every_operation_that_takes_turns_is_one():
    assert set(LANES) <= set(MAY)
    assert set(LANES.values()) == set(WAIT_SECONDS) == set(RETRY_SECONDS)


def test_so_many_compute_so_many_wait_and_the_next_is_refused():
    async def run() -> None:
        turns = Turns(2)
        held = [await turns.take(Caller(), "long") for _ in range(2)]
        waiting = [asyncio.ensure_future(turns.take(Caller(), "long")) for _ in range(WAITING)]
        await asyncio.sleep(0)
        await asyncio.sleep(0)
        with pytest.raises(HTTPException) as refused:
            await turns.take(Caller(), "long")
        assert refused.value.status_code == 503
        assert refused.value.headers == {"Retry-After": "5"}
        # The other lane is free meanwhile.
        (await turns.take(Caller(), "short")).release()
        for slots in held:
            slots.release()
        for turn in waiting:
            (await turn).release()
        assert turns.waiting == {"short": 0, "long": 0}
        held = [await turns.take(Caller(), "long") for _ in range(2)]
        assert held[0].locked()

    run_apart(run())


def test_whoever_has_gone_is_not_computed_for():
    async def run() -> None:
        turns = Turns(1)
        held = await turns.take(Caller(), "long")
        caller = Caller()
        waiting = asyncio.ensure_future(turns.take(caller, "long"))
        await asyncio.sleep(0)
        caller.gone = True
        with pytest.raises(HTTPException):
            await waiting
        held.release()
        (await turns.take(Caller(), "long")).release()  # the turn that it gave up is there for another
        assert turns.waiting["long"] == 0

    run_apart(run())


def test_nobody_waits_for_long(monkeypatch):
    monkeypatch.setitem(WAIT_SECONDS, "short", 0.2)

    async def run() -> None:
        turns = Turns(1)
        held = await turns.take(Caller(), "short")
        with pytest.raises(HTTPException) as refused:
            await turns.take(Caller(), "short")
        assert refused.value.status_code == 503
        held.release()
        (await turns.take(Caller(), "short")).release()

    run_apart(run())


def test_a_caller_that_is_cut_off_leaves_its_place():
    async def run() -> None:
        turns = Turns(1)
        held = await turns.take(Caller(), "short")
        waiting = asyncio.ensure_future(turns.take(Caller(), "short"))
        await asyncio.sleep(0)
        waiting.cancel()
        with pytest.raises(asyncio.CancelledError):
            await waiting
        held.release()
        (await turns.take(Caller(), "short")).release()

    run_apart(run())

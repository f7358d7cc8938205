"""Who computes takes turns: a few at once, a few more waiting, and whoever comes then is told when to try again.

Forecasts of a hundred callers at once take as long as one after the other, and each of them longer than its caller
waits. Pages and records that only read are not held up: they take no turn.
"""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Iterator, Mapping
from contextlib import contextmanager
from typing import Final, Literal

from fastapi import HTTPException, Request

Lane = Literal["short", "long"]

LANES: Final[Mapping[str, Lane]] = {
    **dict.fromkeys(("make_forecast", "issue_forecast", "page_issue_forecast", "page_first_answer"), "short"),
    **dict.fromkeys(("page_visit", "page_visit_answer"), "short"),
    **dict.fromkeys(("plan_topup", "plan_sent_topup", "page_topup_plan"), "short"),
    **dict.fromkeys(("weigh_sent_release", "weigh_sent_orders"), "short"),
    **dict.fromkeys(("compare_plans", "compare_sent_plans", "page_what_if", "page_way"), "long"),
    **dict.fromkeys(("plan_recheck", "plan_sent_recheck", "page_recheck"), "long"),
    **dict.fromkeys(("plan_fleet", "page_plan", "page_plan_file"), "long"),
}
"""Operations that compute, by how long they take: a short one does not wait behind a long one."""

WAITING: Final = 16
"""Callers that wait in a lane. Our choice."""

WAIT_SECONDS: Final[Mapping[Lane, float]] = {"short": 2.0, "long": 15.0}
"""The longest that somebody waits for a turn. Our choice."""

RETRY_SECONDS: Final[Mapping[Lane, int]] = {"short": 1, "long": 5}

LOOKED_EVERY_S: Final = 0.1
"""How often it is looked whether somebody who waits is still there."""


class Turns:
    """The turns of one application.

    Parameters
    ----------
    at_once : int
        Of each lane.
    """

    def __init__(self, at_once: int) -> None:
        self.at_once = at_once
        self._slots = {lane: asyncio.Semaphore(at_once) for lane in WAIT_SECONDS}
        self.waiting: dict[Lane, int] = dict.fromkeys(WAIT_SECONDS, 0)

    async def take(self, request: Request, lane: Lane) -> asyncio.Semaphore:
        """Wait for a turn; whoever takes it releases what is returned.

        Raises
        ------
        HTTPException
            Too many wait already, it takes too long, or the caller has gone.
        """
        slots = self._slots[lane]
        if slots.locked() and self.waiting[lane] >= WAITING:
            raise _busy(lane)
        # What is still to come of the body must not be taken for the caller's leaving.
        await request.body()
        with self._counted(lane):
            turn = asyncio.ensure_future(slots.acquire())
            until = asyncio.get_running_loop().time() + WAIT_SECONDS[lane]
            try:
                while not turn.done():
                    await asyncio.wait({turn}, timeout=LOOKED_EVERY_S)
                    if turn.done():
                        break
                    if asyncio.get_running_loop().time() > until or await request.is_disconnected():
                        raise _busy(lane)
            except BaseException:
                if not turn.cancel() and not turn.cancelled():
                    slots.release()
                raise
        return slots

    @contextmanager
    def _counted(self, lane: Lane) -> Iterator[None]:
        self.waiting[lane] += 1
        try:
            yield
        finally:
            self.waiting[lane] -= 1


def _busy(lane: Lane) -> HTTPException:
    detail = f"More is being computed than can be answered in time. Try again in {RETRY_SECONDS[lane]} s."
    return HTTPException(503, detail, {"Retry-After": str(RETRY_SECONDS[lane])})


async def in_turn(request: Request) -> AsyncIterator[None]:
    """Compute only when it is one's turn: a dependency of every route."""
    lane = LANES.get(request.scope["route"].operation_id)
    if lane is None:
        yield
        return
    turns: Turns = request.app.state.turns
    slots = await turns.take(request, lane)
    try:
        yield
    finally:
        slots.release()

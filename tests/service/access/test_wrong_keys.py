"""Wrong keys are limited by the address they come from; right ones go on to open what they open."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request

from service.access.callers import Caller
from service.access.keys import make_key
from service.access.rate import MOST_BUCKETS, RateLimit
from service.access.wrong_keys import WrongKeys
from service.store.upgrading import open_store

NOW = datetime(2026, 3, 14, 9, 30, tzinfo=UTC)


def asked_from(address: str) -> Request:
    return Request({"type": "http", "headers": [], "client": (address, 1)})


@pytest.fixture
def opened(tmp_path):
    store = open_store(tmp_path)
    with store.writing() as session:
        _, old = make_key(session, "office", "admin", None, NOW)
        _, new = make_key(session, "bench", "bench", None, NOW)
    with store.reading() as session:
        yield session, old, new
    store.close()


def test_an_address_that_sends_wrong_keys_is_told_to_wait(opened):
    session, old, new = opened
    seconds = [0.0]
    keys = WrongKeys(RateLimit(20, lambda: seconds[0]))
    here = asked_from("192.0.2.7")
    assert isinstance(keys.caller_of(session, old, here, NOW), Caller)
    for number in range(20):
        assert isinstance(keys.caller_of(session, f"tide_{number}", here, NOW), str)
    with pytest.raises(HTTPException) as told:
        keys.caller_of(session, "tide_x", here, NOW)
    assert told.value.status_code == 429
    assert told.value.headers["Retry-After"] == "3"
    with pytest.raises(HTTPException):
        keys.caller_of(session, new, here, NOW)
    assert isinstance(keys.caller_of(session, old, here, NOW), Caller), "it has opened something before"
    assert isinstance(keys.caller_of(session, new, asked_from("192.0.2.8"), NOW), Caller)
    seconds[0] = 4
    assert isinstance(keys.caller_of(session, "tide_x", here, NOW), str)


def test_a_network_of_ipv6_counts_as_one(opened):
    session, _, _ = opened
    keys = WrongKeys(RateLimit(20, lambda: 0.0))
    for number in range(20):
        keys.caller_of(session, "x", asked_from(f"2001:db8::{number + 1:x}"), NOW)
    with pytest.raises(HTTPException):
        keys.caller_of(session, "x", asked_from("2001:db8::ffff"), NOW)
    assert isinstance(keys.caller_of(session, "x", asked_from("2001:db8:0:1::1"), NOW), str)


def test_callers_are_forgotten_when_there_are_many():
    seconds = [0.0]
    limit = RateLimit(60, lambda: seconds[0])
    for number in range(MOST_BUCKETS):
        limit.wait_s(str(number))
    seconds[0] = 61
    limit.wait_s("one more")
    assert len(limit._buckets) == 1

"""Connections that say nothing, or nothing whole: bounded in number and time, on a real server on loopback."""

from __future__ import annotations

import logging
import socket
import threading
import time
import urllib.request
from contextlib import ExitStack, contextmanager

import pytest
import uvicorn

from service.http.connections import Connections, SameLineSeldom

PATIENCE_S = 30
"""A busy machine is slow, not wrong."""


async def answer(scope, receive, send):
    assert scope["type"] == "http"
    await send({"type": "http.response.start", "status": 200, "headers": [(b"content-length", b"2")]})
    await send({"type": "http.response.body", "body": b"ok"})


@contextmanager
def serving(guard: Connections):
    config = uvicorn.Config(answer, port=0, http=guard.protocol(), ws="none", lifespan="off", log_level="error")
    server = uvicorn.Server(config)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    try:
        yield server.servers[0].sockets[0].getsockname()[1]
    finally:
        server.should_exit = True
        thread.join(PATIENCE_S)


def connect(port: int) -> socket.socket:
    return socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)


def asked(port: int) -> bytes:
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=PATIENCE_S) as response:
        return response.read()


@pytest.mark.parametrize("sent", [b"", b"GET / HTTP/1.1\r\nHost: x\r\nX-Slow: "])
def test_a_header_that_does_not_come_is_not_waited_for(sent):
    with serving(Connections(50, 50, 0.3)) as port, connect(port) as slow:
        slow.sendall(sent)
        assert slow.recv(1_000).startswith(b"HTTP/1.1 408")
        assert slow.recv(1_000) == b""
        assert asked(port) == b"ok"


def test_nor_is_that_of_a_later_request():
    with serving(Connections(50, 50, 0.3)) as port, connect(port) as slow:
        slow.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
        assert b"200" in slow.recv(1_000)
        slow.sendall(b"GET / HTTP/1.1\r\nHost")
        told = b""
        while piece := slow.recv(1_000):
            told += piece
        assert b"408" in told


def test_a_connection_in_use_is_left_alone():
    with serving(Connections(50, 50, 0.3)) as port, connect(port) as kept:
        for _ in range(4):
            kept.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
            told = b""
            while not told.endswith(b"ok"):
                piece = kept.recv(1_000)
                assert piece, "the connection was closed while in use"
                told += piece
            time.sleep(0.2)


def test_so_many_connections_and_no_more():
    guard = Connections(40, 30, 60)
    with serving(guard) as port, ExitStack() as held:
        for _ in range(30):
            held.enter_context(connect(port))
        deadline = time.monotonic() + PATIENCE_S
        while guard.open.total() < 30 and time.monotonic() < deadline:
            time.sleep(0.01)
        with connect(port) as refused:
            assert refused.recv(1_000).startswith(b"HTTP/1.1 503")
        held.close()
        while guard.open.total() and time.monotonic() < deadline:
            time.sleep(0.01)
        assert asked(port) == b"ok"
        assert guard.open.total() <= 1


def test_the_same_line_is_written_seldom():
    now = [0.0]
    seldom = SameLineSeldom(lambda: now[0])

    def passes(line: str) -> bool:
        return seldom.filter(logging.LogRecord("uvicorn.error", logging.WARNING, "", 0, line, None, None))

    assert [passes("a"), passes("a"), passes("b"), passes("a")] == [True, False, True, False]
    now[0] = 11.0
    assert passes("a")

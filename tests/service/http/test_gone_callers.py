"""Somebody presses twice or closes the tab: a request that nobody waits for any more is no fault of the service."""

from __future__ import annotations

import json
import socket
import threading
import time

import uvicorn

from service.app import create_app
from service.core.logs import make_log

PATIENCE_S = 30
"""A busy machine is slow, not wrong."""


def test_a_form_that_is_broken_off_is_no_error(settings, source, capsys):
    app = create_app(settings, models=source, log=make_log("info"))
    server = uvicorn.Server(uvicorn.Config(app, port=0, ws="none", log_level="error"))
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.01)
    port = server.servers[0].sockets[0].getsockname()[1]
    head = (
        f"POST /look HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nContent-Length: 1000\r\n"
        "Content-Type: application/x-www-form-urlencoded\r\n\r\nlook=da"
    )
    lines: list[dict] = []
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as browser:
            browser.sendall(head.encode())
        until = time.monotonic() + PATIENCE_S
        while not lines and time.monotonic() < until:
            time.sleep(0.02)
            lines = [json.loads(line) for line in capsys.readouterr().err.splitlines() if line.startswith("{")]
    finally:
        server.should_exit = True
        thread.join(PATIENCE_S)
    (line,) = lines
    assert (line["event"], line["level"], line["caller"]) == ("request", "info", "gone")

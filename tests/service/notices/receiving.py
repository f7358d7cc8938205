"""Real receivers on this machine: a program that takes webhooks, over TLS as well, and a mail server."""

from __future__ import annotations

import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword

from tests.service.running import free_port


@dataclass
class Program:
    """What a program that takes webhooks was sent, and what it answers.

    Attributes
    ----------
    url : str
    got : list of (path, headers, body)
    answer : int
        Status of its answers.
    headers : dict
        Of its answers.
    """

    url: str = ""
    got: list[tuple[str, dict[str, str], bytes]] = field(default_factory=list)
    answer: int = 204
    headers: dict[str, str] = field(default_factory=dict)
    slow_s: float = 0.0
    on_request: Callable[[], None] = lambda: None


@contextmanager
def program(tls: ssl.SSLContext | None = None) -> Iterator[Program]:
    """Run a program that takes webhooks on a port of loopback."""
    found = Program()

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers["Content-Length"]))
            found.got.append((self.path, {name.lower(): value for name, value in self.headers.items()}, body))
            found.on_request()
            end = time.monotonic() + found.slow_s
            while time.monotonic() < end:
                try:
                    self.wfile.write(b"H")  # a byte now and then, and never a whole answer
                    self.wfile.flush()
                except OSError:
                    return
                time.sleep(0.1)
            self.send_response(found.answer)
            for name, value in found.headers.items():
                self.send_header(name, value)
            self.end_headers()

        def log_message(self, *_: Any) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.daemon_threads = True
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True)
    thread.start()
    found.url = f"{'http' if tls is None else 'https'}://127.0.0.1:{server.server_address[1]}/hook/s3cret?key=word"
    try:
        yield found
    finally:
        server.shutdown()
        server.server_close()
        thread.join(10)


@dataclass
class Mailbox:
    """A mail server's port, and what came in."""

    port: int
    got: list[tuple[Envelope, EmailMessage]] = field(default_factory=list)
    refuse: str = ""

    async def handle_DATA(  # noqa: N802  the library's own name
        self, _server: Any, _session: Any, envelope: Envelope
    ) -> str:
        """Take a mail, or refuse it."""
        if self.refuse:
            return self.refuse
        mail = message_from_bytes(envelope.original_content or b"", policy=policy.default)
        assert isinstance(mail, EmailMessage)
        self.got.append((envelope, mail))
        return "250 taken"


@contextmanager
def mailbox(**options: Any) -> Iterator[Mailbox]:
    """Run a mail server on a port of loopback."""
    box = Mailbox(free_port())
    controller = Controller(box, hostname="127.0.0.1", port=box.port, **options)
    controller.start()
    try:
        yield box
    finally:
        controller.stop()


def only(user: str, password: str) -> Callable[..., AuthResult]:
    """Return a check that lets one user in."""

    def check(_server: Any, _session: Any, _envelope: Any, _mechanism: str, given: LoginPassword) -> AuthResult:
        right = (given.login, given.password) == (user.encode(), password.encode())
        return AuthResult(success=right, handled=False)

    return check

"""Webhooks against a real receiver: signed as Standard Webhooks says, bounded in time, no redirect followed."""

from __future__ import annotations

import json
import socket
import ssl
import time
from datetime import UTC, datetime
from ipaddress import ip_network

import pytest
import trustme
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from service.notices import webhook
from service.notices.reach import Gone, NotDelivered, Reach
from service.notices.webhook import call, signature
from tests.service.notices.receiving import program

LOOPBACK = Reach([ip_network("127.0.0.1/32")])
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"
CONTENT = {"type": "pack.recheck", "data": {"title": "Read MB-VAN-07 again – now"}}


def now():
    return datetime.now(UTC)


def test_the_worked_example_of_the_specification():
    """Secret, number, time, body and signature of the library's own tests (from memory), and as it signs them here."""
    body = b'{"test": 2432232314}'
    at = 1614265330
    found = signature(SECRET, "msg_p5jXN8AQM9LWM0D4loKWxJek", at, body)
    theirs = Webhook(SECRET).sign("msg_p5jXN8AQM9LWM0D4loKWxJek", datetime.fromtimestamp(at, UTC), body.decode())
    assert found == theirs == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="


def test_a_receiver_can_check_what_it_was_sent():
    with program() as there:
        call(there.url, SECRET, "msg_1", CONTENT, now(), LOOPBACK)
    ((path, headers, body),) = there.got
    assert path == "/hook/s3cret?key=word"
    assert Webhook(SECRET).verify(body.decode(), headers) == CONTENT
    with pytest.raises(WebhookVerificationError):
        Webhook(SECRET).verify(body.decode().replace("07", "08"), headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(SECRET).verify(body.decode(), {**headers, "webhook-timestamp": str(int(time.time()) + 60)})
    assert json.loads(body) == CONTENT


@pytest.mark.parametrize(
    ("status", "kind", "said"),
    [
        (200, None, ""),
        (302, NotDelivered, "redirects are not followed"),
        (307, NotDelivered, "redirects are not followed"),
        (410, Gone, "wants nothing more"),
        (404, NotDelivered, "status 404"),
        (500, NotDelivered, "status 500"),
    ],
)
def test_what_an_answer_means(status, kind, said):
    with program() as there, program() as elsewhere:
        there.answer, there.headers = status, {"Location": elsewhere.url}
        if kind is None:
            call(there.url, SECRET, "msg_1", CONTENT, now(), LOOPBACK)
        else:
            with pytest.raises(kind, match=said) as caught:
                call(there.url, SECRET, "msg_1", CONTENT, now(), LOOPBACK)
            assert type(caught.value) is kind
            assert "s3cret" not in str(caught.value)
        assert len(there.got) == 1
        assert elsewhere.got == []


def test_a_receiver_that_answers_a_byte_at_a_time_does_not_hold_the_worker(monkeypatch):
    monkeypatch.setattr(webhook, "WHOLE_S", 0.6)
    with program() as there:
        there.slow_s = 60
        began = time.monotonic()
        with pytest.raises(NotDelivered):
            call(there.url, SECRET, "msg_1", CONTENT, now(), LOOPBACK)
        assert time.monotonic() - began < 20


def test_a_receiver_that_speaks_something_else_is_told_as_such(monkeypatch):
    monkeypatch.setattr("service.notices.reach.STEP_S", 0.6)
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        listening.listen()
        port = listening.getsockname()[1]
        with pytest.raises(NotDelivered, match=r"certificate|broke off|in time"):
            call(f"https://127.0.0.1:{port}/", SECRET, "m", CONTENT, now(), LOOPBACK)
    with pytest.raises(NotDelivered, match="Nobody answers"):
        call(f"http://127.0.0.1:{port}/", SECRET, "m", CONTENT, now(), LOOPBACK)


def test_environment_proxies_are_not_used(monkeypatch):
    with program() as there, program() as proxy:
        for name in ("http_proxy", "HTTP_PROXY", "https_proxy", "ALL_PROXY"):
            monkeypatch.setenv(name, proxy.url.split("/hook")[0])
        call(there.url, SECRET, "msg_1", CONTENT, now(), LOOPBACK)
        assert len(there.got) == 1
        assert proxy.got == []


def test_over_tls_the_certificate_is_that_of_the_name_though_the_address_was_chosen_before():
    authority = trustme.CA()
    theirs = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("programs.example").configure_cert(theirs)
    ours = ssl.create_default_context()
    authority.configure_trust(ours)

    def resolve(_host, port, **_options):
        return [(socket.AF_INET, 1, 6, "", ("127.0.0.1", port))]

    reach = Reach([ip_network("127.0.0.0/8")], resolve)
    with program(theirs) as there:
        port = there.url.split(":")[2].split("/")[0]
        call(f"https://programs.example:{port}/x", SECRET, "msg_1", CONTENT, now(), reach, ours)
        assert there.got[0][1]["host"] == f"programs.example:{port}"
        for name, context in (("other.example", ours), ("programs.example", None)):
            with pytest.raises(NotDelivered, match="certificate"):
                call(f"https://{name}:{port}/x", SECRET, "msg_2", CONTENT, now(), reach, context)
        assert len(there.got) == 1

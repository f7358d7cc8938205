"""A worker that is killed while it sends notices: each arrives, under one number, and is done with once."""

from __future__ import annotations

import signal
import subprocess
import sys
from datetime import UTC, datetime, timedelta

import pytest

from service.notices.receivers import NewReceiver, add_receiver
from service.store.schema import Job, Notice, OutgoingMessage
from service.store.upgrading import open_store
from tests.service.invented_fleet import fill
from tests.service.notices.receiving import mailbox, program
from tests.service.running import environment

pytestmark = pytest.mark.faults

NOW = datetime(2026, 6, 1, 9, tzinfo=UTC)

WORK = """
import os, signal, sys
from datetime import datetime
from service.core.logs import make_log
from service.core.settings import Settings
from service.jobs.worker import Worker
from service.notices import outbox
from service.store.upgrading import open_store
from training.files.families import load_families
at, where, number = datetime.fromisoformat(sys.argv[1]), sys.argv[2], int(sys.argv[3])
seen = 0

def die(here):
    global seen
    seen += here == where
    if here == where and seen == number:
        os.kill(os.getpid(), signal.SIGKILL)

send, note, put = outbox._send, outbox._note, outbox.put_down

def sending(*told):
    die("claimed")
    send(*told)
    die("sent")

def noting(*told, **more):
    state = note(*told, **more)
    die("noted in part")
    return state

def putting(*told):
    made = put(*told)
    die("put down in part")
    return made

outbox._send, outbox._note = sending, noting
import service.jobs.notices
service.jobs.notices.put_down = putting
settings = Settings.from_environment(dict(os.environ))
Worker(open_store(settings.home), settings, load_families(None), lambda: at, make_log("error")).run(once=True)
"""


def work(home, at, where="", number=0, **more):
    ran = subprocess.run(
        [sys.executable, "-c", WORK, at.isoformat(), where, str(number)],
        env=environment(home, TIDEOVER_OUTGOING="on", TIDEOVER_PRIVATE_RECEIVERS="127.0.0.1/32", **more),
        capture_output=True,
        text=True,
        check=False,
    )
    assert ran.returncode == (-signal.SIGKILL if where else 0), ran.stderr


@pytest.mark.parametrize(
    ("where", "number"),
    [
        *(("put down in part", 1), ("claimed", 1), ("claimed", 3), ("sent", 1), ("sent", 4)),
        *(("noted in part", 1), ("noted in part", 4)),
    ],
)
def test_a_webhook(tmp_path, where, number):
    with program() as there:
        store = open_store(tmp_path)
        fill(store, 4, NOW, seed=4)
        with store.writing() as session:
            wanted = {"kind": "webhook", "title": "x", "address": there.url, "wants": ["fault"]}
            measure = {"fault_chance": 0.01, "fault_within_days": 60}
            add_receiver(session, NewReceiver.model_validate(wanted | measure), "x", NOW)
        work(tmp_path, NOW, where, number)
        work(tmp_path, NOW + timedelta(minutes=3))
        work(tmp_path, NOW + timedelta(minutes=9))
        numbers = [headers["webhook-id"] for _, headers, _ in there.got]
        assert len(set(numbers)) == 4
        assert len(numbers) == 4 + (where in ("sent", "noted in part")), "sent again under its number, once"
        with store.reading() as session:
            assert {message.state for message in session.query(OutgoingMessage)} == {"sent"}
            assert session.query(Notice).count() == 4
            assert {job.state for job in session.query(Job)} == {"done"}
        store.close()


@pytest.mark.parametrize("where", ["claimed", "sent", "noted in part"])
def test_a_digest(tmp_path, where):
    with mailbox() as box:
        mail = {"TIDEOVER_MAIL_SERVER": f"smtp://127.0.0.1:{box.port}", "TIDEOVER_MAIL_FROM": "t@workshop.example"}
        store = open_store(tmp_path)
        fill(store, 4, NOW, seed=4)
        with store.writing() as session:
            add_receiver(
                session, NewReceiver.model_validate({"kind": "mail", "title": "x", "address": "a@b.example"}), "x", NOW
            )
        work(tmp_path, NOW, where, 1, **mail)
        work(tmp_path, NOW + timedelta(minutes=3), **mail)
        store.close()
        mails = [mail for _, mail in box.got]
        assert {mail["Message-ID"] for mail in mails} == {mails[0]["Message-ID"]}
        assert len({mail.get_content() for mail in mails}) == 1
        assert len(mails) == 1 + (where != "claimed")

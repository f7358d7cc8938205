"""Files made to hurt, handed to the command line: a sentence and a status, soon, and never a traceback."""

from __future__ import annotations

import json

import pytest

from service.forecasting.forecasts.examples import example_case
from tests.service.hostile_corpus import HOSTILE_BODIES, as_body, spoiled, tried


@pytest.fixture
def sent(tideover, tmp_path):
    """Hand a body to a command as a file; say what is wrong with how it ended."""

    def to(*command: str, ending: str, **options):
        def send(body: bytes) -> str | None:
            path = tmp_path / f"given{ending}"
            path.write_bytes(body)
            ran = tideover(*command, str(path), **options)
            if ran.exit_code not in (0, 1, 2, 3):
                return f"status {ran.exit_code}"
            if ran.exception is not None and not isinstance(ran.exception, SystemExit):
                return repr(ran.exception)
            if ran.exit_code and not ran.output.strip():
                return "no sentence"
            return None if len(ran.output) < 200_000 else f"{len(ran.output)} characters"

        return send

    return to


@pytest.mark.parametrize("command", ["forecast", "topup-plan", "what-if", "recheck"])
def test_bodies_that_are_no_case(sent, command):
    count, wrong = tried(sent(command, ending=".json"), [(str(n), body) for n, body in enumerate(HOSTILE_BODIES)])
    assert count == len(HOSTILE_BODIES)
    assert not wrong, wrong


@pytest.mark.parametrize(("command", "ending"), [("guess", ".csv"), ("guess", ".json"), ("guess", ".xlsx")])
def test_bodies_that_are_no_file_of_a_logger(sent, command, ending):
    _, wrong = tried(sent(command, ending=ending), [(str(n), body) for n, body in enumerate(HOSTILE_BODIES)])
    assert not wrong, wrong


@pytest.mark.parametrize("ending", [".json", ".jsonl", ".csv", ".parquet"])
def test_bodies_that_are_no_import(sent, tmp_path, ending):
    env = {"TIDEOVER_HOME": str(tmp_path / "own")}
    send = sent("import", "--dry-run", ending=ending, env=env)
    _, wrong = tried(send, [(str(n), body) for n, body in enumerate(HOSTILE_BODIES)])
    assert not wrong, wrong


def test_cases_with_one_hostile_field(sent):
    """Every seventh of those that are sent over REST: one check reads them for both."""
    corpus = [(name, as_body(value)) for name, value in spoiled(json.loads(json.dumps(example_case())))][::7]
    count, wrong = tried(sent("forecast", ending=".json"), corpus)
    assert count > 100, count
    assert not wrong, wrong[:20]

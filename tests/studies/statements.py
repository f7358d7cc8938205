"""Which SQL the tests have one database say that the other never hears.

``pytest -p tests.studies.statements tests/service/store`` ends with the statements of the program that SQLite was given
and PostgreSQL was not, each with a test that gave it. Statements are compared as SQLAlchemy sees them, before they are
put into a dialect, and without their values.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from sqlalchemy import Connection, event
from sqlalchemy.engine import Engine
from sqlalchemy.schema import ExecutableDDLElement

heard: dict[str, dict[str, str]] = {"sqlite": {}, "postgresql": {}}
"""By database: each statement, and the first test that gave it."""

running = ""


def shape(statement: object) -> str:
    """Return a statement without its values: how many rows it inserts at once does not count either."""
    plain = re.sub(r"%\(\w+\)s|:\w+|\?", "?", str(statement))
    return re.sub(r"(\([^()]*\))(, \1)+", r"\1", " ".join(plain.split()))


@event.listens_for(Engine, "before_execute")
def listen(connection: Connection, statement: object, *_more: object) -> None:
    if isinstance(statement, ExecutableDDLElement):  # of a migration: written for one database, and run on both
        return
    heard[connection.dialect.name].setdefault(shape(statement), running)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Iterator[None]:
    global running
    running = item.nodeid
    return (yield)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Hand what a worker heard to the process that tells of all."""
    if hasattr(session.config, "workeroutput"):
        session.config.workeroutput["heard"] = heard


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node) -> None:
    for database, statements in node.workeroutput["heard"].items():
        heard[database] |= statements


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    missed = {text: test for text, test in heard["sqlite"].items() if text not in heard["postgresql"]}
    terminalreporter.section(f"{len(missed)} of {len(heard['sqlite'])} statements on SQLite alone")
    for text, test in sorted(missed.items(), key=lambda one: one[1]):
        terminalreporter.write_line(f"{test}\n    {text}")

"""Bodies and files made to hurt, derived from sound ones: each field in turn holds what it should not. Invented."""

from __future__ import annotations

import copy
import json
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

HOSTILE_VALUES: tuple[Any, ...] = (
    *(None, True, -1, 0, 0.5, 1e308, -1e308, 5e-324, 10**400, -(10**30)),
    *("", "NaN", "Infinity", "x" * 5_000, "\x00", "\ud800", "\u202e<script>", "=1+1", "../../etc/passwd", "9" * 5_000),
    *("0001-01-01T00:00:00Z", "9999-12-31T23:59:59+14:00", "2026-03-02T08:30:00", "1677-09-21T00:12:43Z"),
    *([], {}, [[[[]]]], {"a": {"b": 1}}, [None], ["x"] * 300, [1e308] * 14),
)

HOSTILE_BODIES: tuple[bytes, ...] = (
    *(b"", b"null", b"[]", b'"', b"{", b"nan", b"\xff\xfe", b"\x00", b"1e999", b'{"history":'),
    *(b"[" * 100_000, b'{"a":' * 50_000, b"9" * 100_000, b'{"history": ' + b"[" * 900 + b"]" * 900 + b"}"),
    '{"history": null}'.encode("utf-16"),
    b'{"history": {"pack_id": "\\ud800"}}',
    b'{"history": 1, "history": {}}',
)

HOSTILE_FIELDS: tuple[str, ...] = (
    *("", " ", "NaN", "inf", "-inf", "1e308", "1e309", "-1", "0", "9" * 400, "9" * 5_000, "0x10", "1_0", "1,5", "١٢"),
    *("\x00", "\u202e", "\ufeff", '"', "=cmd", "\t=1", "x" * 9_000, "true", "[]", "1 2 3", "-5 999999999999", "１"),
    *("0001-01-01T00:00:00Z", "9999-12-31T23:59:59+14:00", "2026-02-30T00:00:00Z", "2026-03-02T08:30:00", "1677-01-01"),
)


CPU_SECONDS_EACH = 2.0
"""Processor time: a busy machine does not move it."""

MOST_MEMORY = 300_000_000
"""Above what the process holds before, bytes."""


tries: list[int] = []
"""How many each corpus held that this process has gone through."""


def tried(send: Callable[[Any], str | None], corpus: Iterable[tuple[str, Any]]) -> tuple[int, list[str]]:
    """Send all of a corpus; return how many there were, and what is wrong with some answers, their cost included.

    Parameters
    ----------
    send : callable
        Sends one and says what is wrong with its answer, or None. The first is sent twice: what is loaded with it is
        no part of the cost.
    """
    cases = list(corpus)
    tries.append(len(cases))
    send(cases[0][1])
    Path("/proc/self/clear_refs").write_text("5", encoding="ascii")  # the peak counts from here (proc(5))
    before = _memory("VmRSS")
    wrong = []
    for name, body in cases:
        began = time.process_time()
        said = send(body)
        if said is not None:
            wrong.append(f"{name}: {said}")
        if (took := time.process_time() - began) > CPU_SECONDS_EACH:
            wrong.append(f"{name}: took {took:.1f} s")
        if _memory("VmHWM") - before > MOST_MEMORY:
            wrong.append(f"{name}: {_memory('VmHWM') - before} bytes more than before")
            break
    return len(cases), wrong


def _memory(what: str) -> int:
    lines = Path("/proc/self/status").read_text(encoding="ascii", errors="replace").splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(f"{what}:"))


def spoiled(sound: Any) -> Iterator[tuple[str, Any]]:
    """Yield a JSON value with each of its leaves replaced by each hostile value; of lists the first item alone."""
    for path in _leaves(sound):
        for number, value in enumerate(HOSTILE_VALUES):
            whole = copy.deepcopy(sound)
            holder = whole
            for step in path[:-1]:
                holder = holder[step]
            holder[path[-1]] = value
            yield f"{'.'.join(map(str, path))}-{number}", whole


def as_body(value: Any) -> bytes:
    """Write a value as JSON, lone surrogates and numbers of any length included."""
    return json.dumps(value).encode()


def _leaves(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    if path:
        yield path
    if isinstance(value, dict):
        for name, part in value.items():
            yield from _leaves(part, (*path, name))
    elif isinstance(value, list) and value:
        yield from _leaves(value[0], (*path, 0))

"""Trace context (W3C Trace Context, level 1) of requests and jobs, and spans where OpenTelemetry is installed.

Whoever runs the service decides where spans go, with OpenTelemetry's own launcher and variables; without it nothing is
recorded and nothing leaves. A span carries no pack, no path and no value.
"""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final, Literal, Self

TRACEPARENT: Final = "traceparent"
TRACERESPONSE: Final = "traceresponse"
"""Header of an answer (W3C Trace Context, level 2, a draft; from memory, unverified)."""

_PARENT = re.compile(
    r"^(?P<version>[0-9a-f]{2})-(?P<trace>[0-9a-f]{32})-(?P<span>[0-9a-f]{16})-(?P<flags>[0-9a-f]{2})(?P<more>-.*)?$"
)


@dataclass(frozen=True)
class TraceContext:
    """Which trace something belongs to, and as which step.

    Attributes
    ----------
    trace_id : str
        32 hexadecimal digits.
    span_id : str
        16 of them.
    """

    trace_id: str
    span_id: str
    sampled: bool

    @classmethod
    def read(cls, header: str) -> Self | None:
        """Return what a ``traceparent`` says; None where it is not one (Trace Context, 3.2.2)."""
        found = _PARENT.match(header.strip())
        if found is None or found["version"] == "ff" or (found["version"] == "00" and found["more"]):
            return None
        if not int(found["trace"], 16) or not int(found["span"], 16):
            return None
        return cls(found["trace"], found["span"], bool(int(found["flags"], 16) & 1))

    @classmethod
    def following(cls, parent: TraceContext | None) -> Self:
        """Return the next step of a trace, or the first of a new one."""
        trace = secrets.token_hex(16) if parent is None else parent.trace_id
        return cls(trace, secrets.token_hex(8), parent is not None and parent.sampled)

    def header(self) -> str:
        """Return it as a header."""
        return f"00-{self.trace_id}-{self.span_id}-{int(self.sampled):02x}"


@dataclass
class Step:
    """A request or a job while it runs.

    Attributes
    ----------
    name : str
        May become known only meanwhile.
    """

    context: TraceContext
    name: str
    attributes: dict[str, Any] = field(default_factory=dict)
    failed: bool = False


@contextmanager
def step(name: str, kind: Literal["SERVER", "CONSUMER"], parent: TraceContext | None = None) -> Iterator[Step]:
    """Run a block as a step of a trace: the caller's, or a new one.

    Parameters
    ----------
    kind : {"SERVER", "CONSUMER"}
        As OpenTelemetry calls them: a request that is answered, a job that is taken.
    """
    trace = _open_telemetry()
    if trace is None:
        yield Step(TraceContext.following(parent), name)
        return
    above = None
    if parent is not None:
        flags = trace.TraceFlags(trace.TraceFlags.SAMPLED if parent.sampled else trace.TraceFlags.DEFAULT)
        ids = int(parent.trace_id, 16), int(parent.span_id, 16)
        above = trace.set_span_in_context(trace.NonRecordingSpan(trace.SpanContext(*ids, True, flags)))
    tracer = trace.get_tracer("tideover")
    # What an error says may quote an input: it is not recorded, only that there was one.
    with tracer.start_as_current_span(
        name, above, trace.SpanKind[kind], record_exception=False, set_status_on_exception=False
    ) as span:
        now = span.get_span_context()
        if span.is_recording():
            ours = TraceContext(f"{now.trace_id:032x}", f"{now.span_id:016x}", bool(now.trace_flags.sampled))
        else:
            ours = TraceContext.following(parent)
        running = Step(ours, name)
        try:
            yield running
        except BaseException:
            running.failed = True
            raise
        finally:
            span.update_name(running.name)
            span.set_attributes({key: value for key, value in running.attributes.items() if value is not None})
            if running.failed:
                span.set_status(trace.StatusCode.ERROR)


@cache
def _open_telemetry() -> Any:
    try:
        from opentelemetry import trace
    except ImportError:
        return None
    return trace

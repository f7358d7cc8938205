"""Counters and timings of one application, by route template: no pack and no value gets into a label."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping
from time import perf_counter
from typing import Final

from prometheus_client import CollectorRegistry, Counter, Histogram
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.multiprocess import MultiProcessCollector
from prometheus_client.registry import Collector
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from service.http.serving import MERGED_FROM

FORECASTS: Final = frozenset({"make_forecast", "issue_forecast"})
NO_ROUTE: Final = "none"


LOOKED_UP: Final[Mapping[str, tuple[str, tuple[str, ...]]]] = {
    "tideover_model_info": ("1 for the model that answers.", ("model_id",)),
    "tideover_model_made_timestamp_seconds": ("When the model that answers was made.", ()),
    "tideover_jobs": ("Jobs in the store by state.", ("state",)),
    "tideover_job_waiting_seconds": ("How long the oldest job in the queue has waited.", ()),
    "tideover_notices_given_up": ("Messages to receivers of notices that never arrived.", ()),
    "tideover_open_cases": ("Packs out on a top-up with a forecast in the lists.", ()),
    "tideover_self_check_timestamp_seconds": ("When the newest self-check ended, or 0.", ()),
    "tideover_self_check_sound": ("1: frozen cases are forecast as at first; 0: they are not.", ()),
    "tideover_live_record_alarm": ("1: forecasts no longer come true, by the newest self-check.", ()),
    "tideover_drifted_features": ("Features of recent packs that differ from training, by the newest self-check.", ()),
}
"""Gauges by name: what they tell, and their labels."""


class LookedUp(Collector):
    """Gauges that are looked up in the store whenever somebody asks: all processes would say the same."""

    def __init__(self) -> None:
        self.values: dict[str, dict[tuple[str, ...], float]] = {}

    def collect(self) -> Iterator[GaugeMetricFamily]:
        """Yield the gauges; one without labels that was not told of is 0."""
        for name, (text, labels) in LOOKED_UP.items():
            gauge = GaugeMetricFamily(name, text, labels=labels)
            for of, value in self.values.get(name, {} if labels else {(): 0.0}).items():
                gauge.add_metric(of, value)
            yield gauge


class Measures:
    """The measures of one application; nothing is shared between applications in one process."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        labels = ("method", "route", "status")
        self.requests = Counter("tideover_requests", "Requests answered.", labels, registry=self.registry)
        self.seconds = Histogram(
            "tideover_request_seconds", "Time to an answer, in seconds.", ("method", "route"), registry=self.registry
        )
        self.forecast_seconds = Histogram(
            "tideover_forecast_seconds",
            "Time to a forecast of one pack, in seconds.",
            buckets=(0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5),
            registry=self.registry,
        )
        self.out_of_range = Counter(
            "tideover_forecasts_out_of_range",
            "Forecasts of packs outside what the model has seen: flagged and widened, or refused as too far out.",
            ("told",),
            registry=self.registry,
        )
        for told in ("flagged", "refused"):
            self.out_of_range.labels(told)
        self.stops = Counter(
            "tideover_stops",
            "Answers that a fact about the pack ended, by its code.",
            ("code",),
            registry=self.registry,
        )
        self.looked_up = LookedUp()
        self.registry.register(self.looked_up)

    def together(self) -> CollectorRegistry:
        """Return what all processes of the service counted and timed, and what was looked up last."""
        if MERGED_FROM not in os.environ:
            return self.registry
        merged = CollectorRegistry()
        MultiProcessCollector(merged)  # type: ignore[no-untyped-call]
        merged.register(self.looked_up)
        return merged

    def note_flags(self, flags: Iterable[Mapping[str, str]]) -> None:
        """Count a forecast that was given if it is flagged as out of range."""
        if any(flag["code"] == "out-of-range" for flag in flags):
            self.out_of_range.labels("flagged").inc()


class Measure:
    """ASGI middleware that counts and times every request."""

    def __init__(self, app: ASGIApp, measures: Measures) -> None:
        self.app = app
        self.measures = measures

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        started = perf_counter()
        status = 500

        async def send_and_note(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        try:
            await self.app(scope, receive, send_and_note)
        finally:
            seconds = perf_counter() - started
            route = scope.get("route")
            path = getattr(route, "path", NO_ROUTE)
            # Methods are whatever a caller writes; only those of our routes become a label.
            method = scope["method"] if route is not None else NO_ROUTE
            self.measures.requests.labels(method, path, status).inc()
            self.measures.seconds.labels(method, path).observe(seconds)
            if status < 300 and getattr(route, "operation_id", None) in FORECASTS:
                self.measures.forecast_seconds.observe(seconds)

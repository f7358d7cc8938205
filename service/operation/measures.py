"""Counters and timings of one application, by route template: no pack and no value gets into a label."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from time import perf_counter
from typing import Final

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from starlette.types import ASGIApp, Message, Receive, Scope, Send

FORECASTS: Final = frozenset({"make_forecast", "issue_forecast"})
NO_ROUTE: Final = "none"


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
        self.model = Gauge(
            "tideover_model_info", "1 for the model that answers.", ("model_id",), registry=self.registry
        )
        self.model_made = Gauge(
            "tideover_model_made_timestamp_seconds", "When the model that answers was made.", registry=self.registry
        )
        self.jobs = Gauge("tideover_jobs", "Jobs in the store by state.", ("state",), registry=self.registry)
        self.waiting = Gauge(
            "tideover_job_waiting_seconds", "How long the oldest job in the queue has waited.", registry=self.registry
        )
        self.notices_lost = Gauge(
            "tideover_notices_given_up", "Messages to receivers of notices that never arrived.", registry=self.registry
        )
        self.open_cases = Gauge(
            "tideover_open_cases", "Packs out on a top-up with a forecast in the lists.", registry=self.registry
        )
        self.checked = Gauge(
            "tideover_self_check_timestamp_seconds",
            "When the newest self-check ended, or 0.",
            registry=self.registry,
        )
        self.sound = Gauge(
            "tideover_self_check_sound",
            "1: frozen cases are forecast as at first; 0: they are not.",
            registry=self.registry,
        )
        self.alarm = Gauge(
            "tideover_live_record_alarm",
            "1: forecasts no longer come true, by the newest self-check.",
            registry=self.registry,
        )
        self.drifted = Gauge(
            "tideover_drifted_features",
            "Features of recent packs that differ from training, by the newest self-check.",
            registry=self.registry,
        )

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

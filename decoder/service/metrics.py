"""What is counted, for Prometheus: requests by route, method and status, their time, markings, tables.

Every label has a closed set of values: routes are those of the application (`other` for any other address), methods
those of HTTP. No marking, no client and no address is a label.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from prometheus_client import Counter, Histogram

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"
SHARED: Final = "PROMETHEUS_MULTIPROC_DIR"  # where several processes of one service keep their counts
METHODS: Final = frozenset({"GET", "HEAD", "POST", "OPTIONS", "PUT", "PATCH", "DELETE"})
OTHER: Final = "other"
SECONDS: Final = (0.0005, 0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 1.0, 5.0, 30.0)


class Metrics:
    """The counts of one application, in a registry of its own."""

    def __init__(self) -> None:
        # The library looks for the environment variable SHARED when it is loaded, and never again.
        from prometheus_client import (
            CollectorRegistry,
            Counter,
            Gauge,
            Histogram,
            PlatformCollector,
            ProcessCollector,
            disable_created_metrics,
        )

        disable_created_metrics()  # type: ignore[no-untyped-call]

        self.registry = CollectorRegistry()
        self._requests = Counter(
            "partdate_requests", "Requests answered.", ("route", "method", "status"), registry=self.registry
        )
        self._seconds = Histogram(
            "partdate_request_seconds",
            "Time from the arrival of a whole request to the end of its answer.",
            ("route",),
            buckets=SECONDS,
            registry=self.registry,
        )
        self._markings = Counter(
            "partdate_markings",
            "Markings answered, by what came of them.",
            ("status",),
            registry=self.registry,
        )
        self._reloads = Counter(
            "partdate_table_loads",
            "Tables loaded again while running, by what came of it.",
            ("result",),
            registry=self.registry,
        )
        self.streams = Gauge(
            "partdate_streams",
            "Streams being answered.",
            registry=self.registry,
            multiprocess_mode="livesum",
        )
        if SHARED not in os.environ:
            ProcessCollector(registry=self.registry)
            PlatformCollector(registry=self.registry)
        self._known: dict[tuple[str, str, int], Counter] = {}
        self._timed: dict[str, Histogram] = {}
        self._statuses: dict[str, Counter] = {}

    def answered(self, route: str, method: str, status: int, seconds: float) -> None:
        """Count one request."""
        key = (route, method, status)
        counter = self._known.get(key)
        if counter is None:
            shown = method if method in METHODS else OTHER
            counter = self._known[route, shown, status] = self._requests.labels(route, shown, str(status))
        counter.inc()
        timer = self._timed.get(route)
        if timer is None:
            timer = self._timed[route] = self._seconds.labels(route)
        timer.observe(seconds)

    def marking(self, status: str) -> None:
        """Count one marking: read, near-miss, unread, or refused."""
        counter = self._statuses.get(status)
        if counter is None:
            counter = self._statuses[status] = self._markings.labels(status)
        counter.inc()

    def loaded(self, result: str) -> None:
        """Count one loading of the tables: loaded, or refused."""
        self._reloads.labels(result).inc()

    def text(self) -> bytes:
        """All counts as Prometheus reads them; those of all processes of this service, where there are several."""
        from prometheus_client import CollectorRegistry, generate_latest, multiprocess

        registry = self.registry
        if SHARED in os.environ:
            registry = CollectorRegistry()
            multiprocess.MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
        return generate_latest(registry)

    def process_ended(self, pid: int) -> None:
        """Forget what a process that has ended was doing; what it had counted stays."""
        from prometheus_client import multiprocess

        multiprocess.mark_process_dead(pid)  # type: ignore[no-untyped-call]

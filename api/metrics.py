"""Figures for a monitoring system, in Prometheus' text format.

Counting costs two dictionary look-ups a request; the library that formats is imported when first asked.
Labels are never job ids or file names: their number must stay small.
"""

import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from starlette.types import ASGIApp, Message, Receive, Scope, Send

if TYPE_CHECKING:
    from prometheus_client.core import Metric

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"


class Counts:
    """What the server counts about itself. Touched on the event loop only."""

    def __init__(self) -> None:
        self.requests: Counter[tuple[str, str, str]] = Counter()
        """Answers sent, by method, route and status."""
        self.seconds: defaultdict[tuple[str, str], float] = defaultdict(float)
        """Time spent on answers, by method and route."""
        self.refused_tokens = 0

    def refuse_token(self) -> None:
        """Count one wrong token."""
        self.refused_tokens += 1


class CountRequests:
    """ASGI middleware: counts answers and their time by route."""

    def __init__(self, app: ASGIApp, counts: Counts) -> None:
        self._app = app
        self._counts = counts

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on and count its answer."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        status, begun_s = "none", time.perf_counter()

        async def noting_send(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = str(message["status"])
            await send(message)

        try:
            await self._app(scope, receive, noting_send)
        finally:
            # An unknown path, and any method of a stranger's making, must not make a label of its own.
            route = str(getattr(scope.get("route"), "path", "none"))
            method = scope["method"] if route != "none" else "any"
            self._counts.requests[method, route, status] += 1
            self._counts.seconds[method, route] += time.perf_counter() - begun_s


@dataclass(frozen=True, slots=True)
class Gauge:
    """A figure as it is now: `values` by the values of the labels, in the order of `labels`."""

    name: str
    words: str
    values: Mapping[tuple[str, ...], float]
    labels: tuple[str, ...] = ()


def render(counts: Counts, gauges: Sequence[Gauge]) -> bytes:
    """Write the counts and gauges as text."""
    from prometheus_client import CollectorRegistry, ProcessCollector, generate_latest

    registry = CollectorRegistry()
    ProcessCollector(registry=registry)  # memory and CPU time of this process, on Linux
    registry.register(_Collector(counts, gauges))
    return generate_latest(registry)


class _Collector:
    def __init__(self, counts: Counts, gauges: Sequence[Gauge]) -> None:
        self._counts = counts
        self._gauges = gauges

    def collect(self) -> Iterable["Metric"]:
        from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

        requests = CounterMetricFamily(
            "romwright_http_requests", "Answers sent.", labels=["method", "route", "status"]
        )
        for labels, count in self._counts.requests.items():
            requests.add_metric(list(labels), count)
        yield requests
        seconds = CounterMetricFamily(
            "romwright_http_request_seconds", "Time spent on answers.", labels=["method", "route"]
        )
        for route, spent in self._counts.seconds.items():
            seconds.add_metric(list(route), spent)
        yield seconds
        yield CounterMetricFamily(
            "romwright_refused_tokens", "Requests with a wrong token.", value=self._counts.refused_tokens
        )
        for gauge in self._gauges:
            family = GaugeMetricFamily(gauge.name, gauge.words, labels=gauge.labels)
            for values, value in gauge.values.items():
                family.add_metric(values, value)
            yield family

"""Metrics of the collector itself: who is connected, how full the window is, how the ticks went. Nothing remembered."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping

from prometheus_client.core import Metric
from prometheus_client.registry import Collector

from noonmark.collector.demand import Demand
from noonmark.collector.estimator import TickStatistics
from noonmark.collector.families import counter, gauge, single
from noonmark.collector.ingest import IngestFill
from noonmark.collector.keeping import KeepingStatistics

OUTCOMES = {
    "published": "ticks",
    "empty": "empty",
    "reference-missing": "waiting",
    "failed": "failed",
    "overrun": "overrun",
}


class ServerCollector(Collector):
    """A prometheus-client collector over the server's parts. `interval` is the tick's, in seconds."""

    def __init__(
        self,
        fill: Callable[[], IngestFill],
        ticks: Callable[[], TickStatistics],
        plans: Callable[[], int],
        *,
        interval: float,
        keeping: Callable[[], KeepingStatistics] | None = None,
        demand: Demand | None = None,
        refusals: Callable[[], Mapping[str, int]] = dict,
        certificate_expires_s: Callable[[], float | None] = lambda: None,
    ) -> None:
        self._fill = fill
        self._ticks = ticks
        self._plans = plans
        self._interval = interval
        self._keeping = keeping
        self._demand = demand
        self._refusals = refusals
        self._certificate_expires_s = certificate_expires_s

    def describe(self) -> Iterable[Metric]:
        """Nothing ahead of the scrape."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """All families."""
        fill, ticks = self._fill(), self._ticks()
        yield single("collector_streams", fill.streams)
        yield single("collector_hosts", fill.hosts)
        yield single("collector_window_records", fill.window_rows)
        yield single("tick_interval_seconds", self._interval)
        yield counter(
            "collector_ticks_total", (((outcome,), getattr(ticks, name)) for outcome, name in OUTCOMES.items())
        )
        if self._keeping is not None:
            keeping = self._keeping()
            yield counter("collector_store_failures_total", [((), keeping.failures)])
            yield counter("collector_estimates_kept_total", [((), keeping.kept)])
            yield counter("collector_estimates_given_up_total", [((), keeping.given_up)])
            yield single("collector_estimates_waiting", keeping.waiting)
        yield counter("collector_plans_total", [((), self._plans())])
        if self._demand is not None:
            pressure, levels = self._demand.pressure, self._demand.levels
            yield single("collector_pressure_level", pressure.level)
            yield single("collector_loop_late_ratio", pressure.strain)
            yield gauge("collector_probed_hosts", (((f"{2.0**level:g}",), levels[level]) for level in levels))
        refusals = self._refusals()
        yield counter("collector_refused_total", (((reason,), count) for reason, count in sorted(refusals.items())))
        expires_s = self._certificate_expires_s()
        if expires_s is not None:
            yield single("collector_certificate_expiry_timestamp_seconds", expires_s)

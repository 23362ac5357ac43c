"""Metrics of the collector itself: who is connected, how full the window is, how the ticks went. Nothing remembered."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from noonmark.collector.estimator import TickStatistics
from noonmark.collector.ingest import IngestFill

OUTCOMES = {
    "published": "ticks",
    "empty": "empty",
    "reference-missing": "waiting",
    "failed": "failed",
    "overrun": "overrun",
}


class ServerCollector(Collector):
    """A prometheus-client collector over the server's parts."""

    def __init__(
        self, fill: Callable[[], IngestFill], ticks: Callable[[], TickStatistics], plans: Callable[[], int]
    ) -> None:
        self._fill = fill
        self._ticks = ticks
        self._plans = plans

    def describe(self) -> Iterable[Metric]:
        """Nothing ahead of the scrape."""
        return ()

    def collect(self) -> Iterator[Metric]:
        """All families."""
        fill, ticks = self._fill(), self._ticks()
        yield GaugeMetricFamily("noonmark_collector_streams", "Agents connected.", value=fill.streams)
        yield GaugeMetricFamily("noonmark_collector_hosts", "Hosts that reported lately.", value=fill.hosts)
        yield GaugeMetricFamily("noonmark_collector_window_records", "Records in the window.", value=fill.window_rows)
        outcomes = CounterMetricFamily("noonmark_collector_ticks", "Ticks, by outcome.", labels=("outcome",))
        for outcome, name in OUTCOMES.items():
            outcomes.add_metric((outcome,), getattr(ticks, name))
        yield outcomes
        yield CounterMetricFamily(
            "noonmark_collector_store_failures", "Estimates that could not be stored.", value=ticks.store_failures
        )
        yield CounterMetricFamily("noonmark_collector_plans", "Probe plans drawn up.", value=self._plans())

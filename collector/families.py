"""Families of the prometheus-client library, made from the one table of metrics; nothing is remembered."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TypeVar

from prometheus_client.core import (
    CounterMetricFamily,
    GaugeHistogramMetricFamily,
    GaugeMetricFamily,
    InfoMetricFamily,
    Metric,
)

from noonmark.collector.metric_table import BY_NAME

_Family = TypeVar("_Family", GaugeMetricFamily, CounterMetricFamily, InfoMetricFamily, GaugeHistogramMetricFamily)


def _new(kind: str, family: type[_Family], name: str, ending: str = "") -> _Family:
    metric = BY_NAME[f"noonmark_{name}"]
    if metric.kind != kind:
        raise TypeError(f"{metric.name} is a {metric.kind}, no {kind}")
    labels = metric.labels if kind != "info" else ()
    return family(metric.name.removesuffix(ending), metric.text, labels=labels)


def gauge(name: str, samples: Iterable[tuple[Sequence[str], float]]) -> GaugeMetricFamily:
    """A gauge (name without prefix) with its samples: label values, value."""
    family = _new("gauge", GaugeMetricFamily, name)
    for labels, value in samples:
        family.add_metric(labels, value)
    return family


def single(name: str, value: float) -> GaugeMetricFamily:
    """A gauge without labels."""
    return gauge(name, [((), value)])


def counter(name: str, samples: Iterable[tuple[Sequence[str], float]]) -> CounterMetricFamily:
    """A counter; the name with its `_total`."""
    family = _new("counter", CounterMetricFamily, name, "_total")
    for labels, value in samples:
        family.add_metric(labels, value)
    return family


def info(name: str, samples: Iterable[Sequence[str]]) -> InfoMetricFamily:
    """An info metric; the name with its `_info`. Each sample is its label values, all of them."""
    labels = BY_NAME[f"noonmark_{name}"].labels
    family = _new("info", InfoMetricFamily, name, "_info")
    for values in samples:
        family.add_metric((), dict(zip(labels, values, strict=True)))
    return family


def histogram(
    name: str, samples: Mapping[tuple[str, ...], tuple[list[tuple[str, float]], float]]
) -> GaugeHistogramMetricFamily:
    """A histogram of what is there now: cumulated buckets (upper bound, count) and the sum, by label values."""
    family = _new("histogram", GaugeHistogramMetricFamily, name)
    for labels, (buckets, total) in samples.items():
        family.add_metric(labels, buckets, gsum_value=total)
    return family


def by_label(name: str, values: Mapping[str, float]) -> Metric:
    """A gauge with one label."""
    return gauge(name, (((key,), value) for key, value in sorted(values.items())))

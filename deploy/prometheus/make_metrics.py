"""Write METRICS.md, the table of every metric, from the code; `--check` only says whether it is fresh (else exits 1).

Run as: python deploy/prometheus/make_metrics.py [--check]
"""

from __future__ import annotations

import dataclasses
import enum
import sys
import types
import typing
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path

from noonmark.agent import metrics as agent_metrics
from noonmark.agent.report import ReportStatistics
from noonmark.collector.exporter import ingest_text
from noonmark.collector.ingest import IngestStatistics
from noonmark.collector.metric_table import MOST_ZONES, TABLE, Metric

DOCUMENT = Path(__file__).with_name("METRICS.md")
HEAD = f"""# Metrics

Made from the code by `deploy/prometheus/make_metrics.py`; do not edit.

What is promised: names, types, units, labels and the meaning of signs stay as they are within a major version. All
times and time errors are in seconds, rates of clocks in seconds per second (`_ratio`). **A positive time error means
that the host's clock is ahead of the reference.** What is not known is absent, never zero; a limit that cannot be given
is an infinity. `host` is the name that the agent reports under; join `noonmark_host_info` for its zone and role:

    noonmark_host_time_error_seconds * on (host) group_left (zone, role) noonmark_host_info

No label grows without bound: a fleet with more hosts than `--series-hosts` (2,000 unless set) names its worst 50 hosts
and its references only, while totals, distributions and `noonmark_budget_hosts` still count every host, and each
agent's own `/metrics` tells of its own host; at most {MOST_ZONES} zones are named. A series of a host that left or fell
silent is gone at the next scrape; its `noonmark_host_state` and ages stay as long as the collector remembers it. Scrape
with `honor_labels: true`, so that a target label `zone` of the scrape does not rename ours.

An *info* is a gauge that is always 1. A *histogram* here counts what is there now, so it is asked without `rate`:

    histogram_quantile(0.99, noonmark_fleet_absolute_time_error_distribution_seconds_bucket)
"""


def main() -> int:
    """Write or check."""
    text = document()
    if "--check" in sys.argv[1:]:
        fresh = DOCUMENT.exists() and DOCUMENT.read_text(encoding="utf-8") == text
        if not fresh:
            print(f"{DOCUMENT.name} is not fresh: run python {Path(__file__).name}", file=sys.stderr)
        return 0 if fresh else 1
    DOCUMENT.write_text(text, encoding="utf-8")
    return 0


def document() -> str:
    """The whole text."""
    parts = [HEAD]
    for part, metrics in (("Of the collector", [*TABLE, *ingest()]), ("Of each agent", list(agent()))):
        parts.append(f"## {part}\n")
        for group in dict.fromkeys(metric.group for metric in metrics):
            rows = [metric for metric in metrics if metric.group == group]
            parts.append(f"### {group}\n\n" + "\n".join(table(rows)) + "\n")
    return "\n".join(parts)


def table(metrics: Iterable[Metric]) -> Iterator[str]:
    """Rows of one table."""
    yield "| name | type | unit | labels | meaning |"
    yield "|---|---|---|---|---|"
    for metric in metrics:
        labels = ", ".join(f"`{label}`" for label in metric.labels) or "–"
        text = metric.text.replace("|", "\\|")
        yield f"| `{metric.name}` | {metric.kind} | {metric.unit or '–'} | {labels} | {text} |"


def ingest() -> Iterator[Metric]:
    """Counters of the collector's ingest."""
    for field in dataclasses.fields(IngestStatistics):
        yield Metric(f"noonmark_ingest_{field.name}_total", "counter", ingest_text(field), (), "Reports taken in")


def agent() -> Iterator[Metric]:
    """An agent's own, from a snapshot in which there is something of everything."""
    for family in agent_metrics.families(typing.cast(agent_metrics.Snapshot, filled(agent_metrics.Snapshot))):
        labels = tuple(family.samples[0][0])
        kind = "info" if family.name.endswith("_info") else family.kind
        yield Metric(family.full_name, kind, family.help, labels, "The agent and its own host")


def filled(kind: object) -> object:
    """A value of any annotated type, nothing in it empty."""
    if isinstance(kind, type) and dataclasses.is_dataclass(kind):
        hints = typing.get_type_hints(
            kind, {**vars(sys.modules[kind.__module__]), "ReportStatistics": ReportStatistics}
        )
        return kind(**{field.name: filled(hints[field.name]) for field in dataclasses.fields(kind)})
    if typing.get_origin(kind) in (types.UnionType, typing.Union):
        return filled(typing.get_args(kind)[0])
    if typing.get_origin(kind) is Mapping or typing.get_origin(kind) is typing.get_origin(Mapping[str, int]):
        return {"x": filled(typing.get_args(kind)[1])}
    if typing.get_origin(kind) is tuple:
        return (filled(typing.get_args(kind)[0]),)
    assert isinstance(kind, type), kind
    return next(iter(kind)) if issubclass(kind, enum.Enum) else kind(1)


if __name__ == "__main__":
    sys.exit(main())

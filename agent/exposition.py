"""Metric families to Prometheus's text format 0.0.4 (prometheus.io/docs/instrumenting/exposition_formats). Pure.

Our own, because the usual library brings the standard library's HTTP server, mail parser and TLS along: 7 MB of
resident memory, a sixth of the whole agent, on every host of a fleet. Its parser is this file's judge in the tests.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
Sample = tuple[Mapping[str, str], float]


@dataclass(frozen=True, slots=True)
class Family:
    """One metric: its name without the ending `_total`, and a value for each set of labels."""

    name: str
    help: str
    samples: tuple[Sample, ...]
    kind: str = "gauge"

    @property
    def full_name(self) -> str:
        """As exposed: counters end in `_total`."""
        return f"{self.name}_total" if self.kind == "counter" else self.name


def gauge(name: str, text: str, value: float) -> Family:
    """A gauge without labels."""
    return Family(name, text, (({}, value),))


def counter(name: str, text: str, value: float) -> Family:
    """A counter without labels."""
    return Family(name, text, (({}, value),), "counter")


def labelled(name: str, text: str, label: str, values: Mapping[str, float], kind: str = "counter") -> Family:
    """One sample a value of one label."""
    return Family(name, text, tuple(({label: key}, value) for key, value in sorted(values.items())), kind)


def expose(families: Iterable[Family]) -> str:
    """The page. A family without samples shows its HELP and TYPE only."""
    return "".join(line for family in families for line in _lines(family))


def _lines(family: Family) -> Iterable[str]:
    name = family.full_name
    yield f"# HELP {name} {_escaped(family.help)}\n"
    yield f"# TYPE {name} {family.kind}\n"
    for labels, value in family.samples:
        inside = ",".join(f'{key}="{_escaped(text, quote=True)}"' for key, text in labels.items())
        yield f"{name}{{{inside}}} {value!r}\n" if inside else f"{name} {value!r}\n"


def _escaped(text: str, *, quote: bool = False) -> str:
    text = text.replace("\\", r"\\").replace("\n", r"\n")
    return text.replace('"', r"\"") if quote else text

"""A course as columns for a chart, thinned honestly where it has more ticks than points were asked for. Pure.

Thinning never hides an extreme: a point stands for a stretch of time and carries, of all ticks in it, the lowest and
the highest estimate, the greatest uncertainty, the widest limits, and how many ticks had no answer, with a reason.
Where every tick has its own point, lowest and highest are the estimate itself.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from noonmark.collector.estimate import UNBOUNDED_NS, PairEstimate

COLUMNS = (
    "at_ns",
    "ticks",
    "unknown",
    "offset_ns",
    "lowest_ns",
    "highest_ns",
    "uncertainty_ns",
    "lower_ns",
    "upper_ns",
    "reason",
)


class TooMany(ValueError):  # noqa: N818 - named for what the catcher holds
    """More ticks than may be read for one answer."""


@dataclass(slots=True)
class Thinned:
    """Equally long columns, one row a point; None where nothing is known."""

    ticks: int = 0
    """Ticks read, all together."""
    columns: dict[str, list[int | None]] = field(default_factory=lambda: {name: [] for name in COLUMNS})
    reasons: list[str] = field(default_factory=list)
    """What column `reason` counts into: why nothing is known, or a caution."""

    def __len__(self) -> int:
        return len(self.columns["at_ns"])


def thin(pairs: Iterable[PairEstimate], since_ns: int, until_ns: int, points: int, *, most: int) -> Thinned:
    """At most `points` points from ticks rising in time within [since, until). Raises TooMany past `most` ticks.

    No more ticks are in memory at once than one point stands for, or than there may be points.
    """
    rest = iter(pairs)
    first = list(itertools.islice(rest, points + 1))
    thinned = Thinned()
    groups: Iterable[list[PairEstimate]] = ([tick] for tick in first)
    if len(first) > points:
        groups = _groups(itertools.chain(first, rest), since_ns, -(-(until_ns - since_ns) // points))
    for group in groups:
        thinned.ticks += len(group)
        if thinned.ticks > most:
            raise TooMany
        for name, value in _point(group, thinned.reasons).items():
            thinned.columns[name].append(value)
    return thinned


def _groups(ticks: Iterable[PairEstimate], since_ns: int, each: int) -> Iterator[list[PairEstimate]]:
    for _, group in itertools.groupby(ticks, key=lambda tick: (tick.at_ns - since_ns) // each):
        yield list(group)


def _point(group: Sequence[PairEstimate], reasons: list[str]) -> dict[str, int | None]:
    known = sorted((tick for tick in group if tick.known), key=lambda tick: tick.offset_ns)
    told = next((tick.reason for tick in group if not tick.known), "") or next(
        (tick.reason for tick in group if tick.reason), ""
    )
    row: dict[str, int | None] = dict.fromkeys(COLUMNS)
    row |= {
        "at_ns": group[len(group) // 2].at_ns,
        "ticks": len(group),
        "unknown": len(group) - len(known),
        "reason": _numbered(told, reasons),
    }
    if known:
        lower, upper = min(tick.lower_ns for tick in known), max(tick.upper_ns for tick in known)
        row |= {
            "offset_ns": known[len(known) // 2].offset_ns,
            "lowest_ns": known[0].offset_ns,
            "highest_ns": known[-1].offset_ns,
            "uncertainty_ns": max(tick.uncertainty_ns for tick in known),
            "lower_ns": None if lower <= -UNBOUNDED_NS else lower,
            "upper_ns": None if upper >= UNBOUNDED_NS else upper,
        }
    return row


def _numbered(reason: str, reasons: list[str]) -> int | None:
    """A reason's place in the list; ages in it differ from tick to tick, so only the first few are told."""
    if not reason:
        return None
    if reason not in reasons:
        if len(reasons) >= MOST_REASONS:
            return len(reasons) - 1
        reasons.append(reason)
    return reasons.index(reason)


MOST_REASONS = 100


def course_json(
    a: str, b: str | None, since_ns: int, until_ns: int, thinned: Thinned, *, reason: str = ""
) -> dict[str, Any]:
    """The document; `reason` says why there is not a single point."""
    return {
        "schema": "noonmark.course/1",
        "a": a,
        "b": b,
        "since_ns": since_ns,
        "until_ns": until_ns,
        "ticks": thinned.ticks,
        "thinned": thinned.ticks > len(thinned),
        "points": thinned.columns,
        "reasons": thinned.reasons,
        "reason": reason,
    }

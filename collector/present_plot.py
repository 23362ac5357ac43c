"""A course as a small plot of characters. Pure, free of numpy.

Rows are offsets, ahead at the top; columns are time. ``•`` is the estimate, ``┊`` the range within certain limits; a
column in which nothing is known stays empty. The scale holds the estimates, and limits that do not dwarf them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from noonmark.collector.instants import format_instant
from noonmark.collector.present import fitting_unit, in_unit
from noonmark.collector.views import PairView

HEIGHT = 12
LIMITS_AT_MOST = 20.0
"""Limits further out than this many times the estimates' own range are cut off at the edge."""


@dataclass(slots=True)
class _Column:
    low: float = math.inf
    high: float = -math.inf
    lower: float = math.inf
    upper: float = -math.inf

    def take(self, point: PairView) -> None:
        self.low, self.high = min(self.low, point.offset_ns), max(self.high, point.offset_ns)
        self.lower = min(self.lower, -math.inf if point.lower_ns is None else point.lower_ns)
        self.upper = max(self.upper, math.inf if point.upper_ns is None else point.upper_ns)


def plot(
    points: Sequence[PairView], *, since_ns: int, until_ns: int, width: int = 80, plain: bool = False
) -> list[str]:
    """Lines of at most `width` characters; `plain` uses ASCII only. Points that are not known leave no mark."""
    known = [point for point in points if point.known]
    if not known:
        return ["nothing is known in this time"]
    bottom, top = _scale(known)
    unit = fitting_unit(max(abs(bottom), abs(top)))
    places = _places((top - bottom) / (HEIGHT - 1), unit.size_ns)
    labels = [in_unit(round(top - (top - bottom) * row / (HEIGHT - 1)), unit, places) for row in range(HEIGHT)]
    margin = max(map(len, labels)) + 1
    columns = _columns(known, since_ns, until_ns, max(10, width - margin - 1))
    mark, range_mark = ("*", ":") if plain else ("•", "┊")
    heading = f"{unit.name} ahead" + (" (negative: behind)" if bottom < 0 else "")
    legend = f"{mark} estimate  {range_mark} within certain limits"
    lines = [
        f"{heading:<{max(0, width - len(legend))}}{legend}" if len(heading) + 2 + len(legend) <= width else heading
    ]
    for row, label in enumerate(labels):
        line = "".join(_cell(column, row, bottom, top, mark, range_mark) for column in columns)
        lines.append(f"{label:>{margin}}{'|' if plain else '│'}{line}".rstrip())
    start, end = format_instant(since_ns, digits=0), format_instant(until_ns, digits=0)
    gap = max(1, len(columns) - len(start) - len(end))
    lines.append(" " * (margin + 1) + start + " " * gap + end)
    return lines


def _scale(points: Sequence[PairView]) -> tuple[float, float]:
    low = min(point.offset_ns for point in points)
    high = max(point.offset_ns for point in points)
    reach = LIMITS_AT_MOST * max(high - low, 2 * max(point.uncertainty_ns for point in points), 1)
    lowers = [point.lower_ns for point in points if point.lower_ns is not None and point.lower_ns >= low - reach]
    uppers = [point.upper_ns for point in points if point.upper_ns is not None and point.upper_ns <= high + reach]
    bottom, top = min([low, *lowers]), max([high, *uppers])
    return (float(bottom), float(top)) if top > bottom else (float(bottom - 1), float(top + 1))


def _places(step_ns: float, unit_ns: int) -> int:
    return max(0, -math.floor(math.log10(step_ns / unit_ns))) if unit_ns > 1 else 0


def _columns(points: Sequence[PairView], since_ns: int, until_ns: int, count: int) -> list[_Column]:
    columns = [_Column() for _ in range(count)]
    span = max(1, until_ns - since_ns)
    for point in points:
        columns[min(count - 1, max(0, (point.at_ns - since_ns) * count // span))].take(point)
    return columns


def _cell(column: _Column, row: int, bottom: float, top: float, mark: str, range_mark: str) -> str:
    def rows(low: float, high: float) -> bool:
        return _row(high, bottom, top) <= row <= _row(low, bottom, top)

    if column.low > column.high:
        return " "
    if rows(column.low, column.high):
        return mark
    return range_mark if rows(column.lower, column.upper) else " "


def _row(value: float, bottom: float, top: float) -> int:
    """The row nearest to a value; one beyond the edge for a value beyond it."""
    share = min(max((top - value) / (top - bottom), -0.5), 1.5)
    return round(share * (HEIGHT - 1))

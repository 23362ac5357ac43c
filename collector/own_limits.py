"""Differences within one interval of a table of clocks, for a few hosts: all pairs' lines laid out as one matrix. Pure.

A stretch of a merged log mostly lies within one interval, so that what two hosts' own limits imply is looked up instead
of being put together anew for each pair of events.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.clock_lines import ClockLines
from noonmark.collector.estimate import UNBOUNDED_NS, Float64, Int32, Int64

MOST_HOSTS = 64


@dataclass(frozen=True, slots=True)
class OwnLimits:
    """Lines of x_a - x_b for every pair in one interval; row (a + 1) * (H + 1) + b + 1, so that host -1 has one too."""

    width: int
    base_ns: int
    lower_ns: Int64
    upper_ns: Int64
    lower_slope: Float64
    upper_slope: Float64
    sloping: bool

    def limits(self, a: Int32, b: Int32, since_ns: Int64, until_ns: Int64) -> tuple[Int64, Int64]:
        """Limits that hold at both instants, which both lie in this interval."""
        row = (a + 1) * self.width + (b + 1)
        lower, upper = self.lower_ns[row], self.upper_ns[row]
        if self.sloping:
            slopes = self.lower_slope[row], self.upper_slope[row]
            away = since_ns - self.base_ns, until_ns - self.base_ns
            lower += np.minimum(*(np.floor(slopes[0] * each).astype(np.int64) for each in away))
            upper += np.maximum(*(np.ceil(slopes[1] * each).astype(np.int64) for each in away))
        return lower, upper


def own_limits(lines: ClockLines, interval: int) -> OwnLimits:
    """Lay the lines of all pairs out for one interval."""
    hosts = lines.known.shape[0]
    lower, upper = lines.lower_base_ns[:, interval], lines.upper_base_ns[:, interval]
    apart = np.eye(hosts, dtype=np.bool_)

    def framed(values: np.ndarray, outside: float) -> np.ndarray:
        """With a row and a column for the unknown host in front, flat."""
        whole = np.full((hosts + 1, hosts + 1), outside, values.dtype)
        whole[1:, 1:] = values
        return whole.ravel()

    no_lower = (lower[:, None] <= -UNBOUNDED_NS) | (upper[None, :] >= UNBOUNDED_NS)
    no_upper = (upper[:, None] >= UNBOUNDED_NS) | (lower[None, :] <= -UNBOUNDED_NS)
    least = np.where(no_lower, -UNBOUNDED_NS, lower[:, None] - np.where(no_lower, 0, upper[None, :]))
    most = np.where(no_upper, UNBOUNDED_NS, upper[:, None] - np.where(no_upper, 0, lower[None, :]))
    lower_slope = lines.lower_slope[:, None, interval] - lines.upper_slope[None, :, interval]
    upper_slope = lines.upper_slope[:, None, interval] - lines.lower_slope[None, :, interval]
    lower_slope, upper_slope = (
        np.where(no_lower | apart, 0.0, lower_slope),
        np.where(no_upper | apart, 0.0, upper_slope),
    )
    return OwnLimits(
        width=hosts + 1,
        base_ns=int(lines.time_base_ns[interval]),
        lower_ns=framed(np.where(apart, 0, least), -UNBOUNDED_NS),
        upper_ns=framed(np.where(apart, 0, most), UNBOUNDED_NS),
        lower_slope=framed(lower_slope, 0.0),
        upper_slope=framed(upper_slope, 0.0),
        sloping=bool(lower_slope.any() or upper_slope.any()),
    )

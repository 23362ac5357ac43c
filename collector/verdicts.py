"""Is it certain that one event came before another, likely, or open? Pure.

An event is stamped by its host's clock; the clock read something in [stamp, stamp + resolution). Event i on host a came
before event j on host b if and only if b's clock, when i happened, had not yet reached j's reading. So it is *certain*
when

    stamp_j - (stamp_i + resolution_i) >= the upper limit of x_b - x_a,

which needs the pair's limits alone and no clock's distance from the reference. The limits at both events' times must
agree on it, as a clock may have been set in between. Otherwise the *probability* that i came first follows from the
pair's standard uncertainty (normal) and the resolutions (rectangular, GUM 4.3.7); at a declared probability or more the
order is *likely*, else it is *open*. It takes every true gap for as likely as any other before the stamps are seen; of
events that come in bursts much shorter than the uncertainty, more are out of order than it says. Two events of one host
are ordered by its own clock.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

import numpy as np

from noonmark.collector.clock_knowledge import ClockKnowledge
from noonmark.collector.estimate import UNBOUNDED_NS, Bool, Float64, Int32, Int64, UInt8

LIKELY = 0.95
"""Probability from which an order is called likely, unless another is asked for."""
_NARROW = 0.12
_FAR = 10.0


class Certainty(enum.IntEnum):
    """How sure it is that an event came after the one before it."""

    CERTAIN = 0
    LIKELY = 1
    OPEN = 2


@dataclass(frozen=True, slots=True)
class StampedEvents:
    """Events as columns, with what is known of their times; N rows."""

    host: Int32
    """Position in the knowledge's hosts; -1: unknown."""
    stamp_ns: Int64
    resolution_ns: Int64
    reference_ns: Int64
    """Best estimate of when the clock showed the stamp."""

    def rows(self, chosen: Int64 | Bool | slice) -> StampedEvents:
        """Some of them."""
        return StampedEvents(
            self.host[chosen], self.stamp_ns[chosen], self.resolution_ns[chosen], self.reference_ns[chosen]
        )

    def middle_ns(self) -> Int64:
        """Best single instant: the middle of what the stamp covers."""
        return self.reference_ns + self.resolution_ns // 2


def judge(
    first: StampedEvents, second: StampedEvents, knowledge: ClockKnowledge, likely: float = LIKELY
) -> tuple[UInt8, Float64]:
    """(certainty, probability) that each first event came before its second; N rows each.

    Probability is NaN where nothing is known of a clock, and 1 where the order is certain. Where even the opposite
    order is certain the verdict is OPEN with probability 0. Pairs whose own earliest and latest instants do not overlap
    are certain without asking here.
    """
    least_gap = second.stamp_ns - first.stamp_ns - first.resolution_ns
    verdict = np.zeros(len(least_gap), np.uint8)
    probability = np.ones(len(least_gap))
    lower, upper = knowledge.difference_limits(second.host, first.host, first.reference_ns, second.reference_ns)
    rows = np.flatnonzero((least_gap < upper) | (upper >= UNBOUNDED_NS))
    if not len(rows):
        return verdict, probability
    one, other, lower = first.rows(rows), second.rows(rows), lower[rows]
    greatest_gap = least_gap[rows] + one.resolution_ns + other.resolution_ns
    found = probability_before(
        (other.reference_ns - one.reference_ns).astype(np.float64),
        np.maximum(
            knowledge.difference_uncertainty(other.host, one.host, one.reference_ns),
            knowledge.difference_uncertainty(other.host, one.host, other.reference_ns),
        ),
        one.resolution_ns.astype(np.float64),
        other.resolution_ns.astype(np.float64),
    )
    found[(greatest_gap <= lower) & (lower > -UNBOUNDED_NS)] = 0.0
    probability[rows] = found
    verdict[rows] = np.where(found >= likely, Certainty.LIKELY, Certainty.OPEN)
    return verdict, probability


def probability_before(gap_ns: Float64, sigma_ns: Float64, width_first: Float64, width_second: Float64) -> Float64:
    """P(first < second), where second - first = gap + normal(0, sigma) + rectangle(0, second) - rectangle(0, first).

    NaN where sigma is infinite. Where both rectangles are narrow beside sigma, the sum is as good as normal.
    """
    from scipy.special import ndtr  # here, as SciPy takes longest of all to load, and many logs need no probability

    known = np.isfinite(sigma_ns)
    sigma = np.where(known, np.maximum(sigma_ns, 1e-3), 1.0)
    middle = gap_ns + (width_second - width_first) / 2
    total = np.sqrt(sigma * sigma + (width_first * width_first + width_second * width_second) / 12.0)
    found: Float64 = ndtr(middle / total)
    wide = np.flatnonzero(np.maximum(width_first, width_second) > _NARROW * sigma)
    if len(wide):
        scale = sigma[wide]
        found[wide] = _with_rectangles(middle[wide] / scale, width_first[wide] / scale, width_second[wide] / scale)
    found[~known] = np.nan
    return found


def _with_rectangles(middle: Float64, first: Float64, second: Float64) -> Float64:
    """The same in units of sigma, exactly; `middle` is the mean of (second - first).

    Twice integrated, the normal distribution is G(x) = ((x^2 + 1) P(x) + x p(x)) / 2, and the answer is G's second
    difference over the two widths. Very small widths are raised, which changes nothing that could be seen and keeps
    the difference from losing its digits.
    """
    first, second = np.maximum(first, _NARROW / 4), np.maximum(second, _NARROW / 4)
    nearest = middle - (first + second) / 2
    raw = (
        _twice_integrated(nearest + first + second)
        - _twice_integrated(nearest + first)
        - _twice_integrated(nearest + second)
        + _twice_integrated(nearest)
    ) / (first * second)
    certainly_after, certainly_before = nearest > _FAR, nearest + first + second < -_FAR
    return np.where(certainly_after, 1.0, np.where(certainly_before, 0.0, np.clip(raw, 0.0, 1.0)))


def _twice_integrated(x: Float64) -> Float64:
    from scipy.special import ndtr

    density = np.exp(-0.5 * np.square(np.clip(x, -40.0, 40.0))) / np.sqrt(2 * np.pi)
    return np.asarray(((x * x + 1.0) * ndtr(x) + x * density) / 2)

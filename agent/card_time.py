"""A network card's own time stamps -> CLOCK_REALTIME, with a bound of the conversion's error. Pure.

The kernel compares the card's clock with the host's (hardware_clock.py), again and again. A stamp is converted only
between two comparisons, by the straight line between them, never beyond the latest. Which time scale the card counts
(TAI, UTC or none) does not matter: its measured distance from the host's clock is taken off, whatever it is.

The bound holds half the width of a reading, and what the card may have done since the one before: its distance is
expected to have grown at the rate of the last half a minute; by so much as it has not, it may have been moved at any
instant between (what hides within the widths is held by them: before it was moved the first reading told its distance
to within half its width, afterwards the second). A stamp may be younger than it looks, for a card set back stamps the
same times twice: so the stretches from the stamp's own to the latest comparison add up, and that one must be made after
the stamp was fetched. Between comparisons that no steady rate joins nothing is converted. Assumed, not proven: the
card was not moved and moved back within a stretch, nor by like amounts in stretch after stretch. This is why card
stamps are off unless asked for.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections import deque
from typing import NamedTuple

from noonmark.agent.hardware_clock import SECOND_NS, Comparison
from noonmark.proto.records import StampSource

RESOLUTION_NS = 8
"""One tick of a card's clock at 125 MHz: common practice, no source."""
WANDER = 20e-9
"""By so much (s/s) two clocks' rates may differ from a steady one unseen. Common practice for quartz, no source."""
STEADY = 50e-6
"""A change of rate above this (s/s) is taken for a jump of either clock."""
STEADY_AT_FIRST = 450e-6
"""Before the rate is known: two clocks that somebody keeps differ by less."""
SHORTEST_BASE_NS = 50_000_000
CONFIRMED_NS = 100_000_000
"""A rate counts once it has held for so long: a card may have been moved while it was learned."""
ANCHOR_EVERY_NS = 500_000_000
LONGEST_BASE_NS = 30 * SECOND_NS
LONGEST_STRETCH_NS = 30 * SECOND_NS
REMEMBERED = 64
EARLIEST_NS = 10_000_000
"""Card and kernel stamp one packet within this, or it is not one packet's."""
HARDWARE_CLASS_NS = 17
"""What is converted within this has a standard uncertainty of 10 ns (rectangular), as hardware's stamps are reckoned to
have; others are called the kernel's, though they are better than its own, for what they are turned into is not sure."""


class _Point(NamedTuple):
    card_ns: int
    host_minus_card_ns: int
    half_ns: int
    unexplained: float = math.inf
    """By so much the distance may have moved at once since the point before (ns)."""


class Converted(NamedTuple):
    """An instant of CLOCK_REALTIME, and the most that it can be off; ns."""

    time_ns: int
    error_ns: int


class CardTime:
    """Follows one card's clock."""

    def __init__(self) -> None:
        self._points: deque[_Point] = deque(maxlen=REMEMBERED)
        self._anchors: deque[_Point] = deque()
        self._agreed_ns = 0
        self.jumps = 0
        """Times that card or host did not go on at their rate, so that everything was begun anew."""

    def compared(self, comparison: Comparison) -> None:
        """Take a comparison that was made just now."""
        middle = (comparison.before_ns + comparison.after_ns) // 2
        point = _Point(comparison.card_ns, middle - comparison.card_ns, (comparison.width_ns + 1) // 2)
        if self._points:
            point = self._joined(self._points[-1], point)
        self._points.append(point)
        if not self._anchors or point.card_ns - self._anchors[-1].card_ns >= ANCHOR_EVERY_NS:
            self._anchors.append(point)
        while point.card_ns - self._anchors[0].card_ns > LONGEST_BASE_NS:
            self._anchors.popleft()

    def _joined(self, last: _Point, point: _Point) -> _Point:
        """The point with what the stretch before it leaves open; begins anew if nothing joins them."""
        length, halves = point.card_ns - last.card_ns, last.half_ns + point.half_ns
        rate = self._rate(last)
        slope, doubt = rate or (0.0, STEADY_AT_FIRST)
        deviation = abs(point.host_minus_card_ns - last.host_minus_card_ns - slope * length)
        if length <= 0 or deviation > halves + (STEADY + doubt) * length:
            self._points.clear()
            self._anchors.clear()
            self._agreed_ns = 0
            self.jumps += 1
            return point
        if rate is None or length > LONGEST_STRETCH_NS:
            return point
        confirmed = self._agreed_ns >= CONFIRMED_NS
        self._agreed_ns += length
        if deviation > halves + (doubt + WANDER) * length:
            self._anchors.clear()  # moved then, or while the rate was learned: it is learned anew
            self._agreed_ns = 0
        if not confirmed:
            return point
        return point._replace(unexplained=deviation + (doubt + WANDER) * length)

    def _rate(self, until: _Point) -> tuple[float, float] | None:
        """How fast the distance grew before `until`, and how unsure that is (s/s)."""
        if not self._anchors:
            return None
        base = self._anchors[0]
        span = until.card_ns - base.card_ns
        if span < SHORTEST_BASE_NS:
            return None
        change = until.host_minus_card_ns - base.host_minus_card_ns
        # Twice: the readings hide as much again of what the card was moved by meanwhile.
        return change / span, 2 * (base.half_ns + until.half_ns) / span

    def convert(self, card_ns: int) -> Converted | None:
        """When the host's clock read what, as the card stamped `card_ns`; None if the comparisons do not tell."""
        place = bisect_left(self._points, card_ns, key=lambda point: point.card_ns)
        if not 0 < place < len(self._points):
            return None
        before, after = self._points[place - 1], self._points[place]
        since = [self._points[later] for later in range(place, len(self._points))]
        unexplained = sum(point.unexplained for point in since)
        if unexplained == math.inf:
            return None
        moved = after.host_minus_card_ns - before.host_minus_card_ns
        part_ns = moved * (card_ns - before.card_ns) // (after.card_ns - before.card_ns)
        error = max(before.half_ns, *(point.half_ns for point in since)) + unexplained + RESOLUTION_NS
        return Converted(card_ns + before.host_minus_card_ns + part_ns, math.ceil(error))


Judged = tuple[int, StampSource | None, str]
"""The time to use; by whom it was stamped (None: the kernel's stamp stands); in a word what became of the card's."""


def judge_receipt(kernel_ns: int, found: Converted | None) -> Judged:
    """When a packet came, at the latest: the card's stamp where it is believed and says more than the kernel's.

    The kernel stamps after the card. The stamp is moved later by the conversion's bound, which keeps limits right.
    """
    if found is None:
        return kernel_ns, None, "not-compared"
    if not kernel_ns - EARLIEST_NS <= found.time_ns <= kernel_ns + found.error_ns:
        return kernel_ns, None, "implausible"
    return _better(found.time_ns + found.error_ns, kernel_ns, found, later=False)


def judge_departure(kernel_ns: int, found: Converted | None) -> Judged:
    """When a packet left, at the earliest; the kernel stamps before the card. The card's stamp is moved earlier."""
    if found is None:
        return kernel_ns, None, "not-compared"
    if not kernel_ns - found.error_ns <= found.time_ns <= kernel_ns + EARLIEST_NS:
        return kernel_ns, None, "implausible"
    return _better(found.time_ns - found.error_ns, kernel_ns, found, later=True)


def _better(time_ns: int, kernel_ns: int, found: Converted, *, later: bool) -> Judged:
    if (time_ns <= kernel_ns) if later else (time_ns >= kernel_ns):
        return kernel_ns, None, "no-better"
    source = StampSource.HARDWARE if found.error_ns <= HARDWARE_CLASS_NS else StampSource.KERNEL
    return time_ns, source, "used"

"""How hard the collector is pressed, and what it asks of the agents for that. Pure; `now` is monotonic seconds.

There are levels. Each of the first `REPORT_LEVELS` doubles the time between two reports: as many records come in fewer
messages, and a message costs more than the records in it. Each beyond doubles the time between two probes; a full
window, which fewer messages do not help, begins there. Agents keep what they have measured meanwhile, so nothing is
lost that a later report cannot bring. Fewer hosts are told their own estimate at a tick as well: each of them every so
many ticks.

How many agents there are alone asks for a level: a whole fleet at the door would else keep the loop so busy with those
already in that the others wait outside, for one stream is let in where many messages are taken.

A level is added when the event loop runs late for much of the time, or the window is nearly full of records; it is
taken away again after a calm. Calms become longer each time that the lower level proves too low: so the level settles
instead of swinging.
"""

from __future__ import annotations

import math

STRAINED, EASED = 0.4, 0.2
"""Parts of the time for which the loop is late, weighed over `MEMORY`: too much, and little enough."""
MEMORY = 10.0
"""Seconds. One long hold-up, such as a tick's hand-over or a paused machine, is no strain."""
FULL = 0.9
"""Part of the window's room that may be filled; beyond, the oldest records would be crowded out soon."""
SETTLE = 15.0
"""Between two steps up: agents must have heard of the first, and felt it. They hear with the acknowledgement of their
next report, so it is longer where reports are."""
DRAIN = 60.0
"""Between two steps up for the window's sake: only as old records leave it can it be told whether the first helped."""
CALM = 60.0
LONGEST_CALM = 1800.0
REPORT_LEVELS = 3
STREAMS = 5000
"""Agents that may report as often as they are set to: with the usual 5 s that is a thousand reports a second, for which
an event loop takes more than half of a core."""
MOST_LEVELS = REPORT_LEVELS + 3


def least_level(streams: int) -> int:
    """What so many agents ask for by their number."""
    return min(REPORT_LEVELS, max(0, -(-streams // STREAMS) - 1).bit_length())


class Pressure:
    """The level now, from 0 (none)."""

    def __init__(self) -> None:
        self.level = 0
        self.raised = 0
        """How many times a level was added."""
        self._changed = -SETTLE
        self._troubled = -LONGEST_CALM
        self._lowered = -LONGEST_CALM
        self._calm = CALM
        self.strain = 0.0
        """Part of the recent time for which the loop was late."""

    def note(self, *, elapsed: float, lateness: float, fill: float, now: float, streams: int = 0) -> bool:
        """Take a look: seconds since the look before, how much of them the loop was late, the window's fill (0 to 1),
        how many agents are connected.

        True if the level changed.
        """
        least = least_level(streams)
        if self.level < least:
            self.level, self._changed = least, now
            self.raised += 1
            return True
        if elapsed > 0:
            kept = math.exp(-elapsed / MEMORY)
            self.strain = kept * self.strain + (1 - kept) * min(1.0, max(0.0, lateness) / elapsed)
        strained = self.strain > STRAINED or fill > FULL
        if strained or self.strain > EASED:
            self._troubled = now
        if strained:
            full = fill > FULL
            wait = DRAIN if full and self.level > REPORT_LEVELS else SETTLE * max(1.0, self.slowdown / 2)
            if now - self._changed < wait or self.level == MOST_LEVELS:
                return False
            if now - self._lowered < 2 * self._calm:
                self._calm = min(2 * self._calm, LONGEST_CALM)
            self.level = max(self.level, REPORT_LEVELS) + 1 if full else self.level + 1
            self.raised += 1
            self._changed = now
            return True
        if self.level > least and now - max(self._changed, self._troubled) >= self._calm:
            self.level -= 1
            self._changed = self._lowered = now
            return True
        return False

    @property
    def slowdown(self) -> int:
        """How many times longer than set agents are to wait between two reports."""
        return 1 << min(self.level, REPORT_LEVELS)

    @property
    def stretch(self) -> int:
        """How many times the time between two probes is doubled."""
        return max(0, self.level - REPORT_LEVELS)

    @property
    def tell_every(self) -> int:
        """Of so many ticks each host is told its estimate at one."""
        return 1 << min(self.level, REPORT_LEVELS)

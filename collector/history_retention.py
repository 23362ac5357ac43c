"""How long a history keeps what, and how well. Pure."""

from __future__ import annotations

from dataclasses import dataclass

SECOND_NS = 10**9
DAY_NS = 86_400 * SECOND_NS


@dataclass(frozen=True, slots=True)
class Retention:
    """How long what is kept, and how well."""

    detail_ns: int = 30 * DAY_NS
    """Every tick, this long."""
    thinned_ns: int = 400 * DAY_NS
    """Line segments, this long."""
    error_ns: float = 1_000.0
    """A segment stays this near to every offset it stands for, or within half of its standard uncertainty."""
    grace_ns: int = 60 * SECOND_NS
    """Blocks are made into chunks this long after their stretch of time has ended."""

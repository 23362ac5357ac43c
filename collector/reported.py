"""What hosts tell of their references and of their kernels' clocks, and when it was heard. Pure: values only.

`heard` is monotonic seconds of the collector: what is told ages, and an agent that fell silent no longer vouches for
its state.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from noonmark.proto.reference import NTP_PREFIX, KernelClock, ReferenceState, ReferenceStatus, SourceReport


@dataclass(frozen=True, slots=True)
class HeardStatus:
    """A reference's status."""

    status: ReferenceStatus
    heard: float

    def age(self, now: float) -> float:
        """Seconds since it was told."""
        return max(0.0, now - self.heard)

    def lasted_s(self, now: float) -> float:
        """How long the state has lasted, if it still does."""
        return self.status.lasted_ns / 1e9 + self.age(now)


@dataclass(frozen=True, slots=True)
class HeardKernel:
    """A kernel's view of its clock."""

    clock: KernelClock
    heard: float

    def age(self, now: float) -> float:
        """Seconds since it was told."""
        return max(0.0, now - self.heard)


@dataclass(frozen=True, slots=True)
class Reported:
    """What one host told of its clock; None where it told nothing."""

    reference: HeardStatus | None = None
    kernel: HeardKernel | None = None

    @property
    def reference_state(self) -> str:
        """locked, holdover or free-run; unknown where it has no source of its own."""
        return "unknown" if self.reference is None else self.reference.status.state.label

    def without_source_s(self, now: float) -> float | None:
        """Seconds since it lost its source; None while it has one, or never told of any."""
        if self.reference is None or self.reference.status.state is ReferenceState.LOCKED:
            return None
        return self.reference.lasted_s(now)

    @property
    def claimed_error_ns(self) -> int | None:
        """What the kernel vouches for: the error is no larger; None: it vouches for nothing."""
        if self.kernel is None or not self.kernel.clock.synchronized:
            return None
        return self.kernel.clock.maximum_error_ns


def sources_named(
    reports: Mapping[str, Reported], now: float, names: Iterable[str] | None = None
) -> Iterator[tuple[str, SourceReport, float]]:
    """Every report of a source that has a name in the probe graph (NTP servers): name, report, its age in seconds.

    Of each host the first of a name: a host has one voice.
    """
    wanted = None if names is None else set(names)
    for reported in reports.values():
        if reported.reference is None:
            continue
        heard: set[str] = set()
        for source in reported.reference.status.sources:
            named = source.kind == "ntp" and source.name.startswith(NTP_PREFIX) and source.name not in heard
            if named and (wanted is None or source.name in wanted):
                heard.add(source.name)
                yield source.name, source, reported.reference.age(now) + source.age_ns / 1e9

"""The tick: at even intervals the window becomes an estimate, which is published, sent to its hosts and kept.

Rules: the calculation runs in a thread of its own, so that reports are taken and acknowledged meanwhile; one at a time,
and one that takes longer than the interval is counted and the next begins late, never beside it. A calculation that
fails is logged and counted, and the next tick tries again: nothing here ends the collector. The thread is a daemon:
stopping does not wait for it. All spans are monotonic.
"""

from __future__ import annotations

import asyncio
import logging
import time
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from noonmark.collector.budgets import Budgets
from noonmark.collector.claims import with_reports
from noonmark.collector.daemon_thread import in_daemon_thread
from noonmark.collector.estimate import Finding, FleetEstimate, ProbeColumns, Reference
from noonmark.collector.keeping import Keeper, Marks
from noonmark.collector.references import live_references, resting_on
from noonmark.collector.reported import Reported
from noonmark.collector.state import HostFacts, Published, State
from noonmark.collector.told import with_events
from noonmark.collector.told_budgets import with_budgets
from noonmark.collector.view_estimate import host_views
from noonmark.collector.view_messages import host_to_message
from noonmark.collector.window import HostEvent, Window
from noonmark.proto import noonmark_pb2 as pb

log = logging.getLogger("noonmark.collector.estimator")
HANGS_AFTER = 300.0
"""Seconds after which a calculation that has not ended never will; the largest fleet's takes a twentieth of it."""
REMIND_AFTER = 60.0
"""Seconds between two lines that say the same of a missing reference."""


class Step(Protocol):
    """The arrow: pipeline.step, or a stand-in."""

    def __call__(
        self, probes: ProbeColumns, *, references: Sequence[Reference], previous: FleetEstimate | None
    ) -> FleetEstimate:
        """Estimate every clock of the fleet."""


@dataclass(frozen=True, slots=True)
class TickStatistics:
    """Counts since the start."""

    ticks: int
    """Estimates published."""
    empty: int
    """Ticks without a probe to estimate from."""
    waiting: int
    """Ticks without a probe of any named reference."""
    failed: int
    """Calculations that failed."""
    overrun: int
    """Ticks left out because the one before took too long."""


@dataclass(frozen=True, slots=True)
class Solved:
    """What the thread gives back."""

    estimate: FleetEstimate
    messages: Mapping[str, pb.HostEstimate]
    seconds: float


class MissingReference(Exception):  # noqa: N818 - named for what is missing
    """No probe of any named reference is in the window."""


class Estimator:
    """Owner of the tick.

    `deliver` gets each host's own estimate, with its budget if it has one; `facts` tells what hosts say of themselves,
    `reports` what they say of their references and kernels. `take_reported`: whoever reports a source is a reference.
    """

    def __init__(
        self,
        window: Window,
        state: State,
        *,
        step: Step,
        references: Sequence[Reference] = (),
        keeper: Keeper | None = None,
        marks: Callable[[], Marks] = dict,
        facts: Callable[[], Mapping[str, HostFacts]] = dict,
        reports: Callable[[], Mapping[str, Reported]] = dict,
        take_reported: bool = False,
        deliver: Callable[[Mapping[str, pb.HostEstimate]], None] | None = None,
        budgets: Budgets | None = None,
        interval: float = 5.0,
        monotonic: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], Awaitable[None]] = asyncio.sleep,
    ) -> None:
        self._window = window
        self._state = state
        self._step = step
        self._references = tuple(references)
        self._keeper = keeper
        self._marks = marks
        self._facts = facts
        self._reports = reports
        self._take_reported = take_reported
        self._declared: dict[str, Reference] = {}
        self._deliver = deliver
        self._budgets = budgets or Budgets()
        self._interval = interval
        self._monotonic = monotonic
        self._sleep = sleep
        self._previous: FleetEstimate | None = None
        self._told: dict[HostEvent, Finding] = {}
        self._reminded = -REMIND_AFTER
        self._alive = monotonic()
        self._ticks = self._empty = self._waiting = self._failed = self._overrun = 0

    async def run(self) -> None:
        """Tick until cancelled."""
        due = self._monotonic() + self._interval
        while True:
            await self._sleep(max(0.0, due - self._monotonic()))
            self._alive = self._monotonic()
            await self.tick(due)
            due += self._interval
            missed = int((self._monotonic() - due) // self._interval) + 1
            if missed > 0:
                self._overrun += missed
                due += missed * self._interval
                fields = {"interval": self._interval, "left_out": missed}
                log.warning("the estimate takes longer than the interval", extra={"fields": fields})

    async def tick(self, due: float) -> None:
        """One estimate; whatever goes wrong is logged and counted."""
        now = self._monotonic()
        columns = self._window.columns(now)
        if not len(columns):
            self._empty += 1
            return
        events, reports, marks = self._window.events(), self._reports(), self._marks()
        measured_ns = round(self._window.newest * 1e9)
        try:
            references = self._references_now(reports, now)
            solved = await in_daemon_thread(lambda: self._solve(columns, events, references, reports, now), "estimate")
        except MissingReference as missing:
            self._waiting += 1
            self._remind(str(missing))
            return
        except Exception:
            self._failed += 1
            log.exception("the estimate failed", extra={"fields": {"rows": len(columns)}})
            return
        self._ticks += 1
        self._previous = solved.estimate
        published = self._state.publish(
            solved.estimate,
            self._facts(),
            measured_monotonic_ns=measured_ns,
            solve_seconds=solved.seconds,
            lateness_seconds=max(0.0, now - due),
        )
        if self._keeper is not None:
            self._keeper.offer(solved.estimate, _places(published), marks)
        if self._deliver is not None:
            await self._tell_budgets(solved, published)
            self._deliver(solved.messages)

    async def _tell_budgets(self, solved: Solved, published: Published) -> None:
        if not self._budgets:
            return
        labels = {host: (facts.zone, facts.role) for host, facts in published.facts.items()}
        try:
            await in_daemon_thread(
                lambda: with_budgets(solved.messages, solved.estimate, labels, self._budgets), "estimate"
            )
        except Exception:  # the hosts then hear of their clocks without their budgets
            log.exception("the hosts were not told their budgets")

    def trouble(self) -> str:
        """Why no more ticks will come; empty while they do."""
        silent = self._monotonic() - self._alive
        limit = max(HANGS_AFTER, 3 * self._interval)
        return f"the tick has hung for {silent:.0f} s" if silent > limit else ""

    def _remind(self, text: str) -> None:
        now = self._monotonic()
        if now - self._reminded >= REMIND_AFTER:
            self._reminded = now
            log.warning("no estimate without the reference", extra={"fields": {"waiting_for": text}})

    def _references_now(self, reports: Mapping[str, Reported], now: float) -> tuple[Reference, ...]:
        found = live_references(self._references, reports, self._declared, now=now, take_reported=self._take_reported)
        self._declared = {reference.host: reference for reference in found}
        return found

    def _solve(
        self,
        columns: ProbeColumns,
        events: Sequence[HostEvent],
        references: Sequence[Reference],
        reports: Mapping[str, Reported],
        now: float,
    ) -> Solved:
        started = time.perf_counter()
        present = self._present(columns, references)
        estimate = with_events(self._step(columns, references=present, previous=self._previous), events, self._told)
        estimate = with_reports(estimate, reports, now=now)
        messages = {view.host: host_to_message(estimate.at_ns, view) for view in host_views(estimate)}
        rests = resting_on(present, reports)
        for message in messages.values():
            message.resting_on = rests
        return Solved(estimate, messages, time.perf_counter() - started)

    def _present(self, columns: ProbeColumns, references: Sequence[Reference]) -> tuple[Reference, ...]:
        """The references that the window knows. Raises MissingReference if there should be some and are none."""
        if not references:
            return ()
        size = len(columns.hosts)
        rows = np.bincount(columns.source, minlength=size) + np.bincount(columns.destination, minlength=size)
        seen = {host for host, count in zip(columns.hosts, rows.tolist(), strict=True) if count}
        present = tuple(reference for reference in references if reference.host in seen)
        if not present and self._references:
            raise MissingReference(", ".join(reference.host for reference in self._references))
        return present

    def statistics(self) -> TickStatistics:
        """Counts so far."""
        return TickStatistics(self._ticks, self._empty, self._waiting, self._failed, self._overrun)


def _places(published: Published) -> dict[str, tuple[str, str]]:
    """Zone and role of the hosts that tell of any."""
    return {host: (fact.zone, fact.role) for host, fact in published.facts.items() if fact.zone or fact.role}

"""The running agent: its parts joined, started in order, and ended in order. Decides nothing of its own."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import random
import signal
import time
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from noonmark.agent import lean
from noonmark.agent.addresses import reachable_at
from noonmark.agent.clocks import SLEW_RATE, Clock, ErrorInjectedClock, SystemClock
from noonmark.agent.config import AgentConfig
from noonmark.agent.endpoint import Endpoint, EndpointSettings
from noonmark.agent.exchange import ExchangeSettings
from noonmark.agent.metrics import Snapshot
from noonmark.agent.pages import PageServer
from noonmark.agent.recent_losses import RecentLosses
from noonmark.agent.reference_watch import ReferenceWatch
from noonmark.agent.reflector import ReflectorSettings
from noonmark.agent.renewal import RenewalWatch
from noonmark.agent.report import Reporter, ReportSettings
from noonmark.agent.schedule import PeerTarget
from noonmark.agent.shared_time import SharedTime
from noonmark.agent.spool import Spool, SpoolSettings
from noonmark.proto.channels import Security
from noonmark.proto.control import Hello, OwnEstimate, Plan, ProbeCounters
from noonmark.proto.notify import Notifier
from noonmark.proto.options import HostPort
from noonmark.proto.records import ClockEvent
from noonmark.proto.version import VERSION

if TYPE_CHECKING:
    from noonmark.agent.card_stamps import CardStamps

log = logging.getLogger("noonmark.agent")
OVERDUE_NS = 10_000_000_000
"""A probe that is due for so long and does not leave is trouble that only a new start mends."""


def clock_of(config: AgentConfig) -> Clock:
    """The host's clock, or one that is wrong on purpose."""
    if not config.injects_error:
        return SystemClock()
    epoch_ns = time.time_ns() if config.inject_epoch is None else config.inject_epoch
    return ErrorInjectedClock(config.inject_offset, config.inject_drift, epoch_ns)


def boot_id(path: Path = Path("/proc/sys/kernel/random/boot_id")) -> str:
    """The kernel's name for this boot; empty if it tells none."""
    try:
        return path.read_text().strip()
    except OSError:
        return ""


def _card(config: AgentConfig) -> tuple[CardStamps | None, str]:
    """The network card whose stamps are used, and in words which, or why none."""
    if config.card_stamps == "off":
        return None, "off"
    from noonmark.agent.card_stamps import open_card  # only here: most hosts need none

    return open_card()


class Program:
    """One agent."""

    def __init__(self, config: AgentConfig) -> None:
        self.config = config
        self._rng = random.Random(random.SystemRandom().getrandbits(64))
        self._instance = random.SystemRandom().randrange(1, 1 << 64)
        self._clock = clock_of(config)
        record = Path(config.time_record) if config.time_record else None
        self.shared_time = SharedTime(self._clock, record, injected_drift=config.inject_drift)
        self.spool = Spool(SpoolSettings(max_age=config.keep, max_bytes=config.keep_mib << 20))
        self.reporter = Reporter(
            ReportSettings(config.collector, interval=config.report_interval, security=self._security()),
            self.spool,
            hello=self._hello,
            on_plan=self._follow,
            counters=self._counters,
            rng=self._rng,
            standing=lambda first: self.references.messages(first),
            on_estimate=self._estimated,
            on_keys=lambda keys: self.endpoint.replace_keys(keys),
        )
        self._losses = RecentLosses()
        self.renewal: RenewalWatch | None = None
        if config.identity is not None:
            self.renewal = RenewalWatch(
                config.identity, config.collector, collector_name=config.tls_collector_name, rng=self._rng
            )
        self._card, self._card_facts = _card(config)
        self.endpoint = self._new_endpoint(config.bind)
        self.references = ReferenceWatch(
            config.reference,
            self._clock,
            on_records=self.reporter.add_records,
            epoch=lambda: self.endpoint.check_clock(),
            on_change=self.reporter.tell_now,
        )

    def _security(self) -> Security:
        config = self.config
        return Security(
            config.tls,
            config.tls_collector_name,
            plaintext_beyond_loopback=config.plaintext_beyond_loopback,
        )

    def _new_endpoint(self, bind: tuple[HostPort, ...]) -> Endpoint:
        return Endpoint(
            binds=[(where.host, where.port) for where in bind],
            clock=self._clock,
            on_records=self.reporter.add_records,
            on_clock_event=self._clock_event,
            rng=self._rng,
            settings=EndpointSettings(
                ExchangeSettings(keys_required=self.config.probe_authentication == "require"),
                ReflectorSettings(authentication=self.config.probe_authentication),
                card=self._card,
            ),
        )

    def _estimated(self, estimate: OwnEstimate) -> None:
        self.shared_time.take(estimate, estimate.resting_on)

    def _clock_event(self, event: ClockEvent) -> None:
        self.shared_time.clock_event(event)
        self.references.clock_event(event)
        self.reporter.add_clock_event(event)

    async def _hello(self, collector: HostPort) -> Hello:
        return Hello(
            host=self.config.host,
            instance=self._instance,
            version=VERSION,
            endpoints=await reachable_at(self.endpoint.addresses, self.config.announce, collector),
            zone=self.config.zone,
            role=self.config.role,
            boot_id=boot_id(),
            probe_authentication=self.config.probe_authentication,
        )

    def _follow(self, plan: Plan) -> None:
        self.endpoint.replace_peers(
            [
                PeerTarget(
                    peer.host,
                    peer.endpoint.address,
                    peer.endpoint.port,
                    peer.interval_ns,
                    peer.secret if self.config.probe_authentication != "off" else b"",
                    peer.session_id,
                )
                for peer in plan.peers
                if peer.host != self.config.host
            ]
        )

    def _counters(self) -> ProbeCounters:
        probes = self.endpoint.statistics()
        return ProbeCounters(
            sent=probes.sent,
            completed=probes.completed,
            lost=probes.lost,
            rejected=sum(probes.rejected.values()),
            records_dropped=self.spool.statistics().records_dropped,
            peers=self._losses.tell(probes.exchange.peers, now=time.monotonic_ns()),
        )

    def _inject_on_signals(self, loop: asyncio.AbstractEventLoop) -> None:
        """For trials; the log tells the true instant of each, so that whoever asked for it can reckon the truth."""
        clock, step_ns, slew_ns = self._clock, self.config.inject_step, self.config.inject_slew
        if not isinstance(clock, ErrorInjectedClock):
            return

        def step() -> None:
            log.warning("clock set on trial", extra={"fields": {"at_ns": clock.inject_step(step_ns), "by_ns": step_ns}})

        def slew() -> None:
            within_ns = round(abs(slew_ns) / SLEW_RATE)
            at_ns = clock.inject_slew(slew_ns, within_ns)
            log.warning(
                "clock slewed on trial", extra={"fields": {"at_ns": at_ns, "by_ns": slew_ns, "within_ns": within_ns}}
            )

        if step_ns:
            loop.add_signal_handler(signal.SIGUSR1, step)
        if slew_ns:
            loop.add_signal_handler(signal.SIGUSR2, slew)

    async def run(self) -> None:
        """Probe, answer and report until SIGTERM or SIGINT.

        Raises OSError if an address cannot be bound, TlsFileProblem if a certificate cannot be used.
        """
        if self.config.tls is not None:
            self.config.tls.read()
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, stop.set)
        self._inject_on_signals(loop)
        notifier = Notifier()
        await self._start_endpoint()
        pages = PageServer(self._snapshot, self.shared_time.now)
        if self.config.metrics is not None:
            await pages.start(self.config.metrics, self.config.metrics_certificate, self.config.metrics_key)
        if self.config.time_socket is not None:
            await pages.start_unix(Path(self.config.time_socket))
        reporting = asyncio.create_task(self.reporter.run())
        watching = asyncio.create_task(self.references.run())
        watchdog = asyncio.create_task(notifier.feed_watchdog(self._trouble))
        stopping = asyncio.create_task(stop.wait())
        renewing = asyncio.create_task(self.renewal.run()) if self.renewal is not None else None
        lean.settle()
        loop.call_later(lean.LET_GO_AFTER, self._let_go)
        log.info("started", extra={"fields": self._facts()})
        notifier.tell("READY=1")
        try:
            # Reporter and references end only by a fault of their own; then the whole program must.
            done, _ = await asyncio.wait({reporting, watching, stopping}, return_when=asyncio.FIRST_COMPLETED)
            if watching in done:
                watching.result()
        finally:
            notifier.tell("STOPPING=1")
            await self.endpoint.close()
            self.reporter.stop()
            with contextlib.suppress(asyncio.CancelledError):
                await reporting
            for task in (watching, watchdog, stopping, *([renewing] if renewing else [])):
                task.cancel()
            await asyncio.gather(watching, return_exceptions=True)
            pages.close()
            self.shared_time.close()
            if self._card is not None:
                self._card.close()
            log.info("stopped")

    def _trouble(self) -> str:
        overdue_ns = self.endpoint.overdue_ns()
        return f"probes are {overdue_ns / 1e9:.0f} s overdue" if overdue_ns > OVERDUE_NS else ""

    def _let_go(self) -> None:
        lean.let_go_of_code()
        asyncio.get_running_loop().call_later(lean.LET_GO_EVERY, self._let_go)

    async def _start_endpoint(self) -> None:
        try:
            await self.endpoint.start()
        except OSError:
            ipv4 = tuple(where for where in self.config.bind if ":" not in where.host)
            if not self.config.bind_is_default:
                raise
            # A host without IPv6 cannot bind the second of the default addresses.
            self.endpoint = self._new_endpoint(ipv4)
            await self.endpoint.start()
            log.info("this host has no IPv6")

    def _snapshot(self) -> Snapshot:
        return Snapshot(
            probes=self.endpoint.statistics(),
            spool=self.spool.statistics(),
            report=self.reporter.statistics(),
            own=self.reporter.own_estimate,
            own_age=time.monotonic() - self.reporter.own_estimate_at,
            host=self.config.host,
            zone=self.config.zone,
            role=self.config.role,
            reference=self.references.status(),
            certificate_expires_s=self.renewal.expires_s() if self.renewal is not None else None,
        )

    def _facts(self) -> Mapping[str, object]:
        return {
            "host": self.config.host,
            "probing": ", ".join(str(HostPort(*address)) for address in self.endpoint.addresses),
            "card_stamps": self._card_facts,
            "kernel_stamps": self.endpoint.statistics().kernel_stamps,
            "metrics": self.config.metrics or "off",
        }

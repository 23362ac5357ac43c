"""The running collector: its parts joined, started in order, and ended in order. Decides nothing of its own."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import logging
import re
import signal
import sys
import time
from collections.abc import AsyncIterator, Mapping, Sequence
from pathlib import Path

import grpc
import grpc.aio
from grpc_health.v1 import health_pb2, health_pb2_grpc
from grpc_health.v1._async import HealthServicer
from grpc_reflection.v1alpha import reflection
from prometheus_client import CollectorRegistry

from noonmark.collector import pipeline
from noonmark.collector.access_control import AccessControl, RefusedHolders
from noonmark.collector.authority_folder import AuthorityFolder
from noonmark.collector.config import CollectorConfig
from noonmark.collector.demand import Demand
from noonmark.collector.directory import Directory, DirectorySettings
from noonmark.collector.enrolment import EnrolmentService
from noonmark.collector.estimator import Estimator, Step
from noonmark.collector.exporter import FleetCollector, SeriesLimits
from noonmark.collector.exporter_server import ServerCollector
from noonmark.collector.history import History, Pace, Retention, open_history
from noonmark.collector.http_api import Api
from noonmark.collector.ingest import Ingest
from noonmark.collector.keeping import Keeper
from noonmark.collector.key_keeper import KeyKeeper
from noonmark.collector.page import add_page
from noonmark.collector.plan import PlanSettings
from noonmark.collector.plan_keeper import PlanKeeper
from noonmark.collector.port_check import claimed, is_free
from noonmark.collector.probe_keys import ProbeKeyring
from noonmark.collector.probe_secret import kept_secret
from noonmark.collector.query import QueryService
from noonmark.collector.query_order import OrderingService
from noonmark.collector.reader_tokens import ReaderTokens
from noonmark.collector.state import HostFacts, State
from noonmark.collector.tls_server import ServerTls
from noonmark.collector.web import application, serve
from noonmark.collector.web_access import guard
from noonmark.collector.window import Window, WindowSettings
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.control import Hello, Plan
from noonmark.proto.noonmark_pb2_grpc import (
    add_EnrolmentServicer_to_server,
    add_OrderingServicer_to_server,
    add_QueryServicer_to_server,
    add_ReportsServicer_to_server,
)
from noonmark.proto.notify import Notifier
from noonmark.proto.options import HostPort
from noonmark.proto.plaintext import is_loopback

log = logging.getLogger("noonmark.collector")

SERVER_OPTIONS = (
    # Agents ping every 30 s; both ends say so, or the one would take the other's pings for abuse.
    ("grpc.keepalive_time_ms", 30_000),
    ("grpc.keepalive_timeout_ms", 10_000),
    ("grpc.http2.min_ping_interval_without_data_ms", 10_000),
    ("grpc.keepalive_permit_without_calls", 1),
    ("grpc.max_receive_message_length", 4 << 20),
    # Streams are thin: probing for their bandwidth would only wake both ends.
    ("grpc.http2.bdp_probe", 0),
    # After a restart a whole fleet stands at the door. gRPC lets in one stream a turn of the loop, and would send away
    # at random who comes when a thousand wait, to come again.
    ("grpc.server.max_pending_requests", 20_000),
    ("grpc.server.max_pending_requests_hard_limit", 40_000),
    ("grpc.server_max_unrequested_time_in_server", 120),
    # The doors share a port. (Two collectors must not: port_check.py sees to it.)
    ("grpc.so_reuseport", 1),
)
DOORS = 16
"""gRPC lets in one stream at a time, and each takes several turns of the loop and of the interpreter's lock, which it
must get from the estimate's thread; a fleet at the door waits for nothing else. So there are several doors."""
REFRESH_EVERY = 0.25
EXPIRE_EVERY = 2.0
SWITCH_EVERY = 0.0005
"""Seconds after which the estimate's thread lets the event loop run; the interpreter's own 5 ms, at each of the several
turns that a new stream takes, keep a fleet waiting at the door."""
COLLECT_AFTER = (50_000, 10, 10)
"""The interpreter looks for cycles of garbage after so many new objects. By its own 700 it would walk through all that
is known of thousands of hosts again and again: a sixth of the processor time while a fleet of 20,000 comes in."""
KEYS_AT_ONCE = 500
"""Hosts that are told their probe keys in one turn of the loop."""
FINISH_WITHIN = 10.0
"""Seconds that the store is given when the collector ends."""
SERVICES = ("noonmark.v1.Reports", "noonmark.v1.Query", "noonmark.v1.Ordering", "noonmark.v1.Enrolment")


class CannotListen(OSError):  # noqa: N818 - named for what befell us
    """A port for gRPC cannot be bound; `where` is which, `option` what names it."""

    def __init__(self, where: HostPort, option: str) -> None:
        super().__init__(0, "address taken, or not of this host")
        self.where = where
        self.option = option


class CollectorServer:
    """One collector. `step` is the estimator's calculation."""

    def __init__(self, config: CollectorConfig, *, step: Step = pipeline.step) -> None:
        """Raises TlsFileProblem if a certificate or a file of tokens cannot be used."""
        self.config = config
        self.state = State()
        self.window = Window(WindowSettings(span=config.window))
        self.directory = Directory(DirectorySettings(leave_after=config.leave_after, max_hosts=config.max_hosts))
        self.keeper = PlanKeeper(
            [reference.host for reference in config.reference],
            PlanSettings(peers=config.peers, foreign=config.zone_peers, interval_ns=round(config.probe_interval * 1e9)),
            config.cadence,
        )
        self.demand = Demand(self.keeper, config.budgets)
        self.authority = AuthorityFolder(config.authority) if config.authority is not None else None
        self._renew_own_certificate()
        self.tls = ServerTls(config.tls) if config.tls is not None else None
        self.access = AccessControl(
            readers=config.reader,
            operators=config.operator,
            tokens=ReaderTokens(config.reader_tokens) if config.reader_tokens is not None else None,
            refused=RefusedHolders(config.refused) if config.refused is not None else None,
        )
        self.keys: KeyKeeper | None = None
        if self.tls is not None and config.probe_key_lifetime is not None:
            secret = kept_secret(config.secret_file)
            self.keys = KeyKeeper(ProbeKeyring(secret, config.probe_key_lifetime), self._known)
        self.ingest = Ingest(
            self.window,
            self.directory,
            on_arrival=self._arrived,
            certificate_of=self.access.certificate_of,
            keyed=self._keyed,
            keeps=config.history is not None,
        )
        self.history = _history(config)
        self.keeping = Keeper(self.history, on_kept=self.ingest.kept) if self.history is not None else None
        self.estimator = Estimator(
            self.window,
            self.state,
            step=step,
            references=config.reference,
            keeper=self.keeping,
            marks=self.ingest.marks,
            facts=self._facts,
            reports=self.directory.reports,
            take_reported=config.reported_references,
            deliver=self._deliver,
            budgets=self.config.budgets,
            interval=config.tick,
        )
        self.port = self.http_port = self.token_port = 0
        """As really bound, once it runs."""

    def _deliver(self, estimates: Mapping[str, pb.HostEstimate]) -> None:
        self.ingest.send_estimates(estimates, self.demand.pressure.tell_every)

    def _known(self, host: str) -> Hello | None:
        entry = self.directory.get(host)
        return entry.hello if entry is not None else None

    def _keyed(self, host: str, plan: Plan) -> Plan:
        return self.keys.keyed(host, plan) if self.keys is not None else plan

    def _tell_keys(self, most: int) -> None:
        if self.keys is not None:
            self.ingest.send_keys(self.keys.take_due(most))

    def _arrived(self, host: str) -> None:
        if self.keys is not None:
            self.keys.arrived(host)
            self._tell_keys(KEYS_AT_ONCE)
        plan = self.keeper.plan(host)
        if plan is not None:
            self.ingest.send_plan(host, plan)

    def _facts(self) -> Mapping[str, HostFacts]:
        now = time.monotonic()
        return {
            entry.hello.host: HostFacts(
                entry.hello.zone,
                entry.hello.role,
                round(entry.heard * 1e9),
                asked=entry.counters.sent or None,
                unanswered=entry.counters.lost,
                peers=entry.counters.peers,
                reference_state=entry.reported.reference_state,
                holdover_seconds=entry.reported.without_source_s(now),
                claimed_error_ns=entry.reported.claimed_error_ns,
            )
            for entry in self.directory
        }

    async def run(self, stop: asyncio.Event) -> None:
        """Serve until `stop`. Raises CannotListen or OSError if an address cannot be bound."""
        try:
            async with self._http(), self._grpc() as health:
                await self._serve(stop, health)
        finally:
            # A store that hangs is left to the kernel: what it was given is whole there, or not there at all.
            if self.history is not None and not (self.keeping and self.keeping.statistics().waiting):
                self.history.close()
        log.info("stopped")

    async def _serve(self, stop: asyncio.Event, health: HealthServicer) -> None:
        notifier = Notifier()
        tasks = [
            asyncio.create_task(self._keep_plan()),
            asyncio.create_task(self.estimator.run()),
            asyncio.create_task(notifier.feed_watchdog(self.estimator.trouble)),
            asyncio.create_task(stop.wait()),
        ]
        keeping = asyncio.create_task(self.keeping.run()) if self.keeping is not None else None
        log.info("started", extra={"fields": self._started()})
        notifier.tell("READY=1")
        try:
            # These end by a fault of their own only; then the whole program must.
            vital = [*tasks[:2], *([keeping] if keeping is not None else [])]
            await asyncio.wait([*vital, tasks[3]], return_when=asyncio.FIRST_COMPLETED)
            for task in vital:
                if task.done():
                    task.result()
        finally:
            notifier.tell("STOPPING=1")
            for task in tasks:
                task.cancel()
            await asyncio.gather(*tasks, return_exceptions=True)
            await self._finish_keeping(keeping)
            await health.enter_graceful_shutdown()

    def _renew_own_certificate(self) -> None:
        """The collector's own, where it has the authority at hand. A failure is told, and the old one shown on."""
        if self.authority is None:
            return
        try:
            if self.authority.renew_collector(time.time()):
                log.info("the collector's certificate was renewed")
        except (OSError, ValueError) as error:
            log.error("the collector's certificate cannot be renewed: %s", error)

    async def _finish_keeping(self, keeping: asyncio.Task[None] | None) -> None:
        """Have what waits kept, while agents are still there to be told; what cannot be, they send elsewhere."""
        if self.keeping is None or keeping is None:
            return
        await self.keeping.drain(FINISH_WITHIN)
        waiting = self.keeping.statistics().waiting
        if waiting:
            log.error("estimates could not be kept", extra={"fields": {"waiting": waiting}})
        keeping.cancel()
        await asyncio.gather(keeping, return_exceptions=True)

    @contextlib.asynccontextmanager
    async def _grpc(self) -> AsyncIterator[HealthServicer]:
        doors = [grpc.aio.server(options=SERVER_OPTIONS, interceptors=[self.access]) for _ in range(DOORS)]
        health = HealthServicer()
        query = QueryService(self.state, self.history, budgets=self.config.budgets)
        ordering = OrderingService(self.state, self.history)
        enrolment = EnrolmentService(self.authority, self.access)
        names = (*SERVICES, health_pb2.DESCRIPTOR.services_by_name["Health"].full_name, reflection.SERVICE_NAME)
        for door in doors:
            add_ReportsServicer_to_server(self.ingest, door)  # type: ignore[no-untyped-call]
            add_QueryServicer_to_server(query, door)  # type: ignore[no-untyped-call]
            add_OrderingServicer_to_server(ordering, door)  # type: ignore[no-untyped-call]
            add_EnrolmentServicer_to_server(enrolment, door)  # type: ignore[no-untyped-call]
            health_pb2_grpc.add_HealthServicer_to_server(health, door)
            reflection.enable_server_reflection(names, door)
        with contextlib.ExitStack() as claims:
            self.port = self._listen(doors, self.config.listen, "--listen", claims, clients=True)
            if self.config.token_listen is not None:
                where = self.config.token_listen
                self.token_port = self._listen(doors[:1], where, "--token-listen", claims, clients=False)
            for service in ("", *SERVICES):
                await health.set(service, health_pb2.HealthCheckResponse.SERVING)
            for door in doors:
                await door.start()
            try:
                yield health
            finally:
                self.ingest.close()
                await asyncio.gather(*(door.stop(0.5) for door in doors))

    def _listen(
        self,
        doors: Sequence[grpc.aio.Server],
        where: HostPort,
        option: str,
        claims: contextlib.ExitStack,
        *,
        clients: bool,
    ) -> int:
        """Which port the doors share. It is claimed until `claims` ends."""
        try:
            if not claims.enter_context(claimed(where)) or not is_free(where):
                raise CannotListen(where, option)
            for door in doors:
                place = str(where)
                if self.tls is None:
                    port = door.add_insecure_port(place)
                else:
                    # Each its own: credentials remember which certificate they gave last.
                    port = door.add_secure_port(place, self.tls.grpc_credentials(clients=clients))
                where = HostPort(where.host, port)
        except RuntimeError:
            raise CannotListen(where, option) from None
        return where.port

    @contextlib.asynccontextmanager
    async def _http(self) -> AsyncIterator[None]:
        if self.config.http is None:
            yield
            return
        registry = CollectorRegistry(auto_describe=False)
        registry.register(
            FleetCollector(
                self.state.latest,
                self.ingest.statistics,
                budgets=self.config.budgets,
                references=[reference.host for reference in self.config.reference],
                limits=SeriesLimits(hosts=self.config.series_hosts),
            )
        )
        registry.register(
            ServerCollector(
                self.ingest.fill,
                self.estimator.statistics,
                lambda: self.keeper.drawn_up,
                keeping=self.keeping.statistics if self.keeping is not None else None,
                interval=self.config.tick,
                demand=self.demand,
                refusals=self.access.counts,
                certificate_expires_s=lambda: self.tls.expires_s if self.tls is not None else None,
            )
        )
        app = application(registry, self._not_ready)
        tls = None if self.tls is None or is_loopback(self.config.http.host) else self.tls
        if tls is not None or self.access.tokens is not None:
            app.middlewares.append(guard(self.access))
        Api(self.state, self.history, budgets=self.config.budgets, references=self.config.reference).add_to(app)
        add_page(app)
        runner = await serve(app, self.config.http, tls.http_context() if tls else None)
        self.http_port = runner.addresses[0][1]
        try:
            yield
        finally:
            await runner.cleanup()

    def _not_ready(self) -> str:
        return "" if self.state.latest() is not None else "no estimate yet"

    async def _keep_plan(self) -> None:
        expired = looked = time.monotonic()
        while True:
            now = time.monotonic()
            if now - expired >= EXPIRE_EVERY:
                self.directory.expire(now=now)
                self.ingest.end_where(self.access.unwelcome)
                if self.tls is not None:
                    self._renew_own_certificate()
                    self.tls.refresh()
                expired = now
            changed = self.keeper.refresh(self.directory.members(), self.directory.membership, now=now)
            if self.keys is not None:
                renewed = self.keys.follow(self.keeper.asks, time.time())
                self._tell_keys(KEYS_AT_ONCE)
                changed = dict(self.keeper.plans) if renewed else changed
            if changed:
                log.info("new plan", extra={"fields": {"hosts": len(self.directory), "changed": len(changed)}})
            self.ingest.send_plans(changed)
            due = time.monotonic() + REFRESH_EVERY
            await asyncio.sleep(REFRESH_EVERY)
            self._look(elapsed=time.monotonic() - looked, lateness=time.monotonic() - due)
            looked = time.monotonic()

    def _look(self, *, elapsed: float, lateness: float) -> None:
        """Follow the clocks and the collector's own strain with what is asked of agents."""
        pressure = self.demand.pressure
        level = pressure.level
        fill = self.window.statistics().rows / self.window.settings.max_rows
        changed = self.demand.look(
            self.state.latest(),
            elapsed=elapsed,
            lateness=lateness,
            fill=fill,
            now=time.monotonic(),
            streams=self.ingest.fill().streams,
        )
        self.ingest.slowdown = pressure.slowdown
        self.ingest.send_plans(changed)
        if pressure.level != level:
            fields = {
                "pressure": pressure.level,
                "reports": f"1/{pressure.slowdown}",
                "probes": f"1/{1 << pressure.stretch}",
                "late_part": round(pressure.strain, 2),
                "window_fill": round(fill, 2),
            }
            log.warning("what is asked of agents follows the collector's strain", extra={"fields": fields})

    def _started(self) -> Mapping[str, object]:
        return {
            "listening": HostPort(self.config.listen.host, self.port),
            "tls": "1.3, certificates of clients checked" if self.tls else "off: nobody is told apart",
            "http": self.config.http or "off",
            "history": _without_password(self.config.history),
            "references": ", ".join(reference.host for reference in self.config.reference) or "the fleet's mean",
        }


def _history(config: CollectorConfig) -> History | None:
    """Open the history, made if it is not there; None for none. Raises HistoryError or OSError."""
    if config.history is None:
        return None
    # A gap is what no tick bridges: with slow ticks it begins later.
    pace = Pace(reach_ns=max(Pace().reach_ns, round(3e9 * config.tick)))
    retention = Retention(detail_ns=round(config.keep_detail * 1e9), thinned_ns=round(config.keep_thinned * 1e9))
    if isinstance(config.history, str):
        return open_history(config.history, pace=pace, retention=retention)
    config.history.mkdir(parents=True, exist_ok=True)
    return open_history(config.history / "history.sqlite", pace=pace, retention=retention)


def _without_password(place: Path | str | None) -> str:
    return re.sub(r"//[^@/]*@", "//", str(place)) if place else "off"


async def run_until_signal(config: CollectorConfig) -> None:
    """Serve until SIGTERM or SIGINT."""
    sys.setswitchinterval(SWITCH_EVERY)
    gc.set_threshold(*COLLECT_AFTER)
    gc.freeze()
    stop = asyncio.Event()
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, stop.set)
    await CollectorServer(config).run(stop)

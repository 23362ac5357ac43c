"""Keys from the collector to probes, end to end: TLS, endpoints on loopback, and an attacker beside them."""

from __future__ import annotations

import asyncio
import random
import socket
from collections.abc import AsyncIterator, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from certificates import Maker
from secured import Agent, on_loop, reporting, running, until

from noonmark.agent.clocks import ErrorInjectedClock, SystemClock
from noonmark.agent.endpoint import Endpoint, EndpointSettings
from noonmark.agent.exchange import ExchangeSettings
from noonmark.agent.reflector import ReflectorSettings
from noonmark.agent.schedule import PeerTarget
from noonmark.agent.stamp import SenderPacket, encode_sender
from noonmark.agent.tlv import REQUEST_TLVS
from noonmark.collector import config as collector_config
from noonmark.collector import server as server_module
from noonmark.collector.server import CollectorServer
from noonmark.proto.control import Endpoint as Where
from noonmark.proto.control import Hello, Plan, ProbeKey
from noonmark.proto.options import HostPort, gather
from noonmark.proto.tls_files import TlsFiles

pytestmark = pytest.mark.sockets
OFFSETS = {"quay": 0, "skerry": 3_000_000, "holm": -2_000_000}


class Prober(Agent):
    """A reporter joined to an endpoint, as the program joins them."""

    def __init__(self, host: str, port: int, files: TlsFiles | None, mode: str, instance: int = 7) -> None:
        super().__init__(host, port, files)
        self.mode, self.instance = mode, instance
        self.plan = Plan(0, ())
        self.reporter._on_plan = self.follow
        self.reporter._on_keys = self.learn
        self.keys: Sequence[ProbeKey] = ()
        start_ns = SystemClock().realtime_ns()
        self.endpoint = Endpoint(
            binds=[(f"127.0.33.{1 + list(OFFSETS).index(host)}", 0)],
            clock=ErrorInjectedClock(OFFSETS[host], 0.0, start_ns),
            on_records=self.reporter.add_records,
            on_clock_event=lambda event: None,
            rng=random.Random(instance),
            settings=EndpointSettings(
                ExchangeSettings(keys_required=mode == "require"), ReflectorSettings(authentication=mode)
            ),
        )

    async def hello(self, collector: HostPort) -> Hello:
        address, port = self.endpoint.addresses[0]
        return Hello(self.host, self.instance, endpoints=(Where(address, port),), probe_authentication=self.mode)

    def follow(self, plan: Plan) -> None:
        self.plan = plan
        self.endpoint.replace_peers(
            [
                PeerTarget(p.host, p.endpoint.address, p.endpoint.port, p.interval_ns, p.secret, p.session_id)
                for p in plan.peers
            ]
        )

    def learn(self, keys: Sequence[ProbeKey]) -> None:
        self.keys = keys
        self.endpoint.replace_keys(keys)


@asynccontextmanager
async def probing(*probers: Prober) -> AsyncIterator[None]:
    async with AsyncExitStack() as stack:
        for prober in probers:
            await prober.endpoint.start()
            stack.push_async_callback(prober.endpoint.close)
            await stack.enter_async_context(reporting(prober))
        yield


@pytest.fixture
def fleet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Maker:
    monkeypatch.setattr(server_module, "REFRESH_EVERY", 0.02)
    return Maker(tmp_path / "fleet")


def settings(files: TlsFiles | None, **changes: object) -> collector_config.CollectorConfig:
    given: dict[str, object] = {"listen": "127.0.0.1:0", "http": "off", "data": "off", "tick": "300ms", "window": "5s"}
    given |= {"probe_interval": "20ms", "reference": ("quay",)}
    if files is not None:
        given |= {"tls_certificate": str(files.certificate), "tls_key": str(files.key)}
        given |= {"tls_authority": str(files.authority)}
    merged = gather(collector_config.OPTIONS, flags=given, environment={}, prefix="X")
    return replace(collector_config.build(merged, {}, Path("/nowhere")), **changes)  # type: ignore[arg-type]


def measured(server: CollectorServer) -> dict[str, float]:
    latest = server.state.latest()
    if latest is None:
        return {}
    estimate = latest.estimate
    return {host: float(estimate.offset_ns[estimate.hosts.index(host)]) for host in OFFSETS if host in estimate.hosts}


@on_loop
async def test_a_fleet_that_requires_authentication_is_measured(fleet: Maker) -> None:
    async with running(settings(fleet.collector())) as server:
        probers = [Prober(name, server.port, fleet.agent(name), "require") for name in OFFSETS]
        async with probing(*probers):
            await until(lambda: all(p.endpoint.statistics().completed > 60 for p in probers))
            await until(lambda: all(abs(measured(server).get(h, 9e9) - o) < 2e5 for h, o in OFFSETS.items()))
            for prober in probers:
                statistics = prober.endpoint.statistics()
                assert statistics.exchange.authenticated_peers == 2
                assert statistics.exchange.unusable_peers == {}
                assert {key.asker for key in prober.keys} == OFFSETS.keys() - {prober.host}
                assert not statistics.rejected
            # Nobody ever holds a key of a pair that it is not one of.
            secrets = {p.host: {k.secret for k in p.keys} | {q.secret for q in p.plan.peers} for p in probers}
            quay, skerry, holm = (secrets[name] for name in OFFSETS)
            assert not quay & skerry & holm
            for peer in probers[0].plan.peers:
                assert peer.secret in secrets[peer.host]
                assert all(peer.secret not in secrets[name] for name in OFFSETS.keys() - {"quay", peer.host})


@on_loop
async def test_keys_are_renewed_while_probes_go_on(fleet: Maker) -> None:
    async with running(settings(fleet.collector(), probe_key_lifetime=1.0)) as server:
        probers = [Prober(name, server.port, fleet.agent(name), "require") for name in OFFSETS]
        async with probing(*probers):
            await until(lambda: all(p.plan.peers and p.plan.peers[0].secret for p in probers))
            seen = {p.host: {p.plan.peers[0].secret} for p in probers}

            def renewed() -> bool:
                for p in probers:
                    seen[p.host].add(p.plan.peers[0].secret)
                return all(len(keys) >= 4 for keys in seen.values())

            await until(renewed)
            before = [p.endpoint.statistics().completed for p in probers]
            await until(
                lambda: all(p.endpoint.statistics().completed > b + 40 for p, b in zip(probers, before, strict=True))
            )
            for prober in probers:
                statistics = prober.endpoint.statistics()
                lost = statistics.lost + statistics.exchange.abandoned + sum(statistics.refused.values())
                assert lost < 0.1 * statistics.sent


@on_loop
async def test_a_restarted_agent_is_known_at_once_by_its_new_keys(fleet: Maker) -> None:
    async with running(settings(fleet.collector())) as server:
        stay = [Prober(name, server.port, fleet.agent(name), "require") for name in ("quay", "skerry")]
        async with probing(*stay):
            first = Prober("holm", server.port, fleet.agent("holm"), "require", instance=8)
            async with probing(first):
                await until(lambda: first.endpoint.statistics().completed > 20)
            again = Prober("holm", server.port, fleet.agent("holm"), "require", instance=9)
            async with probing(again):
                await until(lambda: again.endpoint.statistics().completed > 20)
                assert again.plan.peers[0].secret != first.plan.peers[0].secret


@on_loop
async def test_old_agents_and_new_ones_probe_each_other_plainly(fleet: Maker) -> None:
    async with running(settings(fleet.collector())) as server:
        modes = {"quay": "accept", "skerry": "accept", "holm": "off"}
        probers = [Prober(name, server.port, fleet.agent(name), mode) for name, mode in modes.items()]
        async with probing(*probers):
            await until(lambda: all(p.endpoint.statistics().completed > 40 for p in probers))
            counts = {p.host: p.endpoint.statistics().exchange.authenticated_peers for p in probers}
            assert counts == {"quay": 1, "skerry": 1, "holm": 0}


@on_loop
async def test_no_key_is_ever_handed_out_over_a_plain_connection() -> None:
    async with running(settings(None)) as server:
        probers = [Prober(name, server.port, None, "accept") for name in OFFSETS]
        async with probing(*probers):
            await until(lambda: all(p.endpoint.statistics().completed > 20 for p in probers))
            assert all(p.keys == () for p in probers)
            assert not any(peer.secret for p in probers for peer in p.plan.peers)


@on_loop
async def test_forgeries_and_replays_are_counted_and_move_nothing(fleet: Maker) -> None:
    """An attacker on the same network, who hears everything and sends what it likes under any address' port."""
    async with running(settings(fleet.collector())) as server:
        probers = [Prober(name, server.port, fleet.agent(name), "require") for name in OFFSETS]
        heard: list[tuple[bytes, tuple[str, int]]] = []
        quay = probers[0]
        async with probing(*probers):
            sockets = quay.endpoint._sockets
            send = sockets[0].send

            def overhear(datagrams: Sequence[object]) -> object:
                heard.extend((datagram[0], datagram[1]) for datagram in datagrams)  # type: ignore[index]
                return send(datagrams)  # type: ignore[arg-type]

            sockets[0].send = overhear  # type: ignore[method-assign, assignment]
            await until(lambda: all(abs(measured(server).get(h, 9e9) - o) < 2e5 for h, o in OFFSETS.items()))
            await until(lambda: len(heard) > 50)
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as attacker:
                attacker.bind(("127.0.33.99", 0))
                where = quay.endpoint.addresses[0]
                plain = encode_sender(SenderPacket(1, 1 << 63, 0x0C64, 9)) + REQUEST_TLVS
                for data, address in heard[:50]:
                    changed = bytearray(data)
                    changed[18] ^= 1
                    for forged in (data, bytes(changed), plain):
                        attacker.sendto(forged, address)
                        attacker.sendto(forged, where)
                    await asyncio.sleep(0)

            def counted() -> dict[str, int]:
                total: dict[str, int] = {}
                for prober in probers:
                    statistics = prober.endpoint.statistics()
                    for reasons in (statistics.refused, statistics.rejected):
                        for reason, count in reasons.items():
                            total[reason] = total.get(reason, 0) + count
                return total

            await until(lambda: counted().get("replayed", 0) >= 20)
            await until(lambda: counted().get("unauthenticated", 0) >= 50)
            assert counted()["forged"] + counted().get("unknown-key", 0) >= 50
            sequence = server.state.latest().sequence  # type: ignore[union-attr]
            await until(lambda: server.state.latest().sequence >= sequence + 3)  # type: ignore[union-attr]
            for host, offset in OFFSETS.items():
                assert abs(measured(server)[host] - offset) < 2e5

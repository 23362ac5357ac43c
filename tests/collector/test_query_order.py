"""The ordering service over real gRPC on loopback, and the table of past clocks over a real history."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from pathlib import Path

import grpc
import numpy as np
import pytest
from builders import SECOND_NS, START_NS
from courses import FERRY, TICK_NS, Clock, estimate_of

from noonmark.collector.estimate import Finding, FindingKind
from noonmark.collector.history import History, open_history
from noonmark.collector.known_clocks import KnownClocks
from noonmark.collector.order import Events, order
from noonmark.collector.query_order import OrderingService, PastSource, table_of
from noonmark.collector.state import State
from noonmark.collector.verdicts import Certainty
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto import noonmark_pb2_grpc

REFERENCE, GATE, DATABASE, BERTH = (clock.name for clock in FERRY)


@pytest.fixture
def history(tmp_path: Path) -> Iterator[History]:
    with open_history(tmp_path / "history") as opened:
        yield opened


def live(history: History, clocks: tuple[Clock, ...] = FERRY, ticks: int = 60, **step: int) -> None:
    random = np.random.default_rng(4)
    findings = []
    if step:
        findings = [Finding(FindingKind.STEP, step["at_ns"], "was set", host=GATE, size_ns=step["size_ns"])]
    for number in range(ticks):
        at_ns = START_NS + number * TICK_NS
        told = [finding for finding in findings if at_ns >= finding.at_ns]
        history.append(estimate_of(clocks, at_ns, random, findings=told))


def stamps(clocks: tuple[Clock, ...], host: np.ndarray, when: np.ndarray) -> np.ndarray:
    return np.array([t + round(clocks[h].error_ns(t)) for h, t in zip(host.tolist(), when.tolist(), strict=True)])


def test_past_clocks_from_a_history_order_events_truly(history: History) -> None:
    live(history)
    random = np.random.default_rng(5)
    when = START_NS + np.sort(random.integers(0, 290 * SECOND_NS, 4000))
    host = random.integers(0, 4, len(when)).astype(np.int32)
    clocks = KnownClocks(PastSource(history), [clock.name for clock in FERRY])
    found = order(Events(host, stamps(FERRY, host, when)), clocks)
    assert found.known.all()
    assert (found.earliest_ns <= when).all()
    assert (when <= found.latest_ns).all()
    assert np.abs(found.corrected_ns - when).max() < 5_000
    first, second = found.permutation[:-1], found.permutation[1:]
    certain = (found.certainty[1:] == Certainty.CERTAIN) & (host[first] != host[second])
    assert certain.sum() > 2000
    assert (when[second] > when[first])[certain].all()


def test_windows_of_past_clocks_meet_without_a_seam(history: History) -> None:
    live(history)
    when = START_NS + np.arange(0, 290 * SECOND_NS, SECOND_NS)
    host = np.full(len(when), 1, np.int32)
    readings = stamps(FERRY, host, when)
    names = [clock.name for clock in FERRY]
    whole = KnownClocks(PastSource(history), names).host_times(1, readings)
    pieces = KnownClocks(PastSource(history), names, window_ns=60 * SECOND_NS).host_times(1, readings)
    assert np.abs(whole.reference_ns - pieces.reference_ns).max() <= 1
    assert pieces.known.all()


def test_past_a_step_back_a_log_is_followed(history: History) -> None:
    at_ns = START_NS + 150 * SECOND_NS
    clocks = (FERRY[0], Clock(GATE, 1_840_000.0, 0.0, at_ns, -4.0 * SECOND_NS), *FERRY[2:])
    live(history, clocks, at_ns=at_ns, size_ns=-4 * SECOND_NS)
    when = START_NS + np.arange(100 * SECOND_NS, 200 * SECOND_NS, SECOND_NS // 2) + 7
    readings = stamps(clocks, np.full(len(when), 1), when)
    found = KnownClocks(PastSource(history), [REFERENCE, GATE]).host_times(1, readings)
    assert (found.earliest_ns <= when).all()
    assert (when <= found.latest_ns).all()
    away = np.abs(found.reference_ns - when)
    assert np.median(away) < 5_000
    assert (np.abs(when[away > 10**6] - at_ns) < 10 * SECOND_NS).all()


def test_host_that_was_never_kept_is_unknown(history: History) -> None:
    live(history, ticks=5)
    found = KnownClocks(PastSource(history), ["nobody", GATE]).host_times(0, np.array([START_NS]))
    assert not found.known[0]


def ask(service: OrderingService, call: str, request: object) -> object:
    """One call over a real channel."""

    async def run() -> object:
        server = grpc.aio.server()
        noonmark_pb2_grpc.add_OrderingServicer_to_server(service, server)
        port = server.add_insecure_port("127.0.0.1:0")
        await server.start()
        try:
            async with grpc.aio.insecure_channel(f"127.0.0.1:{port}") as channel:
                return await getattr(noonmark_pb2_grpc.OrderingStub(channel), call)(request)
        finally:
            await server.stop(None)

    return asyncio.run(run())


def latest() -> State:
    state = State(lambda: 0)
    state.publish(estimate_of(FERRY, START_NS, np.random.default_rng(1)))
    return state


@pytest.mark.sockets
def test_order_over_the_wire_is_order_in_the_program() -> None:
    state = latest()
    when = START_NS + np.arange(6) * 30_000
    host = np.array([1, 2, 3, 1, 0, 2], np.int32)
    readings = stamps(FERRY, host, when)
    names = [clock.name for clock in FERRY]
    request = pb.OrderRequest(
        hosts=[*names, "nobody"], host=[*host.tolist(), 4], stamp_ns=[*readings.tolist(), START_NS]
    )
    reply = ask(OrderingService(state), "Order", request)
    published = state.latest()
    assert published is not None
    table = table_of(published.estimate, names)
    expected = order(Events(np.append(host, -1).astype(np.int32), np.append(readings, START_NS)), table)
    assert list(reply.permutation) == expected.permutation.tolist()
    assert list(reply.certainty) == expected.certainty.tolist()
    assert list(reply.corrected_ns) == expected.corrected_ns.tolist()
    assert list(reply.known) == [True] * 6 + [False]
    assert list(reply.group) == expected.group.tolist()


@pytest.mark.sockets
@pytest.mark.parametrize(
    ("request_", "message"),
    [
        (pb.OrderRequest(hosts=["a"], host=[1], stamp_ns=[1]), "points past"),
        (pb.OrderRequest(hosts=["a"], host=[0, 0], stamp_ns=[1]), "equal length"),
        (pb.OrderRequest(hosts=["a"], host=[0], stamp_ns=[1], resolution_ns=[1, 2]), "resolution_ns"),
        (pb.OrderRequest(hosts=["a"], host=[0], stamp_ns=[1], likely=0.2), "likely"),
        (pb.OrderRequest(hosts=["a"], host=[0], stamp_ns=[1 << 62]), "1823 to 2116"),
    ],
)
def test_requests_that_make_no_sense_are_refused(request_: pb.OrderRequest, message: str) -> None:
    with pytest.raises(grpc.aio.AioRpcError, match=message) as refused:
        ask(OrderingService(latest()), "Order", request_)
    assert refused.value.code() is grpc.StatusCode.INVALID_ARGUMENT


@pytest.mark.sockets
def test_wait_is_told_or_why_not() -> None:
    service = OrderingService(latest())
    reply = ask(service, "Wait", pb.WaitRequest(host=GATE, now_ns=START_NS))
    assert reply.known
    assert reply.wait_ns > 1_840_000  # it is so far ahead of the reference
    earlier = pb.WaitRequest(host=GATE, now_ns=START_NS, stamp_ns=START_NS - SECOND_NS, among=[DATABASE])
    assert ask(service, "Wait", earlier).wait_ns == 0
    unknown = ask(service, "Wait", pb.WaitRequest(host="nobody", now_ns=START_NS))
    assert (unknown.known, unknown.reason) == (False, "nothing is known of nobody")
    with pytest.raises(grpc.aio.AioRpcError, match="needs a host"):
        ask(service, "Wait", pb.WaitRequest())


@pytest.mark.sockets
def test_without_any_estimate_nothing_is_known() -> None:
    reply = ask(OrderingService(State(lambda: 0)), "Order", pb.OrderRequest(hosts=["a"], host=[0], stamp_ns=[START_NS]))
    assert list(reply.known) == [False]


def test_years_after_the_last_estimate_nothing_is_known(history: History) -> None:
    live(history, ticks=3)
    clocks = KnownClocks(PastSource(history), [REFERENCE, GATE])
    hour, year = 3600 * SECOND_NS, 365 * 86_400 * SECOND_NS
    assert clocks.host_times(1, np.array([START_NS + hour])).known.all()  # aged, with wider limits
    assert not clocks.host_times(1, np.array([START_NS + 4 * year])).known.any()

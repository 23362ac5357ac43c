"""The door for everything besides records: what is sane passes unchanged, what is not is named."""

from __future__ import annotations

import pytest

from noonmark.proto import control
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.control import Endpoint, Hello, Plan, PlannedPeer
from noonmark.proto.convert import BadMessage

HELLO = Hello(
    host="quay-gate-1",
    instance=7,
    version="0.1.0",
    endpoints=(Endpoint("127.0.0.5", 18620), Endpoint("::1", 18620)),
    zone="quay",
    role="gate",
    boot_id="a",
)


def test_hello_survives_the_wire() -> None:
    wire = control.hello_to_message(HELLO).SerializeToString()
    assert control.hello_from_message(pb.Hello.FromString(wire)) == HELLO


def test_a_plan_survives_the_wire() -> None:
    plan = Plan(3, (PlannedPeer("skerry-berth-2", Endpoint("127.0.0.6", 18620), 10**9),))
    wire = control.plan_to_message(plan).SerializeToString()
    assert control.plan_from_message(pb.Plan.FromString(wire)) == plan


def test_counters_survive_the_wire() -> None:
    peers = (control.PeerCounters("holm-gate-1", 9, 2), control.PeerCounters("holm-gate-2", 0, 0))
    for counters in (control.ProbeCounters(5, 4, 3, 2, 1), control.ProbeCounters(5, 4, 3, 2, 1, peers)):
        wire = control.counters_to_message(counters).SerializeToString()
        assert control.counters_from_message(pb.ProbeCounters.FromString(wire)) == counters


@pytest.mark.parametrize(
    ("peers", "fault"),
    [
        ([pb.PeerCounters(host="holm", sent=1, lost=2)], "2 probes lost of 1 sent"),
        ([pb.PeerCounters(host="", sent=1)], "cannot name a host"),
        ([pb.PeerCounters(host="x", sent=1)] * (control.MAX_PEERS + 1), "at most"),
    ],
)
def test_counters_that_cannot_be_are_refused(peers: list[pb.PeerCounters], fault: str) -> None:
    with pytest.raises(BadMessage, match=fault):
        control.counters_from_message(pb.ProbeCounters(peers=peers))


def test_an_estimate_without_limits_has_none() -> None:
    message = pb.HostEstimate(state=pb.NO_ROUTE, at_ns=5, offset_ns=-3, uncertainty_ns=2)
    estimate = control.own_estimate_from_message(message)
    assert (estimate.state, estimate.offset_ns, estimate.lower_ns, estimate.upper_ns) == ("no-route", -3, None, None)


def test_an_offset_that_is_not_known_is_no_zero() -> None:
    estimate = control.own_estimate_from_message(pb.HostEstimate(state=pb.NO_ROUTE, at_ns=5))
    assert (estimate.offset_ns, estimate.drift, estimate.uncertainty_ns) == (None, None, None)


def test_a_limit_of_zero_is_a_limit() -> None:
    estimate = control.own_estimate_from_message(pb.HostEstimate(lower_ns=0, upper_ns=0))
    assert (estimate.state, estimate.lower_ns, estimate.upper_ns) == ("unknown", 0, 0)


@pytest.mark.parametrize(
    ("message", "fault"),
    [
        (pb.Hello(host="x"), "instance"),
        (pb.Hello(instance=1), "host"),
        (pb.Hello(instance=1, host="a\nb"), "host"),
        (pb.Hello(instance=1, host="a,b"), "host"),
        (pb.Hello(instance=1, host="x" * 254), "host"),
        (pb.Hello(instance=1, host="x", zone="z" * 300), "zone"),
        (pb.Hello(instance=1, host="x", endpoints=[pb.Endpoint(address="quay", port=1)]), "numeric"),
        (pb.Hello(instance=1, host="x", endpoints=[pb.Endpoint(address="127.0.0.1", port=0)]), "port"),
        (pb.Hello(instance=1, host="x", endpoints=[pb.Endpoint(address="127.0.0.1", port=70000)]), "port"),
        (pb.Hello(instance=1, host="x", endpoints=[pb.Endpoint(address="224.0.0.1", port=1)]), "one host"),
        (pb.Hello(instance=1, host="x", endpoints=[pb.Endpoint(address="0.0.0.0", port=1)]), "one host"),
        *(
            (
                pb.Hello(instance=1, host="x", endpoints=[pb.Endpoint(address=f"fe80::1%{scope}", port=1)]),
                "no interface",
            )
            for scope in ("4294967296", "9" * 5000, "e\0", "e\nd", "e d", "x" * 16)
        ),
        (pb.Hello(instance=1, host="x", endpoints=[pb.Endpoint(address="::1", port=1)] * 17), "endpoints"),
    ],
)
def test_a_bad_hello_is_refused_by_name(message: pb.Hello, fault: str) -> None:
    with pytest.raises(BadMessage, match=fault):
        control.hello_from_message(message)


def test_a_plan_that_would_flood_is_refused() -> None:
    peer = pb.Peer(host="x", endpoint=pb.Endpoint(address="127.0.0.1", port=9), interval_ns=1000)
    with pytest.raises(BadMessage, match="at least"):
        control.plan_from_message(pb.Plan(peers=[peer]))


def test_an_estimate_that_is_no_number_is_refused() -> None:
    with pytest.raises(BadMessage, match="drift"):
        control.own_estimate_from_message(pb.HostEstimate(drift=float("nan")))


def test_an_endpoint_reads_as_people_write_it() -> None:
    assert str(Endpoint("::1", 5)) == "[::1]:5"
    assert str(Endpoint("127.0.0.1", 5)) == "127.0.0.1:5"

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto import reference_messages as messages
from noonmark.proto.convert import BadMessage
from noonmark.proto.reference import (
    KernelClock,
    Leap,
    ReferenceState,
    ReferenceStatus,
    SourceNotice,
    SourceReport,
    Verdict,
)

SOURCE = SourceReport(
    name="ntp:127.0.0.1",
    kind="ntp",
    verdict=Verdict.FALSETICKER,
    age_ns=3,
    offset_ns=-4_000_000,
    uncertainty_ns=100,
    limit_ns=900,
    declared_uncertainty_ns=10,
    declared_limit_ns=20,
    leap=Leap.INSERT,
    notices=(SourceNotice("kiss-rate", "asked to slow down", None), SourceNotice("time-jump", "by 3 s", 3)),
    figures={"stratum": 2.0, "jitter_ns": 0.5},
)
STATUS = ReferenceStatus(
    state=ReferenceState.HOLDOVER,
    since_ns=1_795_589_703 * 10**9,
    lasted_ns=60 * 10**9,
    source="pps:/dev/pps0",
    offset_ns=0,
    uncertainty_ns=0,
    limit_ns=None,
    oscillator="ocxo",
    sources=(SOURCE, SourceReport("nmea:tty", "nmea", Verdict.UNUSABLE, 0)),
    notices=(SourceNotice("leap-list-expired", "on 2026-06-28"),),
)


def test_a_status_survives_the_wire() -> None:
    wire = messages.status_to_message(STATUS).SerializeToString()
    assert messages.status_from_message(pb.ReferenceStatus.FromString(wire)) == STATUS


def test_a_kernel_clock_survives_the_wire() -> None:
    clock = KernelClock(True, 16_000_000_000, 5_000, -1.25e-5, -17, Leap.DELETE, 37, 0x2001)
    wire = messages.kernel_clock_to_message(clock).SerializeToString()
    assert messages.kernel_clock_from_message(pb.KernelClock.FromString(wire)) == clock


def test_what_a_newer_agent_says_is_taken_for_the_least() -> None:
    message = messages.status_to_message(STATUS)
    message.state = 9
    message.sources[0].verdict = "excellent"
    message.sources[0].leap = 77
    status = messages.status_from_message(message)
    assert status.state is ReferenceState.FREE_RUN
    assert (status.sources[0].verdict, status.sources[0].leap) == (Verdict.UNUSABLE, Leap.UNKNOWN)


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"source": "a\nb"}, "not printable"),
        ({"uncertainty_ns": 1 << 63}, "uncertainty_ns"),
        ({"sources": [pb.ReferenceSource()]}, "without a name"),
        ({"sources": [pb.ReferenceSource(name="x", figures={"y": float("nan")})]}, "finite"),
        ({"sources": [pb.ReferenceSource(name="x")] * 65}, "65 sources"),
        ({"notices": [pb.SourceNotice(kind="x")] * 33}, "33 notices"),
    ],
)
def test_nonsense_is_refused_by_its_part(change: dict[str, object], told: str) -> None:
    with pytest.raises(BadMessage, match=told):
        messages.status_from_message(pb.ReferenceStatus(**change))


def test_a_frequency_that_is_no_number_is_refused() -> None:
    with pytest.raises(BadMessage, match="frequency"):
        messages.kernel_clock_from_message(pb.KernelClock(frequency=float("inf")))


@given(st.binary(max_size=300))
def test_any_octets_are_a_status_or_refused(octets: bytes) -> None:
    try:
        message = pb.ReferenceStatus.FromString(octets)
    except Exception:
        return
    with contextlib.suppress(BadMessage):
        messages.status_from_message(message)

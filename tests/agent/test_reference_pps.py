from __future__ import annotations

import asyncio
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from receivers import SECOND_NS, START_NS, StillClock

from noonmark.agent.pulses import FETCH_LENGTH, Edge, PulseTrain, decode_fetch, encode_fetch, from_second
from noonmark.agent.reference import Observation
from noonmark.agent.reference_pps import PulseReader

MONOTONIC = 5_000 * SECOND_NS


def fetched(asserted: Edge, cleared: Edge) -> bytes:
    """struct pps_fdata as the kernel fills it, from its published layout."""
    times = [divmod(edge.time_ns, SECOND_NS) for edge in (asserted, cleared)]
    info = struct.pack("=II", asserted.sequence, cleared.sequence)
    for seconds, nanoseconds in times:
        info += struct.pack("=qiI", seconds, nanoseconds, 0)
    return info + struct.pack("=i4x", 0x11) + bytes(16)


class Train:
    """Feeds pulses at given instants, each seen a moment later."""

    def __init__(self, start: int = 1) -> None:
        self.train, self.sequence = PulseTrain(), start - 1

    def pulse(self, time_ns: int, *, counted: int = 1) -> list[str]:
        self.sequence += counted
        self.report = self.train.look(Edge(self.sequence, time_ns), monotonic_ns=MONOTONIC + time_ns - START_NS)
        return [notice.kind for notice in self.report.notices]


def test_both_edges_are_read_from_the_structure() -> None:
    asserted, cleared = Edge(77, START_NS + 12), Edge(78, START_NS + 100_000_000)
    data = fetched(asserted, cleared)
    assert len(data) == len(encode_fetch()) == FETCH_LENGTH
    assert decode_fetch(data) == asserted
    assert decode_fetch(data, clear=True) == cleared


@pytest.mark.parametrize("data", [b"", bytes(63), struct.pack("=IIqi", 1, 0, 5, SECOND_NS).ljust(64, b"\0")])
def test_what_is_no_structure_is_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match=r"octets|nanoseconds"):
        decode_fetch(data)


@given(st.binary(max_size=80))
def test_any_octets_are_a_structure_or_refused(data: bytes) -> None:
    try:
        edge = decode_fetch(data)
    except ValueError:
        return
    assert 0 <= edge.sequence < 1 << 32


def test_the_offset_is_the_distance_from_the_nearest_second() -> None:
    assert [from_second(START_NS + off) for off in (0, 1, -1, 499_999_999)] == [0, 1, -1, 499_999_999]
    assert from_second(START_NS + SECOND_NS // 2) == -SECOND_NS // 2


def test_pulses_are_present_from_the_third_on() -> None:
    train = Train()
    present = []
    for second in range(4):
        assert train.pulse(START_NS + second * SECOND_NS + 1500) == []
        present.append(train.report.present)
    assert present == [False, False, True, True]
    assert train.report.offset_ns == 1500
    assert train.report.jitter_ns == 0


def test_jitter_is_that_of_the_stamps_and_not_of_the_rate() -> None:
    train = Train()
    for second in range(16):
        wobble = 300 if second % 2 else -300
        train.pulse(START_NS + second * SECOND_NS + second * 20_000 + wobble)
    # Alternating +-300 ns: second differences are +-1200 ns; sqrt(1200^2 / 6).
    assert train.report.jitter_ns == pytest.approx(1200 / 6**0.5)


def test_missed_pulses_are_counted_by_the_kernels_number() -> None:
    train = Train()
    for second in range(4):
        train.pulse(START_NS + second * SECOND_NS)
    assert train.pulse(START_NS + 7 * SECOND_NS) == ["pulses-missed"]
    assert (train.train.missed, train.train.extra) == (3, 0)
    assert train.report.present, "the pulses that do come are good"
    assert train.pulse(START_NS + 8 * SECOND_NS) == []


def test_seldom_looks_miss_nothing() -> None:
    train = Train()
    for second in range(0, 20, 2):
        train.pulse(START_NS + second * SECOND_NS, counted=2)
    assert (train.train.missed, train.train.extra) == (0, 0)


def test_pulses_in_excess_are_counted_and_not_trusted() -> None:
    train = Train()
    for second in range(4):
        train.pulse(START_NS + second * SECOND_NS)
    assert train.pulse(START_NS + 4 * SECOND_NS, counted=2) == ["pulses-extra"]
    assert (train.train.extra, train.report.present) == (1, False)


def test_a_pulse_astray_is_named_and_the_train_must_prove_itself_again() -> None:
    train = Train()
    for second in range(4):
        train.pulse(START_NS + second * SECOND_NS)
    assert train.pulse(START_NS + 4 * SECOND_NS + 250_000_000) == ["pulse-astray"]
    assert not train.report.present
    present = [train.pulse(START_NS + second * SECOND_NS) == [] and train.report.present for second in (5, 6, 7, 8)]
    assert present == [False, False, True, True]


def test_silence_is_no_pulse() -> None:
    train = Train()
    for second in range(4):
        train.pulse(START_NS + second * SECOND_NS)
    report = train.train.look(Edge(4, START_NS + 3 * SECOND_NS), monotonic_ns=MONOTONIC + 6 * SECOND_NS)
    assert (report.present, report.offset_ns, report.notices[0].kind) == (False, None, "no-pulse")
    never = PulseTrain().look(Edge(0, 0), monotonic_ns=MONOTONIC)
    assert (never.present, never.notices[0].text) == (False, "no pulse yet")


def test_the_kernels_number_may_wrap() -> None:
    train = Train(start=0xFFFF_FFFF)
    train.pulse(START_NS)
    train.sequence = 0
    train.pulse(START_NS + SECOND_NS, counted=0)
    assert train.train.pulses == 1, "number 0 stands for no pulse and is passed over"
    assert train.pulse(START_NS + 2 * SECOND_NS) == []
    assert (train.train.missed, train.train.extra) == (0, 0)


class Device:
    """Stands for /dev/pps0: gives recorded structures, then fails."""

    def __init__(self, recorded: list[bytes]) -> None:
        self.recorded, self.closed = recorded, False

    def fetch(self) -> bytes:
        if not self.recorded:
            raise OSError(19, "No such device")
        return self.recorded.pop(0)

    def close(self) -> None:
        self.closed = True


def observe(reader: PulseReader, count: int) -> list[Observation]:
    async def body() -> list[Observation]:
        found = []
        stream = reader.observations()
        async for observation in stream:
            found.append(observation)
            if len(found) == count:
                break
        await stream.aclose()  # type: ignore[attr-defined]
        return found

    return asyncio.run(body())


def test_recorded_structures_become_observations() -> None:
    clock = StillClock()
    recorded = [fetched(Edge(n, START_NS + n * SECOND_NS + 2_000), Edge(0, 0)) for n in range(1, 5)]
    device = Device(recorded)
    reader = PulseReader("/dev/pps7", clock, (200, 2_000), open_device=lambda path: device, look_every=0)  # type: ignore[arg-type,return-value]
    found = observe(reader, 5)
    assert [one.usable for one in found] == [False, False, True, True, False]
    good = found[3]
    assert (good.source, good.offset_ns, good.uncertainty_ns, good.limit_ns) == ("pps:/dev/pps7", 2_000, 200, 2_000)
    assert good.modulo_second
    assert found[4].notices[0].kind == "cannot-read"
    assert device.closed


def test_a_device_that_is_not_there_or_is_none_is_told(tmp_path: Path) -> None:
    (missing,) = observe(PulseReader("/dev/no-such-pps", StillClock(), (1, 5)), 1)
    assert (missing.usable, missing.notices[0].kind) == (False, "cannot-read")
    plain = tmp_path / "pps0"
    plain.write_bytes(b"x")
    (none,) = observe(PulseReader(str(plain), StillClock(), (1, 5)), 1)
    assert "is it a PPS device?" in none.notices[0].text

from __future__ import annotations

import asyncio
import contextlib
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from receivers import SECOND_NS, START_NS, StillClock

from noonmark.agent.hardware_clock import (
    BASIC_LENGTH,
    EXTENDED_LENGTH,
    Comparison,
    decode_basic,
    decode_extended,
    encode_request,
    narrowest,
)
from noonmark.agent.reference_phc import HardwareClockReader

TAI = 37 * SECOND_NS


def ptp_time(time_ns: int) -> bytes:
    """struct ptp_clock_time."""
    seconds, nanoseconds = divmod(time_ns, SECOND_NS)
    return struct.pack("=qII", seconds, nanoseconds, 0)


def extended(samples: list[tuple[int, int, int]]) -> bytes:
    """struct ptp_sys_offset_extended as the kernel fills it, from its published layout."""
    data = struct.pack("=I12x", len(samples)) + b"".join(ptp_time(time) for sample in samples for time in sample)
    return data.ljust(EXTENDED_LENGTH, b"\0")


def test_samples_are_read_from_the_structure() -> None:
    samples = [(START_NS + n, START_NS + TAI + n, START_NS + n + 900 - 100 * n) for n in range(4)]
    found = decode_extended(extended(samples))
    assert found == [Comparison(*sample) for sample in samples]
    assert narrowest(found) == Comparison(*samples[3])


def test_the_basic_structure_shares_the_hosts_times() -> None:
    times = [START_NS, START_NS + TAI + 300, START_NS + 600, START_NS + TAI + 800, START_NS + 1000]
    data = (struct.pack("=I12x", 2) + b"".join(map(ptp_time, times))).ljust(BASIC_LENGTH, b"\0")
    assert decode_basic(data) == [Comparison(*times[:3]), Comparison(*times[2:])]


@pytest.mark.parametrize("data", [b"", bytes(EXTENDED_LENGTH), struct.pack("=I", 26).ljust(EXTENDED_LENGTH, b"\0")])
def test_what_is_no_structure_is_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match=r"octets|samples"):
        decode_extended(data)


@given(st.binary(min_size=EXTENDED_LENGTH, max_size=EXTENDED_LENGTH))
def test_any_octets_are_a_structure_or_refused(data: bytes) -> None:
    with contextlib.suppress(ValueError):
        assert 1 <= len(decode_extended(data)) <= 25


def test_a_request_states_its_samples() -> None:
    assert encode_request(9, extended=True)[:4] == struct.pack("=I", 9)
    with pytest.raises(ValueError, match="26 samples"):
        encode_request(26, extended=True)


class Device:
    """Stands for /dev/ptp0: a card that is `card_ns` away from TAI, read within `width_ns`."""

    def __init__(self, clock: StillClock, *, ahead_ns: int = 0, scale_ns: int = TAI, width_ns: int = 800) -> None:
        self.clock, self.ahead_ns, self.scale_ns, self.width_ns = clock, ahead_ns, scale_ns, width_ns
        self.stopped_at: int | None = None

    def compare(self) -> list[Comparison]:
        true = self.clock.true_ns if self.stopped_at is None else self.stopped_at
        card = true + self.scale_ns + self.ahead_ns
        host = self.clock.realtime_ns()
        return [
            Comparison(host - self.width_ns // 2, card, host + self.width_ns // 2),
            Comparison(host - 9000, card, host),
        ]


def watch(clock: StillClock, device: Device, seconds: int, **options: bool) -> list:  # type: ignore[type-arg]
    reader = HardwareClockReader("/dev/ptp9", clock, (250, 2_000), tai_minus_utc=lambda at: 37, **options)
    found = []
    for _ in range(seconds):
        clock.advance(SECOND_NS)
        found.append(reader.observe(device.compare()))
    return found


def test_the_hosts_clock_is_compared_with_the_card_in_utc() -> None:
    clock = StillClock(offset_ns=5_000)
    found = watch(clock, Device(clock), 4)
    assert [one.usable for one in found] == [False, False, True, True]
    last = found[-1]
    assert (last.source, last.offset_ns, last.limit_ns) == ("phc:/dev/ptp9", 5_000, 2_400)
    assert last.uncertainty_ns == 341, "hypot(250, 400 / sqrt 3)"


@pytest.mark.parametrize(("counts_tai", "scale_ns", "size_s"), [(True, 0, 37), (False, TAI, -37)])
def test_a_card_on_the_other_scale_is_named(counts_tai: bool, scale_ns: int, size_s: int) -> None:
    clock = StillClock()
    last = watch(clock, Device(clock, scale_ns=scale_ns), 4, counts_tai=counts_tai)[-1]
    assert (last.usable, last.notices[0].kind, last.notices[0].size_ns) == (False, "wrong-scale", size_s * SECOND_NS)


def test_a_card_that_stops_is_noticed() -> None:
    clock = StillClock()
    device = Device(clock)
    assert watch(clock, device, 4)[-1].usable
    device.stopped_at = clock.true_ns
    last = watch(clock, device, 4)[-1]
    assert not last.usable
    assert {notice.kind for notice in last.notices} >= {"time-frozen"}


def test_a_card_that_jumps_is_noticed() -> None:
    clock = StillClock()
    device = Device(clock)
    reader = HardwareClockReader("/dev/ptp9", clock, (250, 2_000), tai_minus_utc=lambda at: 37)
    for ahead in (0, 0, 0, 50_000_000):
        device.ahead_ns = ahead
        clock.advance(SECOND_NS)
        last = reader.observe(device.compare())
    assert (last.usable, [notice.kind for notice in last.notices]) == (False, ["time-jump"])


def test_a_card_that_is_not_there_is_told() -> None:
    async def body() -> None:
        reader = HardwareClockReader("/dev/no-such-ptp", StillClock(), (1, 5), tai_minus_utc=lambda at: 37)
        stream = reader.observations()
        observation = await anext(stream)
        assert (observation.usable, observation.notices[0].kind) == (False, "cannot-read")
        await stream.aclose()  # type: ignore[attr-defined]

    asyncio.run(body())


def test_a_host_clock_that_went_backwards_compares_nothing() -> None:
    reader = HardwareClockReader("/dev/ptp9", StillClock(), (1, 5), tai_minus_utc=lambda at: 37)
    assert not reader.observe([Comparison(START_NS, START_NS + TAI, START_NS - 1)]).usable

"""The record for programs on the host: written by an agent, read by another process, never torn."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from dataclasses import replace
from pathlib import Path

import pytest

from noonmark.agent.clocks import ErrorInjectedClock, SystemClock
from noonmark.agent.shared_time import RecordFile, SharedTime, age_of, read_together
from noonmark.proto.control import OwnEstimate
from noonmark.proto.records import ClockEvent, ClockEventKind
from noonmark.proto.time_client import NoRecord, ReferenceTime
from noonmark.proto.time_record import NOTHING, SIZE, TimeRecord, pack, unpack

OFFSET_NS = 1_840_000
OWN = OwnEstimate("measured", 0, OFFSET_NS, 0.0, 400, 1e-9, OFFSET_NS - 20_000, OFFSET_NS + 20_000, "locked")


def estimate_now(ago_ns: int = 0, offset_ns: int = OFFSET_NS, **changes: object) -> OwnEstimate:
    """Of a host whose clock is ahead by `offset_ns`, so that true time is its clock minus that."""
    own = replace(OWN, at_ns=time.time_ns() - offset_ns - ago_ns, offset_ns=offset_ns)
    own = replace(own, lower_ns=offset_ns - 20_000, upper_ns=offset_ns + 20_000)
    return replace(own, **changes)


def test_what_the_collector_says_can_be_read_by_a_program(tmp_path: Path) -> None:
    shared = SharedTime(SystemClock(), tmp_path / "time")
    with ReferenceTime(tmp_path / "time") as clock:
        first = clock.now()
        assert not first.known
        assert "nothing is known" in first.reason
        shared.take(estimate_now(ago_ns=2_000_000_000), "holdover")
        before = time.time_ns() - OFFSET_NS
        reading = clock.now()
        after = time.time_ns() - OFFSET_NS
    assert reading.known
    assert reading.earliest_ns is not None
    assert reading.latest_ns is not None
    # The machine may have slewed its clock meanwhile; limits of 20 us and 2 s at 15 ppm leave room for that.
    assert reading.earliest_ns <= after
    assert before <= reading.latest_ns
    assert (reading.host_state, reading.reference_state) == ("measured", "holdover")
    assert (tmp_path / "time").stat().st_mode & 0o777 == 0o644
    shared.close()


def test_a_collector_that_is_away_makes_limits_wider_and_nothing_else(tmp_path: Path) -> None:
    shared = SharedTime(SystemClock())
    shared.take(estimate_now(), "locked")
    record = shared.record
    shared.take(estimate_now(ago_ns=700 * 10**9), "locked")  # too old to be placed: what was known stays
    assert shared.record.monotonic_ns == record.monotonic_ns
    assert shared.record.told_ns > record.told_ns
    assert shared.record.widening == 15e-6


def test_an_unknown_host_is_told_as_unknown() -> None:
    shared = SharedTime(SystemClock())
    shared.take(estimate_now(), "locked")
    shared.take(replace(OWN, state="no-route", offset_ns=None, uncertainty_ns=None), "locked")
    reading = shared.now()
    assert not reading.known
    assert reading.reason == "this host's clock is no-route"


def test_estimates_from_before_the_clock_was_set_are_not_placed() -> None:
    shared = SharedTime(SystemClock())
    shared.take(estimate_now(), "locked")
    known = shared.record
    shared.clock_event(ClockEvent(ClockEventKind.STEP, 2, time.time_ns(), 5_000_000))
    # It was on its way: by the clock as it reads now, its moment seems 5 ms before or after what it was.
    for seems_ns in (1_005_000_000, 5_000_000 - 1_000_000):
        shared.take(estimate_now(ago_ns=seems_ns), "locked")
        assert shared.record.monotonic_ns == known.monotonic_ns
    shared.take(estimate_now(ago_ns=-500_000_000), "locked")  # of a moment well after the step
    assert shared.record.monotonic_ns > known.monotonic_ns


@pytest.mark.parametrize("drift", [30e-6, -30e-6])
def test_on_trial_the_record_speaks_of_the_hosts_own_monotonic_clock(drift: float) -> None:
    clock = ErrorInjectedClock(OFFSET_NS, drift, time.time_ns())
    shared = SharedTime(clock, injected_drift=drift)
    shared.take(replace(OWN, at_ns=clock.realtime_ns() - OFFSET_NS - 10**9, drift=drift, offset_ns=OFFSET_NS), "locked")
    assert shared.record.drift == pytest.approx(0.0, abs=1e-12)
    reading = shared.now()
    assert reading.known
    assert abs(reading.reference_ns - time.time_ns()) < 50_000_000


def test_an_age_that_cannot_be() -> None:
    assert age_of(replace(OWN, at_ns=0, offset_ns=0), 5_000_000_000) == 5_000_000_000
    assert age_of(replace(OWN, at_ns=0, offset_ns=0), 601 * 10**9) is None
    assert age_of(replace(OWN, at_ns=0, offset_ns=0), -2 * 10**9) is None
    assert age_of(replace(OWN, offset_ns=None), 0) is None


def test_two_clocks_are_read_together_in_spite_of_an_interruption() -> None:
    instants = iter([0, 900_000, 1_000_000, 1_000_400])  # the first try was interrupted
    moment = read_together(lambda: 77, lambda: next(instants))
    assert (moment.monotonic_ns, moment.realtime_ns, moment.spread_ns) == (1_000_200, 77, 400)


def test_a_restarted_agent_takes_the_file_over_and_readers_go_on(tmp_path: Path) -> None:
    place = tmp_path / "time"
    first = SharedTime(SystemClock(), place)
    first.take(estimate_now(), "locked")
    with ReferenceTime(place) as clock:
        first.close()
        second = SharedTime(SystemClock(), place)
        assert not clock.now().known
        second.take(estimate_now(), "locked")
        assert clock.now().known
        second.close()


def test_a_reader_finds_a_new_file_once_the_old_one_is_silent(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "time"
    SharedTime(SystemClock(), place).close()
    with ReferenceTime(place) as clock:
        place.unlink()
        assert not clock.now().known
        shared = SharedTime(SystemClock(), place)
        shared.take(estimate_now(), "locked")
        clock._looked_ns -= 2 * 10**9
        clock.now()
        assert clock.now().known
        shared.close()


def test_a_file_left_half_written_is_completed_by_the_next_write(tmp_path: Path) -> None:
    place = tmp_path / "time"
    octets = bytearray(pack(NOTHING, 6))
    octets[16] = 7
    place.write_bytes(octets)
    reader = ReferenceTime(place)
    with pytest.raises(NoRecord, match="half written"):
        reader.record()
    file = RecordFile(place)
    file.write(NOTHING)
    assert reader.record() == NOTHING
    file.close()
    reader.close()


def test_only_one_agent_writes_a_record(tmp_path: Path) -> None:
    first = RecordFile(tmp_path / "time")
    with pytest.raises(OSError, match="another agent") as told:
        RecordFile(tmp_path / "time")
    assert told.value.filename == str(tmp_path / "time")
    first.close()


def test_what_is_no_record_is_replaced_by_the_agent_and_refused_by_the_reader(tmp_path: Path) -> None:
    place = tmp_path / "time"
    place.write_bytes(b"shopping list")
    with pytest.raises(NoRecord, match="13 octets"):
        ReferenceTime(place)
    RecordFile(place).close()
    assert place.stat().st_size == SIZE
    with pytest.raises(NoRecord, match="--time-record"):
        ReferenceTime(tmp_path / "nowhere")
    with pytest.raises(OSError, match="No such file"):
        RecordFile(tmp_path / "no-folder" / "time")
    assert list(tmp_path.iterdir()) == [place]


WRITER = """
import sys
from pathlib import Path
from noonmark.agent.shared_time import RecordFile
from noonmark.proto.time_record import TimeRecord
file = RecordFile(Path(sys.argv[1]))
for number in range(1, int(sys.argv[2]) + 1):
    n = number * 0x0101010101
    file.write(TimeRecord(n, n, n, n, n, n, n, float(n), float(n), float(n), n, 2, 3, (n & 255).to_bytes(1) * 16))
"""


@pytest.mark.processes
def test_no_read_is_torn_while_another_process_writes(tmp_path: Path) -> None:
    """Every field of a record tells the same number; so bounded that it ends in seconds on any machine."""
    place = tmp_path / "time"
    RecordFile(place).close()
    environment = {**os.environ}
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(place), "30000"], env=environment)
    seen: set[int] = set()
    torn: list[TimeRecord] = []

    def read() -> None:
        with ReferenceTime(place) as clock:
            while writer.poll() is None:
                record = clock.record()
                n = record.monotonic_ns
                seen.add(n)
                whole = (n, n, n, n, n, n, n, float(n), float(n), float(n), n, 2, 3, bytes([n & 255]) * 16)
                if record not in (whole, NOTHING):
                    torn.append(record)

    readers = [threading.Thread(target=read) for _ in range(2)]
    for reader in readers:
        reader.start()
    try:
        writer.wait(60)
    finally:
        writer.kill()
    for reader in readers:
        reader.join(10)
    assert writer.returncode == 0
    assert not torn
    assert len(seen) > 10
    last = unpack(place.read_bytes())
    assert last is not None
    assert last.monotonic_ns == 30_000 * 0x0101010101

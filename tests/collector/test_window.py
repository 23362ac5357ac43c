"""The recent past, columnar: what goes in comes out, ages out, and never changes under its reader."""

from __future__ import annotations

import numpy as np

from noonmark.collector.window import Window, WindowSettings
from noonmark.proto.records import (
    ClockEvent,
    ClockEventKind,
    ProbeRecord,
    RecordBatch,
    StampSource,
    pack_flags,
)

KERNEL = (StampSource.KERNEL,) * 4


def record(destination: str, t1_ns: int, epoch: int = 1) -> ProbeRecord:
    return ProbeRecord(destination, t1_ns, t1_ns + 10, t1_ns + 20, t1_ns + 40, KERNEL, epoch, 7, True)


def batch(*records: ProbeRecord) -> RecordBatch:
    return RecordBatch.from_records(1, records)


def test_rows_come_out_as_they_went_in() -> None:
    window = Window()
    assert window.add("quay", batch(record("holm", 2), record("skerry", 5), record("skerry", 3)), 0.0) == 3
    window.add("holm", batch(record("quay", 10**18, epoch=4)), 1.0)
    columns = window.columns(1.0)
    names = columns.hosts
    rows = [
        (names[source], names[destination], t1, t2, t3, t4)
        for source, destination, t1, t2, t3, t4 in zip(
            columns.source, columns.destination, columns.t1_ns, columns.t2_ns, columns.t3_ns, columns.t4_ns, strict=True
        )
    ]
    assert rows == [
        ("quay", "holm", 2, 12, 22, 42),
        ("quay", "skerry", 3, 13, 23, 43),
        ("quay", "skerry", 5, 15, 25, 45),
        ("holm", "quay", 10**18, 10**18 + 10, 10**18 + 20, 10**18 + 40),
    ]
    assert columns.flags.tolist() == [pack_flags(KERNEL, measuring=True)] * 4
    assert columns.source_epoch.tolist() == [1, 1, 1, 4]
    assert columns.destination_epoch.tolist() == [7] * 4


def test_rows_leave_after_the_span() -> None:
    window = Window(WindowSettings(span=60.0))
    window.add("quay", batch(record("holm", 1)), 0.0)
    window.add("quay", batch(record("holm", 2)), 30.0)
    assert window.columns(60.0).t1_ns.tolist() == [1, 2]
    assert window.columns(61.0).t1_ns.tolist() == [2]
    assert len(window.columns(91.0)) == 0


def test_an_empty_window_has_no_rows() -> None:
    columns = Window().columns(0.0)
    assert (len(columns), columns.hosts) == (0, ())
    assert Window().add("quay", RecordBatch.from_records(1, []), 0.0) == 0


def test_a_batch_that_waited_is_as_old_as_it_is() -> None:
    window = Window(WindowSettings(span=60.0))
    window.add("quay", batch(record("holm", 1)), 0.0, waited=50.0)
    window.add("quay", batch(record("holm", 2)), 0.0)
    assert window.columns(5.0).t1_ns.tolist() == [1, 2]
    assert window.columns(15.0).t1_ns.tolist() == [2]


def test_a_batch_that_waited_too_long_is_counted_and_left() -> None:
    window = Window(WindowSettings(span=60.0))
    assert window.add("quay", batch(record("holm", 1)), 0.0, waited=60.0) == 0
    assert window.statistics().rows_late == 1


def test_columns_handed_out_never_change() -> None:
    window = Window(WindowSettings(span=10.0))
    window.add("quay", batch(record("holm", 1), record("skerry", 2)), 0.0)
    before = window.columns(0.0)
    copy = before.t1_ns.tolist(), before.destination.tolist(), before.hosts
    for step in range(3000):
        window.add(f"host-{step}", batch(record("holm", step)), float(step))
        window.expire(float(step))
    assert (before.t1_ns.tolist(), before.destination.tolist(), before.hosts) == copy
    assert not before.t1_ns.flags.writeable


def test_numbers_are_stable_while_hosts_have_rows() -> None:
    window = Window(WindowSettings(span=1e9))
    window.add("quay", batch(record("holm", 1)), 0.0)
    for step in range(5000):
        window.add(f"host-{step}", batch(record("quay", step)), float(step))
    columns = window.columns(5000.0)
    assert columns.hosts[:2] == ("quay", "holm")
    assert (columns.source[0], columns.destination[0]) == (0, 1)


def test_names_of_hosts_long_gone_are_given_up() -> None:
    window = Window(WindowSettings(span=10.0))
    for step in range(5000):
        window.add(f"host-{step}", batch(record("quay", step)), float(step))
        window.expire(float(step))
    columns = window.columns(5000.0)
    assert len(columns.hosts) < 2000
    newest = [columns.hosts[source] for source in columns.source]
    assert newest == [f"host-{step}" for step in range(4990, 5000)]
    assert {columns.hosts[destination] for destination in columns.destination} == {"quay"}


def test_one_host_cannot_crowd_out_the_others() -> None:
    window = Window(WindowSettings(max_rows_per_host=3))
    three = batch(*(record("holm", step) for step in range(3)))
    assert window.add("loud", three, 0.0) == 3
    assert window.add("loud", three, 1.0) == 0
    assert window.add("quiet", three, 1.0) == 3
    assert window.statistics().rows_over_quota == 3
    assert window.add("loud", three, 100.0) == 0
    window.expire(100.0)
    assert window.add("loud", three, 100.0) == 3


def test_the_oldest_rows_give_way_when_the_store_is_full() -> None:
    window = Window(WindowSettings(max_rows=4))
    for step in range(6):
        window.add("quay", batch(record("holm", step)), float(step))
    assert window.columns(6.0).t1_ns.tolist() == [2, 3, 4, 5]
    statistics = window.statistics()
    assert (statistics.rows, statistics.rows_added, statistics.rows_crowded_out) == (4, 6, 2)


def test_many_rows_of_both_kinds_agree_with_a_plain_list() -> None:
    """The same history kept in a Python list, row by row, is the judge."""
    generator = np.random.default_rng(5)
    window = Window(WindowSettings(span=20.0))
    plain: list[tuple[float, float, str, str, int]] = []
    serial = 0
    for step in range(400):
        now = step / 4
        host = f"host-{generator.integers(20)}"
        waited = float(generator.choice([0.0, 0.0, 0.0, 5.0, 30.0]))
        records = []
        for _ in range(int(generator.integers(1, 12))):
            serial += 1
            records.append(record(f"host-{generator.integers(20, 40)}", serial))
        window.add(host, batch(*records), now, waited=waited)
        if waited < 20.0:
            plain += [(now, now - waited, host, item.destination, item.t1_ns) for item in records]
        if step % 50 == 49:
            columns = window.columns(now)
            got = {
                (columns.hosts[source], columns.hosts[destination], t1)
                for source, destination, t1 in zip(columns.source, columns.destination, columns.t1_ns, strict=True)
            }
            assert got == {row[2:] for row in plain if row[0] >= now - 20.0 and row[1] >= now - 20.0}


def test_clock_events_stay_for_the_span() -> None:
    window = Window(WindowSettings(span=10.0))
    event = ClockEvent(ClockEventKind.STEP, 2, 10**18, -500)
    window.add_event("quay", event, 0.0)
    assert [(item.host, item.event) for item in window.events()] == [("quay", event)]
    window.expire(11.0)
    assert window.events() == ()


def test_no_host_crowds_out_anothers_clock_events() -> None:
    window = Window(WindowSettings(span=10.0, max_events=5, max_events_per_host=3))
    event = ClockEvent(kind=ClockEventKind.STEP, epoch=2, at_ns=5, size_ns=-7)
    assert window.add_event("holm", event, 0.0)
    assert [window.add_event("quay", event, 1.0) for _ in range(4)] == [True, True, True, False]
    assert [told.host for told in window.events()] == ["holm", "quay", "quay", "quay"]
    assert [window.add_event(host, event, 2.0) for host in ("skerry", "islet")] == [True, True]
    assert [told.host for told in window.events()] == ["quay", "quay", "quay", "skerry", "islet"]
    assert window.statistics().events_over_quota == 1
    window.columns(11.5)
    assert window.add_event("quay", event, 11.5), "what has left the window is not counted any more"
    assert [told.host for told in window.events()] == ["skerry", "islet", "quay"]


def test_one_host_cannot_name_a_crowd_that_nobody_knows() -> None:
    window = Window(WindowSettings(max_strangers_per_host=3))

    def named(*names: str) -> RecordBatch:
        records = [ProbeRecord(name, 1, 2, 3, 4, (StampSource.KERNEL,) * 4, 1, 1, True) for name in names]
        return RecordBatch.from_records(1, records)

    assert window.add("mallory", named("a", "b", "c"), 0.0) == 3
    assert window.add("mallory", named("a", "b", "c"), 1.0) == 3, "known by now"
    assert window.add("mallory", named("d"), 2.0) == 0
    assert window.add("quay", named("d", "a"), 3.0) == 2, "others have quotas of their own"
    assert window.add("mallory", named("d"), 4.0) == 1
    statistics = window.statistics()
    assert (statistics.rows_over_quota, statistics.hosts) == (1, 6)

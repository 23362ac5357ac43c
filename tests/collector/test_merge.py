"""Merging logs: blocks, records, the merged stream against `order()` and against itself in other block sizes."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest
from clock_tables import table
from hypothesis import given
from hypothesis import strategies as st
from logs import laid_out, merged, opened

from noonmark.collector.civil import print_instant
from noonmark.collector.clock_table import ClockTable, NoKnowledge
from noonmark.collector.log_blocks import LineLog
from noonmark.collector.log_files import LogName, OpenLog
from noonmark.collector.log_formats import StampReader
from noonmark.collector.log_journal import JournalLog
from noonmark.collector.log_stamps import StampOptions
from noonmark.collector.merge_json import JsonWriter
from noonmark.collector.order import Events, order
from noonmark.collector.order_logs import Hosts, merge_of
from noonmark.collector.verdicts import Certainty

T0 = 1_795_589_703 * 10**9
OFFSETS = [3_000_000, 0, -1_000_000]
CLOCKS = table(OFFSETS, [(2_900_000, 3_100_000), (0, 0), (-1_100_000, -900_000)], [20_000.0, 0.0, 20_000.0])
NAMES = CLOCKS.hosts


def log_of(stamps: list[int], *, digits: int = 6, text: str = "gate opened") -> bytes:
    return b"".join(f"{print_instant(T0 + stamp, digits)} {text} {n}\n".encode() for n, stamp in enumerate(stamps))


# --- blocks --------------------------------------------------------------------------------------------------------


def records_of(text: bytes, block_bytes: int) -> list[tuple[bytes, int, bool]]:
    log = LineLog(io.BytesIO(text), StampReader(StampOptions()), block_bytes=block_bytes)
    found = []
    for block in log.blocks():
        begin = 0
        for row, end in enumerate(block.ends.tolist()):
            found.append((bytes(block.data[begin:end]), int(block.time_ns[row]), bool(block.timed[row])))
            begin = end
    assert log.counts.records == len(found)
    assert log.counts.lines == sum(record.count(b"\n") for record, _, _ in found)
    return found


LINE = st.sampled_from(
    [
        b"2026-11-25T06:55:03.1Z a",
        b"2026-11-25T06:55:04Z bb",
        b"1795589705.25 c",
        b"<34>1 2026-11-25T06:55:06Z quay gate - - - d",
        b"   at gate.open",
        b"\tcaused by",
        b"no time",
        b"",
        b"\xff\xfe\x00",
        b"2026-11-25 06:55:03 no zone",
    ]
)


@given(st.lists(LINE, max_size=30), st.integers(1, 200), st.booleans())
def test_blocks_of_any_size_give_the_same_records(rows: list[bytes], block_bytes: int, newline: bool) -> None:
    text = b"\n".join(rows) + (b"\n" if newline and rows else b"")
    found = records_of(text, block_bytes)
    assert found == records_of(text, 1 << 20)
    assert b"".join(record for record, _, _ in found).removesuffix(b"\n") == text.removesuffix(b"\n")
    if any(timed for _, _, timed in found):
        assert all(timed for _, _, timed in found)


def test_continuations_stay_with_their_head_and_are_counted() -> None:
    text = b"before any time\n2026-11-25T06:55:03Z head\n  at a\n\tat b\nno time\n2026-11-25T06:55:04Z next\n"
    log = LineLog(io.BytesIO(text), StampReader(StampOptions()))
    first, second = log.blocks()
    assert bytes(first.data[: first.ends[-1]]) + bytes(second.data[: second.ends[-1]]) == text
    assert second.data[: second.ends[-1]] == b"2026-11-25T06:55:04Z next\n"
    assert (log.counts.continued, log.counts.unreadable, log.counts.refused) == (2, 2, 0)


def test_log_without_any_time_is_one_record_that_is_kept() -> None:
    assert records_of(b"a\nb", 2) == [(b"a\nb\n", 0, False)]
    assert records_of(b"", 2) == []


# --- merging -------------------------------------------------------------------------------------------------------

STAMPS = st.lists(st.integers(0, 20_000).map(lambda value: value * 1000), max_size=30)


@given(st.tuples(STAMPS, STAMPS, STAMPS), st.integers(40, 400), st.sampled_from([1, 5, 16_384]))
def test_merge_agrees_with_order_whatever_the_blocks(
    stamps: tuple[list[int], list[int], list[int]], block_bytes: int, stretch: int
) -> None:
    logs = {name: log_of(rows, text=name) for name, rows in zip(NAMES, stamps, strict=True)}
    text, merge = merged(logs, CLOCKS, block_bytes=block_bytes, stretch=stretch)
    host = np.repeat(np.arange(3, dtype=np.int32), [len(rows) for rows in stamps])
    stamp = T0 + np.array([each for rows in stamps for each in rows], np.int64)
    found = order(Events(host, stamp, 1000), CLOCKS)
    raw = [line for name in NAMES for line in logs[name].splitlines()]
    assert [line[39:] for line in text.splitlines()] == [raw[row] for row in found.permutation.tolist()]
    marks = {Certainty.CERTAIN: b" ", Certainty.LIKELY: b"~", Certainty.OPEN: b"?"}
    assert [line[1:2] for line in text.splitlines()] == [marks[Certainty(value)] for value in found.certainty.tolist()]
    group = found.group.tolist()
    assert [line[:1] != b" " for line in text.splitlines()] == [number >= 0 for number in group]
    assert text.count(b"\n/") + text.startswith(b"/") == len(set(group) - {-1})
    assert merge.counts.records == len(stamp)
    assert merge.counts.open == int(np.count_nonzero(found.certainty == Certainty.OPEN))


def test_text_shows_raw_and_corrected_side_by_side() -> None:
    text, _ = merged({"h0": log_of([10_000_000]), "h1": log_of([7_010_000, 7_060_000])}, CLOCKS)
    assert text.decode().splitlines() == [
        "/  2026-11-25T06:55:03.007000500Z  h0  2026-11-25T06:55:03.010000Z gate opened 0",
        "\\? 2026-11-25T06:55:03.007010500Z  h1  2026-11-25T06:55:03.007010Z gate opened 0",
        "   2026-11-25T06:55:03.007060500Z  h1  2026-11-25T06:55:03.007060Z gate opened 1",
    ]


def test_unknown_hosts_keep_their_time_and_are_marked() -> None:
    text, merge = merged({"h0": log_of([10_000_000]), "stranger": log_of([8_000_000])}, CLOCKS)
    assert text.decode().splitlines()[1] == (
        " ? 2026-11-25T06:55:03.008000000Z! stranger  2026-11-25T06:55:03.008000Z gate opened 0"
    )
    assert merge.counts.unknown == 1


def test_two_logs_of_one_host_are_ordered_by_its_own_clock() -> None:
    first, second = opened(log_of([0, 3_000]), "stranger"), opened(log_of([1_000, 2_000]), "stranger")
    hosts = Hosts(NoKnowledge())
    merge = merge_of([first, second], NoKnowledge(), hosts)
    stretches = list(merge.stretches())
    assert hosts.names == ["stranger"]
    assert [value for stretch in stretches for value in stretch.certainty.tolist()] == [Certainty.CERTAIN] * 4
    assert merge.counts.across == 0


def test_group_too_large_to_be_held_comes_in_parts_with_its_brackets_whole() -> None:
    wide = table([0, 0], [(-(10**9), 10**9)] * 2, [10**8] * 2)
    logs = {name: log_of(list(range(0, 400_000, 1000))) for name in ("h0", "h1")}
    text, merge = merged(logs, wide, block_bytes=500, stretch=10, most_held=40)
    marks = [line[:1] for line in text.splitlines()]
    assert marks == [b"/", *[b"|"] * 798, b"\\"]
    assert merge.counts.groups_cut > 0


def test_central_log_of_several_hosts_is_put_in_order_over_its_window() -> None:
    rows = [("h0", 10_000_000), ("h1", 8_000_000), ("h2", 5_900_000), ("h0", 10_400_000), ("h1", 6_000_000)]
    text = b"".join(
        json.dumps({"ts": print_instant(T0 + stamp, 6), "host": host}).encode() + b"\n" for host, stamp in rows
    )
    hosts = Hosts(CLOCKS)
    log = opened(text, None, block_bytes=60)
    merge = merge_of([log], CLOCKS, hosts, window_ns=5_000_000)
    found = [json.loads(line) for line in laid_out(JsonWriter(hosts.names, ["all"]).lay_out, merge).splitlines()]
    corrected = [(each["host"], (each["time_ns"] - T0) // 1000) for each in found]
    assert corrected == [("h2", 6900), ("h0", 7000), ("h0", 7400), ("h1", 8000), ("h1", 6000)]
    assert found[-1]["order"] == "certain", "a host's own order is kept"


def test_line_later_than_the_window_is_placed_early_and_counted() -> None:
    rows = [("h1", stamp * 1_000_000) for stamp in range(50)] + [("h0", 3_000_000)]
    text = b"".join(
        json.dumps({"ts": print_instant(T0 + stamp, 6), "host": host}).encode() + b"\n" for host, stamp in rows
    )
    hosts = Hosts(CLOCKS)
    merge = merge_of([opened(text, None, block_bytes=200)], CLOCKS, hosts, window_ns=5_000_000)
    merge.stretch = 1
    total = sum(len(stretch.records) for stretch in merge.stretches())
    assert (total, merge.sources[0].late) == (51, 1)


def test_json_lines_tell_all_that_is_known() -> None:
    claim = b'<34>1 2026-11-25T06:55:03.020Z x gate - - [timeQuality tzKnown="1" isSynced="1" syncAccuracy="9"] \xff\n'
    logs = [opened(log_of([10_000_000]) + b"  more\n", "h0"), opened(claim, "h1"), opened(b"nothing\n", "h2")]
    hosts = Hosts(CLOCKS)
    merge = merge_of(logs, CLOCKS, hosts)
    found = [json.loads(line) for line in laid_out(JsonWriter(hosts.names, list("abc")).lay_out, merge).splitlines()]
    untimed, first, second = found
    assert untimed["stamp_ns"] is None
    assert untimed["text"] == "nothing"
    assert untimed["order"] is None
    assert first["order"] == "open"
    assert (first["host"], first["log"], first["stamp_ns"] - T0, first["resolution_ns"]) == (
        "h0",
        "a",
        10_000_000,
        1000,
    )
    assert (first["time_ns"] - T0, first["corrected"]) == (7_000_500, True)
    assert (first["earliest_ns"] - T0, first["latest_ns"] - T0) == (6_900_000, 7_101_000)
    assert first["uncertainty_ns"] == 20_003
    assert first["text"].endswith("gate opened 0\n  more")
    assert (second["order"], second["probability"], second["group"]) == ("certain", 1.0, None)
    assert second["claim"] == {"zone_known": True, "synchronised": True, "accuracy_ns": 9000}
    assert second["text"].encode("utf-8", "surrogateescape") == claim.removesuffix(b"\n")
    assert all(each["schema"] == 1 for each in found)


def test_log_that_breaks_off_stops_no_other() -> None:
    class Breaking:
        def __init__(self) -> None:
            self.parts = [log_of([1000, 2000])]

        def read(self, size: int = -1, /) -> bytes:
            raise EOFError("cut off")

        def readinto(self, buffer: memoryview, /) -> int:
            if not self.parts:
                raise EOFError("cut off")
            part = self.parts.pop()
            buffer[: len(part)] = part
            return len(part)

    broken = OpenLog(LogName("x.gz", "h1"), Breaking(), LineLog(Breaking(), StampReader(StampOptions())), False)
    merge = merge_of([broken, opened(log_of([5_000_000]), "h0")], CLOCKS, Hosts(CLOCKS))
    assert sum(len(stretch.records) for stretch in merge.stretches()) == 2
    assert "x.gz: cut off" in broken.trouble[0]


# --- the journal ---------------------------------------------------------------------------------------------------


def entry(real: int, monotonic: int, boot: str = "b1", message: str = "m") -> bytes:
    fields = {"__REALTIME_TIMESTAMP": real, "__MONOTONIC_TIMESTAMP": monotonic, "_BOOT_ID": boot, "MESSAGE": message}
    return b"".join(f"{key}={value}\n".encode() for key, value in fields.items()) + b"\n"


def test_journal_is_ordered_by_its_monotonic_clock_and_tells_of_steps() -> None:
    start = T0 // 1000
    stream = (
        entry(start, 10_000_000, message="one")
        + entry(start - 3_000_000, 13_000_000, message="three, after a step back")
        + entry(start + 1_000_000, 11_000_000, message="two")
        + entry(start - 2_999_999, 5, boot="b2", message="four")
    )
    log = JournalLog(io.BytesIO(stream), "h1", block_bytes=1 << 16)
    (block,) = log.blocks()
    messages = [part.partition(b"MESSAGE=")[2] for part in block.data[: block.ends[-1]].split(b"\n\n")[:-1]]
    assert messages == [b"one", b"two", b"three, after a step back", b"four"]
    assert [(step.size_ns, step.host) for step in log.steps] == [(-6 * 10**9, "h1")]
    assert "set back by 6.000000 s" in log.steps[0].text


@pytest.mark.parametrize("block_bytes", [1, 50, 1000])
def test_journal_blocks_of_any_size_lose_nothing(block_bytes: int) -> None:
    stream = b"".join(entry(T0 // 1000 + n, n) for n in range(7))
    log = JournalLog(io.BytesIO(stream), "h1", block_bytes=block_bytes)
    assert b"".join(block.data for block in log.blocks()) == stream
    assert log.counts.records == 7


def test_table_of_one_estimate_is_enough() -> None:
    assert isinstance(CLOCKS, ClockTable)

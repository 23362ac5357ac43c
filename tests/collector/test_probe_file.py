"""Reading probe files: what is in them comes out, what cannot be used is counted, what is wrong is said in one line."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from noonmark.collector import probe_file
from noonmark.collector.estimate import ProbeColumns
from noonmark.collector.probe_checks import Reason, duplicates, ticks
from noonmark.collector.probe_file import LeftOut, ReadReport, read_probe_file
from noonmark.collector.probe_rows import Header, ProbeFileError, parse_block, parse_slowly
from noonmark.proto.records import MEASURING_BIT, StampSource, unpack_flags

HEADER = "src,dst,t1_ns,t2_ns,t3_ns,t4_ns\n"
T = 1_767_225_600_000_000_000


def row(src: str = "gate", dst: str = "berth", shift: int = 0) -> str:
    """A sound exchange: 10 µs there, 20 µs turnaround, 10 µs back."""
    times = (T + shift, T + shift + 10_000, T + shift + 30_000, T + shift + 40_000)
    return f"{src},{dst},{','.join(map(str, times))}\n"


def read(data: bytes | str) -> tuple[ProbeColumns, ReadReport]:
    return read_probe_file("-", standard_input=io.BytesIO(data.encode() if isinstance(data, str) else data))


def fault(data: bytes | str) -> ProbeFileError:
    with pytest.raises(ProbeFileError) as caught:
        read(data)
    assert "\n" not in str(caught.value)
    return caught.value


def only(report: ReadReport) -> LeftOut:
    (part,) = report.left_out
    return part


def test_rows_come_out_as_they_are_in_the_file() -> None:
    probes, report = read(HEADER + row("quay", "holm", 5) + row("holm", "berth", 7))
    assert probes.hosts == ("berth", "holm", "quay")
    assert [probes.hosts[index] for index in probes.source] == ["quay", "holm"]
    assert [probes.hosts[index] for index in probes.destination] == ["holm", "berth"]
    assert probes.t1_ns.tolist() == [T + 5, T + 7]
    assert probes.t2_ns.tolist() == [T + 10_005, T + 10_007]
    assert probes.t3_ns.tolist() == [T + 30_005, T + 30_007]
    assert probes.t4_ns.tolist() == [T + 40_005, T + 40_007]
    assert (report.rows_read, report.rows_left_out, report.left_out) == (2, 0, ())
    assert report.file == "standard input"


def test_columns_may_come_in_any_order_and_unknown_ones_are_named() -> None:
    text = "t4_ns,note,src,t1_ns,dst,t3_ns,t2_ns,note\n" + f"{T + 40},a,gate,{T},berth,{T + 30},{T + 10},b\n"
    probes, report = read(text)
    assert (probes.t1_ns[0], probes.t2_ns[0], probes.t3_ns[0], probes.t4_ns[0]) == (T, T + 10, T + 30, T + 40)
    assert report.ignored_columns == ("note", "note")


def test_without_extra_columns_the_kernel_stamped_and_every_row_measures() -> None:
    probes, report = read(HEADER + row())
    assert unpack_flags(int(probes.flags[0])) == ((StampSource.KERNEL,) * 4, True)
    assert probes.source_epoch.tolist() == probes.destination_epoch.tolist() == [0]
    assert (report.has_stamps, report.has_epochs, report.has_measuring) == (False, False, False)


def test_extra_columns_tell_stamps_epochs_and_measuring() -> None:
    header = HEADER.strip() + ",stamps,src_epoch,dst_epoch,measuring\n"
    text = header + row().strip() + ",hkuk,3,4,0\n" + row(shift=9).strip() + ",uuuu,3,5,1\n"
    probes, report = read(text)
    first = (StampSource.HARDWARE, StampSource.KERNEL, StampSource.USER, StampSource.KERNEL)
    assert unpack_flags(int(probes.flags[0])) == (first, False)
    assert unpack_flags(int(probes.flags[1])) == ((StampSource.USER,) * 4, True)
    assert probes.source_epoch.tolist() == [3, 3]
    assert probes.destination_epoch.tolist() == [4, 5]
    assert report.has_stamps
    assert report.has_epochs
    assert report.has_measuring


@pytest.mark.parametrize("ends", ["\r\n", "\r", "\n\n"])
def test_any_line_end_does_and_so_does_a_mark_of_byte_order(ends: str) -> None:
    text = "\ufeff" + (HEADER + row() + row(shift=1)).replace("\n", ends)
    assert len(read(text)[0]) == 2


def test_last_line_needs_no_end_and_fields_may_be_quoted() -> None:
    quoted = ",".join(f'"{field}"' for field in row("a,b").strip().split(",")).replace('"a","b"', '"a,b"')
    probes, _ = read(HEADER + quoted)
    assert probes.hosts == ("a,b", "berth")


def test_compressed_text_is_known_by_its_first_bytes(tmp_path: Path) -> None:
    packed = gzip.compress((HEADER + row()).encode())
    for name in ("probes.csv.gz", "probes.csv"):
        (tmp_path / name).write_bytes(packed)
        assert len(read_probe_file(str(tmp_path / name))[0]) == 1
    assert len(read(packed)[0]) == 1


def test_file_of_many_blocks_is_one_table(monkeypatch: pytest.MonkeyPatch) -> None:
    text = HEADER + "".join(row(f"host-{n % 7}", f"host-{(n + 1) % 11 + 7}", n) for n in range(500))
    expected, _ = read(text)
    monkeypatch.setattr(probe_file, "BLOCK_BYTES", 997)
    text_with_fault = text + "\n" + row("x", "x") + row("host-0", "host-8", 0)
    probes, report = read(text_with_fault)
    assert probes.hosts == tuple(sorted({*expected.hosts, "x"}))
    assert np.array_equal(probes.t3_ns, expected.t3_ns)
    assert [probes.hosts[index] for index in probes.source] == [expected.hosts[index] for index in expected.source]
    same, twice = report.left_out
    assert (same.reason, same.first_line) == (Reason.SAME_HOST, 503)
    assert (twice.reason, twice.first_line) == (Reason.DUPLICATE, 504)


def test_progress_counts_rows_and_the_share_of_the_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_file, "BLOCK_BYTES", 4096)
    path = tmp_path / "probes.csv"
    path.write_text(HEADER + "".join(row(shift=n) for n in range(1000)))
    calls: list[tuple[int, float | None]] = []
    read_probe_file(str(path), progress=lambda rows, share: calls.append((rows, share)))
    assert calls[-1] == (1000, 1.0)
    assert [rows for rows, _ in calls] == sorted(rows for rows, _ in calls)
    assert len(calls) > 10
    with path.open("rb") as stream:
        read_probe_file("-", standard_input=stream, progress=lambda rows, share: calls.append((rows, share)))
    assert calls[-1] == (1000, None)


@pytest.mark.parametrize(
    ("times", "reason"),
    [
        ((T, T + 10, T + 30, 1 << 62), Reason.OUT_OF_RANGE),
        ((T, T + 10, T + 30, 10**19), Reason.OUT_OF_RANGE),
        ((-(10**30), T + 10, T + 30, T + 40), Reason.OUT_OF_RANGE),
        ((T, T + 30, T + 10, T + 40), Reason.REPLY_BEFORE_RECEIPT),
        ((T + 40, T + 10, T + 30, T), Reason.BACK_BEFORE_SENT),
        ((T + 1, T + 11, T + 2_000_001, T + 1_000_003), Reason.NEGATIVE_ROUND_TRIP),
    ],
)
def test_rows_that_contradict_themselves_are_left_out_and_counted(times: tuple[int, ...], reason: Reason) -> None:
    bad = f"gate,quay,{','.join(map(str, times))}\n"
    probes, report = read(HEADER + row() + "\n" + bad + row(shift=3))
    # The judge is told of what speaks against the answerer.
    handed_on = [times[0]] if reason in (Reason.NEGATIVE_ROUND_TRIP, Reason.REPLY_BEFORE_RECEIPT) else []
    assert probes.t1_ns.tolist() == [T, *handed_on, T + 3]
    part = only(report)
    assert (part.reason, part.rows, part.first_line) == (reason, 1, 4)
    assert part.worst_paths == (("gate", "quay", 1),)
    assert (report.rows_read, report.rows_left_out) == (3, 1)


def test_probe_of_oneself_is_left_out() -> None:
    probes, report = read(HEADER + row("gate", "gate") + row())
    assert len(probes) == 1
    assert (only(report).reason, only(report).first_line) == (Reason.SAME_HOST, 2)


def test_row_with_several_faults_counts_once() -> None:
    _, report = read(HEADER + f"gate,gate,{T + 40},{T + 30},{T},{1 << 62}\n")
    assert only(report).reason is Reason.OUT_OF_RANGE


def test_duplicate_is_left_out_but_the_first_of_it_stays() -> None:
    probes, report = read(HEADER + row() + row(shift=1) + row() + row(dst="quay") + row())
    assert probes.t1_ns.tolist() == [T, T + 1, T]
    part = only(report)
    assert (part.reason, part.rows, part.first_line) == (Reason.DUPLICATE, 2, 4)


def test_paths_with_most_rows_left_out_come_first() -> None:
    text = HEADER + "".join(row("a", "a") for _ in range(2)) + "".join(row("b", "b") for _ in range(3))
    assert only(read(text)[1]).worst_paths == (("b", "b", 3), ("a", "a", 2))


def test_round_trip_below_zero_is_kept_where_a_clock_ticks_coarsely() -> None:
    rng = np.random.default_rng(1)
    lines, negative = [], 0
    for n in range(200):
        t1 = T + n * 100_000_007 + int(rng.integers(0, 10**6))
        t2, t3, t4 = t1 + 20_000, t1 + 420_000, t1 + 440_000
        t2, t3 = t2 // 1_000_000 * 1_000_000, t3 // 1_000_000 * 1_000_000
        negative += (t4 - t1) - (t3 - t2) < 0
        lines.append(f"fine,coarse,{t1},{t2},{t3},{t4}\n")
    probes, report = read(HEADER + "".join(lines))
    assert negative > 50
    assert len(probes) == 200
    assert report.left_out == ()
    # The same from a clock that ticks in nanoseconds proves that a stamp is wrong.
    shifted = "".join(
        line.replace("coarse", "wrong").replace("000000,", f"{n:06d},") for n, line in enumerate(lines, start=1)
    )
    assert only(read(HEADER + shifted)[1]).reason is Reason.NEGATIVE_ROUND_TRIP


def test_header_alone_gives_no_rows() -> None:
    probes, report = read(HEADER)
    assert len(probes) == 0
    assert probes.hosts == ()
    assert report.rows_read == 0


@pytest.mark.parametrize(
    ("text", "line", "column", "words"),
    [
        ("", None, None, "is empty; the first line must name the columns: src,dst,t1_ns"),
        ("\n" + row(), 1, None, "the first line is empty"),
        ("src,dst,t1_ns,t2_ns,t3_ns\n", 1, None, "no column t4_ns"),
        (row(), 1, None, "no column src, dst, t1_ns, t2_ns, t3_ns, t4_ns in the first line 'gate,berth"),
        (HEADER.replace(",", ";"), 1, None, "separate columns by commas"),
        ("src," + HEADER, 1, None, "column src is there twice"),
        ('"src,dst\n', 1, None, "cannot be split into fields"),
        (HEADER + row() + "gate,berth,1,2,3\n", 3, None, "5 fields where the header has 6: 'gate,berth,1,2,3'"),
        (HEADER + row() + row().strip() + ",9\n", 3, None, "7 fields where the header has 6"),
        (
            HEADER + row() + "\n\ngate,berth,1,2x,3,4\n",
            5,
            "t2_ns",
            "'2x' is not a whole number; give whole nanoseconds",
        ),
        (HEADER + "gate,berth,1,2.0,3,4\n", 2, "t2_ns", "'2.0' is not a whole number"),
        (HEADER + "gate,berth,1,,3,4\n", 2, "t2_ns", "'' is not a whole number"),
        (HEADER + "gate,berth,1,1e3,3,4\n", 2, "t2_ns", "'1e3' is not a whole number"),
        (HEADER + ",berth,1,2,3,4\n", 2, "src", "'' is no host's name; name the host"),
        (HEADER + f"gate,{'x' * 300},1,2,3,4\n", 2, "dst", "is too long for a host's name"),
        (HEADER + "gate,be\x1b[2Jrth,1,2,3,4\n", 2, "dst", "cannot be printed"),
        (HEADER + '"gate,berth,1,2,3,4\n', 2, None, "cannot be split into fields"),
        (HEADER + '"ga\nte",berth,1,2,3,4\n', 2, None, "cannot be split into fields"),
        (HEADER + row() + "x" * (2 << 20), None, None, "a line longer than a mebibyte"),
    ],
)
def test_what_cannot_be_read_is_said_with_its_place(
    text: str, line: int | None, column: str | None, words: str
) -> None:
    error = fault(text)
    assert (error.line, error.column) == (line, column)
    assert words in str(error)
    assert str(error).startswith("standard input")
    if line is not None:
        assert f"line {line}" in str(error)


@pytest.mark.parametrize(
    ("extra", "field", "words"),
    [
        ("stamps", "kkk", "'kkk' does not tell four stamps; give four letters of h, k and u"),
        ("stamps", "kkkz", "does not tell four stamps"),
        ("measuring", "2", "'2' is out of range; give 0 or 1"),
        ("measuring", "yes", "'yes' is not a whole number"),
        ("src_epoch", "-1", "'-1' is out of range; give the number of a clock epoch"),
        ("dst_epoch", str(1 << 62), "is out of range"),
    ],
)
def test_faults_in_extra_columns_are_said_too(extra: str, field: str, words: str) -> None:
    error = fault(HEADER.strip() + f",{extra}\n" + row().strip() + f",{field}\n")
    assert (error.line, error.column) == (2, extra)
    assert words in str(error)


def test_text_that_is_not_utf8_is_said_with_its_place() -> None:
    assert fault(HEADER.encode() + row().encode() + b"g\xe4te,berth,1,2,3,4\n").line == 3
    assert "not UTF-8" in str(fault(HEADER.encode("utf-16")))


def test_fault_deep_in_a_file_has_its_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(probe_file, "BLOCK_BYTES", 1000)
    text = HEADER + "".join(row(shift=n) + ("\n" if n % 50 == 0 else "") for n in range(700))
    error = fault(text + "gate,berth,one,2,3,4\n")
    assert error.line == text.count("\n") + 1


def test_compressed_file_that_is_cut_or_damaged_is_refused(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    packed = gzip.compress((HEADER + "".join(row(shift=int(n)) for n in rng.integers(0, 10**12, 3000))).encode())
    assert "ends too early" in str(fault(packed[: len(packed) // 2]))
    assert "ends too early" in str(fault(packed[:20]))
    damaged = packed[:-8] + bytes([packed[-8] ^ 255]) + packed[-7:]
    assert "is damaged" in str(fault(damaged))
    path = tmp_path / "plain.csv.gz"
    path.write_text(HEADER)
    with pytest.raises(ProbeFileError, match="is not gzip, though its name says so"):
        read_probe_file(str(path))


def test_file_that_is_not_there_or_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ProbeFileError, match="No such file or directory"):
        read_probe_file(str(tmp_path / "none.csv"))
    with pytest.raises(ProbeFileError, match="is a directory"):
        read_probe_file(str(tmp_path))
    with pytest.raises(ProbeFileError, match="cannot be read"):
        read_probe_file("with\0null.csv")
    with pytest.raises(ProbeFileError, match="no standard input"):
        read_probe_file("-")


FRAGMENTS = st.sampled_from(
    [HEADER, HEADER.strip(), row(), row("a", "a"), ",", "\n", "\r", '"', "0", "-", "99999999999999999999", "gate", " ",
     "\0", "1.5", ",,,,,", "src", "stamps", "\x1f\x8b", "ä", "a,b,1,2,3,4\n", '"a","b","1","2","3","4"\n']
)  # fmt: skip


@settings(deadline=None, max_examples=300)
@given(st.lists(st.one_of(FRAGMENTS.map(str.encode), st.binary(max_size=6)), max_size=12), st.booleans())
@example([b"\x1f\x8b"], False)
@example([b'"a\n",b,1,2,3,4\n\n'], True)
def test_whatever_the_bytes_only_a_probe_file_error_comes_out(pieces: list[bytes], headed: bool) -> None:
    data = (HEADER.encode() if headed else b"") + b"".join(pieces)
    try:
        probes, report = read(data)
    except ProbeFileError:
        return
    assert len(probes) + report.rows_left_out == report.rows_read
    assert (probes.source != probes.destination).all()
    assert set(probes.source.tolist()) <= set(range(len(probes.hosts)))


NAMES = st.sampled_from(["gate", "berth", 'say "a"', "a,b", "Skerry"])
TIMES = st.integers(-(1 << 63), (1 << 63) - 1)
ROWS = st.lists(st.tuples(NAMES, NAMES, TIMES, TIMES, TIMES, TIMES), min_size=1, max_size=8)


@settings(deadline=None)
@given(ROWS, st.booleans())
def test_the_fast_and_the_slow_parser_agree(rows: list[tuple[str | int, ...]], gaps: bool) -> None:
    def quoted(field: str | int) -> str:
        return '"' + str(field).replace('"', '""') + '"'

    block = "".join(",".join(map(quoted, each)) + ("\n\n" if gaps else "\n") for each in rows).encode()
    header = Header(("src", "dst", "t1_ns", "t2_ns", "t3_ns", "t4_ns"), ())
    fast, slow = parse_block("f", header, block, 2), parse_slowly("f", header, block, 2)
    assert [fast.names[index] for index in fast.source] == [slow.names[index] for index in slow.source]
    assert [fast.names[index] for index in fast.destination] == [slow.names[index] for index in slow.destination]
    assert list(fast.lines) == list(slow.lines)
    for quick, careful in zip(fast.times, slow.times, strict=True):
        assert np.array_equal(quick.clip(-(1 << 62), 1 << 62), careful)


@given(st.lists(st.integers(0, 3), min_size=1, max_size=30))
def test_duplicates_are_the_rows_seen_before(values: list[int]) -> None:
    column = np.array(values, np.int64)
    host = np.zeros(len(values), np.int32)
    expected = [value in values[:index] for index, value in enumerate(values)]
    assert duplicates(host, host, (column, column, column, column)).tolist() == expected


def test_tick_is_the_greatest_common_divisor_of_enough_stamps() -> None:
    host = np.array([0] * 8 + [1] * 8 + [2] * 3, np.int32)
    stamps = np.concatenate([T + np.arange(8) * 15_625_000, T + np.arange(8) * 7 + 1, [T, T, T]])
    assert ticks(4, host, stamps).tolist() == [15_625_000, 1, 1, 1]


def test_flags_without_a_measuring_column_mark_all_rows() -> None:
    probes, _ = read(HEADER.strip() + ",stamps\n" + row().strip() + ",kkkk\n")
    assert probes.flags[0] & MEASURING_BIT

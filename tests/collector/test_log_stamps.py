"""Every format of log stamps: round trips, edges of the calendar, refusals, and no crash whatever comes."""

from __future__ import annotations

import datetime
import json
import zoneinfo

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from noonmark.collector import civil, stamps_journal
from noonmark.collector.log_formats import FORMATS, RECOGNISED, StampReader
from noonmark.collector.log_stamps import MissingYear, MissingZone, StampError, StampOptions, TimeQuality
from noonmark.collector.stamp_layouts import LONGEST, LayoutReader

UTC = datetime.UTC
FULL = StampOptions(zone=UTC, year=2026)
SECOND = civil.SECOND_NS

INSTANTS = st.one_of(
    st.integers(civil.FIRST_NS + civil.DAY_NS, civil.LAST_NS - civil.DAY_NS),
    st.builds(
        lambda edge, shift: edge + shift,
        st.sampled_from(
            [
                0,  # 1970
                (2**31) * SECOND,  # 2038
                civil.instant_ns(2017, 1, 1, 0, 0, 0),  # the leap second of 2016
                civil.instant_ns(2012, 7, 1, 0, 0, 0),  # RFC 7164's example
                civil.instant_ns(2026, 3, 29, 1, 0, 0),  # clocks go forward
                civil.instant_ns(2026, 10, 25, 1, 0, 0),  # clocks go back
                civil.instant_ns(9999, 12, 30, 0, 0, 0),
                civil.instant_ns(2000, 2, 29, 12, 0, 0),
            ]
        ),
        st.integers(-2 * SECOND, 2 * SECOND),
    ),
)
ZONES = st.integers(-23 * 60, 23 * 60).map(lambda minutes: minutes * 60)


def read_one(line: bytes, options: StampOptions = StampOptions(), formats: tuple[str, ...] = ()):  # noqa: B008
    return StampReader(options, formats).read(line)


@given(
    INSTANTS,
    st.integers(0, 9),
    ZONES,
    st.sampled_from("T t_"),
    st.sampled_from(".,"),
    st.sampled_from(["", "[", "INFO "]),
)
def test_rfc3339_round_trip(time_ns: int, digits: int, zone: int, joint: str, point: str, before: str) -> None:
    text = civil.print_instant(time_ns, digits, zone)
    text = text[:10] + joint + text[11:].replace(".", point)
    stamp = read_one((before + text + " gate opened").encode())
    assert stamp is not None
    assert stamp.format == "rfc3339"
    assert stamp.resolution_ns == 10 ** (9 - digits)
    assert stamp.time_ns == time_ns - time_ns % stamp.resolution_ns
    assert (stamp.begin, stamp.end) == (len(before), len(before + text))
    assert stamp.zone_seconds == zone
    assert stamp.zone_known


@given(INSTANTS, st.integers(0, 6), ZONES, st.integers(0, 191))
def test_rfc5424_round_trip(time_ns: int, digits: int, zone: int, priority: int) -> None:
    text = civil.print_instant(time_ns, digits, zone)
    stamp = read_one(f"<{priority}>1 {text} quay-gate-1 gate - - - opened".encode())
    assert stamp is not None
    assert (stamp.format, stamp.host) == ("rfc5424", "quay-gate-1")
    assert stamp.time_ns == time_ns - time_ns % stamp.resolution_ns


@given(INSTANTS, st.booleans())
def test_rfc3164_round_trip(time_ns: int, with_priority: bool) -> None:
    year, month, day = civil.civil_from_days(time_ns // civil.DAY_NS)
    clock = civil.print_instant(time_ns, 0)[11:19]
    line = f"{'<34>' if with_priority else ''}{civil.MONTHS[month - 1]} {day:2d} {clock} holm-db-1 booking: saved"
    stamp = read_one(line.encode(), StampOptions(zone=UTC, year=year))
    assert stamp is not None
    assert (stamp.format, stamp.host, stamp.zone_known) == ("rfc3164", "holm-db-1", False)
    assert stamp.time_ns == time_ns - time_ns % SECOND


@given(INSTANTS, ZONES)
def test_clf_round_trip(time_ns: int, zone: int) -> None:
    local = civil.print_instant(time_ns, 0, zone)
    zone_text = civil.print_zone(zone, colon="").replace("Z", "+0000")
    text = f"{local[8:10]}/{civil.MONTHS[int(local[5:7]) - 1]}/{local[:4]}:{local[11:19]} {zone_text}"
    line = f'192.0.2.7 - harbour [{text}] "GET /timetable HTTP/1.1" 200 2326'
    stamp = read_one(line.encode())
    assert stamp is not None
    assert stamp.format == "clf"
    assert stamp.time_ns == time_ns - time_ns % SECOND
    assert line[stamp.begin : stamp.end] == text


EPOCHS = st.integers(10**18, 2**63 - 1)


@given(EPOCHS, st.sampled_from([("epoch-s", SECOND), ("epoch-ms", 10**6), ("epoch-us", 10**3), ("epoch-ns", 1)]))
def test_epoch_round_trip(time_ns: int, unit: tuple[str, int]) -> None:
    name, scale = unit
    fraction = f".{time_ns % scale:0{len(str(scale)) - 1}d}" if scale > 1 else ""
    for text, resolution in ((f"{time_ns // scale}", scale), (f"{time_ns // scale}{fraction}", 1)):
        expected = time_ns - time_ns % resolution
        for line in (f"{text} berth free", f'{{"ts":{text},"berth":3}}', f"ts={text} berth=3"):
            stamp = read_one(line.encode())
            assert stamp is not None, line
            assert (stamp.time_ns, stamp.resolution_ns) == (expected, resolution)
            assert line[stamp.begin : stamp.end] == text
        assert read_one(text.encode(), formats=(name,)) is not None


@given(INSTANTS, st.integers(0, 9), st.sampled_from(["ts", "time", "timestamp", "@timestamp", "event.at"]))
def test_named_fields_round_trip(time_ns: int, digits: int, field: str) -> None:
    text = civil.print_instant(time_ns, digits)
    options = (
        StampOptions(fields=("event.at",), host_field="host")
        if field == "event.at"
        else StampOptions(host_field="host")
    )
    first, _, rest = field.partition(".")
    nested = {first: {rest: text}} if rest else {first: text}
    for line in (json.dumps({"gate": 4, **nested, "host": "quay"}), f'gate=4 {field}="{text}" host=quay'):
        stamp = read_one(line.encode(), options)
        assert stamp is not None, line
        assert stamp.time_ns == time_ns - time_ns % stamp.resolution_ns
        assert stamp.host == "quay"
        assert line[stamp.begin : stamp.end] == text


@given(EPOCHS.map(lambda value: value // 1000), st.integers(0, 10**15))
def test_journal_round_trip(microseconds: int, monotonic: int) -> None:
    fields = {"__REALTIME_TIMESTAMP": str(microseconds), "__MONOTONIC_TIMESTAMP": str(monotonic), "_BOOT_ID": "b"}
    stamp = read_one(json.dumps(fields | {"_HOSTNAME": "quay"}).encode())
    assert stamp is not None
    assert (stamp.time_ns, stamp.resolution_ns, stamp.host) == (microseconds * 1000, 1000, "quay")
    value = b"two\nlines\n\nand an empty one"
    export = b"".join(f"{key}={text}\n".encode() for key, text in fields.items())
    export += b"MESSAGE\n" + len(value).to_bytes(8, "little") + value + b"\n\n"
    assert stamps_journal.entry_ends(export * 2, final=False) == [len(export), 2 * len(export)]
    entry = stamps_journal.read_entry(export)
    assert entry["MESSAGE"] == value
    again = stamps_journal.entry_stamp(entry)
    assert again is not None
    assert again.time_ns == stamp.time_ns
    clocks = stamps_journal.entry_clocks(entry)
    assert clocks == stamps_journal.JournalClocks(microseconds * 1000, monotonic * 1000, "b")


@pytest.mark.parametrize(
    "line",
    [b"2026-11-25 06:55:03,123 gate opened", b"2026/11/25 06:55:03 [error] berth", b'{"ts":"2026-11-25T06:55:03"}'],
)
def test_missing_zone_is_refused_and_taken_from_the_option(line: bytes) -> None:
    with pytest.raises(MissingZone, match="--tz"):
        read_one(line)
    stamp = read_one(line, StampOptions(zone=datetime.timezone(datetime.timedelta(hours=1))))
    assert stamp is not None
    assert not stamp.zone_known
    assert stamp.time_ns // SECOND == civil.instant_ns(2026, 11, 25, 5, 55, 3) // SECOND


@pytest.mark.parametrize("line", [b"Nov 25 06:55:03 quay gate: opened", b"I1125 06:55:03.123456 7 gate.py:3] opened"])
def test_missing_year_is_refused_then_missing_zone(line: bytes) -> None:
    with pytest.raises(MissingYear, match="--year"):
        read_one(line, StampOptions(zone=UTC))
    with pytest.raises(MissingZone, match="--tz"):
        read_one(line, StampOptions(year=2026))


def test_year_follows_the_line_before_over_new_year() -> None:
    reader = StampReader(StampOptions(zone=UTC, year=2025))
    lines = [b"Dec 31 23:59:59 quay a", b"Jan  1 00:00:00 quay b", b"Dec 31 23:59:58 quay late"]
    times = [reader.read(line) for line in lines]
    expected = [(2025, 12, 31, 23, 59, 59), (2026, 1, 1, 0, 0, 0), (2025, 12, 31, 23, 59, 58)]
    assert [stamp.time_ns for stamp in times if stamp] == [civil.instant_ns(*parts) for parts in expected]


def test_hour_that_a_zone_has_twice_covers_both() -> None:
    options = StampOptions(zone=zoneinfo.ZoneInfo("Europe/Oslo"))
    twice = read_one(b"2026-10-25 02:30:00 x", options)
    never = read_one(b"2026-03-29 02:30:00 x", options)
    plain = read_one(b"2026-10-25 03:30:00 x", options)
    assert twice is not None
    assert never is not None
    assert plain is not None
    assert (twice.time_ns, twice.resolution_ns) == (civil.instant_ns(2026, 10, 25, 0, 30, 0), 3601 * SECOND)
    assert (never.time_ns, never.resolution_ns) == (civil.instant_ns(2026, 3, 29, 0, 30, 0), 3601 * SECOND)
    assert (plain.time_ns, plain.resolution_ns) == (civil.instant_ns(2026, 10, 25, 2, 30, 0), SECOND)


@pytest.mark.parametrize(
    "line",
    [
        b"2026-02-29T00:00:00Z x",
        b"2026-11-25T24:00:01Z x",
        b"2026-11-25T06:55:60Z x",  # no leap second can be there
        b"2026-13-25T06:55:03Z x",
        b"<192>1 2026-11-25T06:55:03Z quay - - - -",
        b"<34>1 - quay gate - - - no clock",
        b"12345678901 eleven digits",
        b'{"ts":true}',
        b'{"ts":null,"n":1}',
        b"",
        b"\x00\xff",
        b"    at gate.open(gate.py:3)",
    ],
)
def test_what_is_no_time_is_not_read(line: bytes) -> None:
    assert read_one(line, FULL) is None


def test_claims_of_the_sender_are_read() -> None:
    head = b"<34>1 2026-11-25T06:55:03Z quay gate - - "
    stamp = read_one(head + b'[timeQuality tzKnown="1" isSynced="1" syncAccuracy="250"] opened')
    assert stamp is not None
    assert stamp.quality == TimeQuality(zone_known=True, synchronised=True, accuracy_ns=250_000)
    unsure = read_one(head + b'[timeQuality tzKnown="0" isSynced="0" syncAccuracy="250"]')
    assert unsure is not None
    assert unsure.quality == TimeQuality(zone_known=False, synchronised=False, accuracy_ns=None)
    assert not unsure.zone_known
    message_only = read_one(head + b'- [timeQuality tzKnown="0"]')
    assert message_only is not None
    assert message_only.quality is None


LINES = st.one_of(
    st.binary(max_size=80),
    st.text(alphabet='0123456789-:.,TZ<>[]{}"= +tsime/JanFeb', max_size=60).map(lambda text: text.encode()),
    st.sampled_from(
        [b'{"ts":', b"ts=", b"<34>1 ", b"2026-11-25T06:55:03", b"[25/Nov/2026:06:55:03 ", b"Jan 31 "]
    ).flatmap(lambda head: st.binary(max_size=40).map(lambda tail: head + tail)),
)


@given(LINES, st.sampled_from([StampOptions(), FULL, StampOptions(host_field="host", fields=("a.b", "ts"))]))
@example(b'{"ts":"\\ud800"}', StampOptions())
@example(b"9" * 24 + b" x", FULL)
@example(b"[" * 5000, FULL)
def test_no_line_breaks_a_reader(line: bytes, options: StampOptions) -> None:
    for name in (None, *FORMATS):
        try:
            stamp = read_one(line, options, (name,) if name else ())
        except StampError as error:
            refusal = str(error)
        else:
            refusal = "--"
            assert stamp is None or (stamp.resolution_ns >= 1 and 0 <= stamp.begin <= stamp.end <= len(line))
        assert "--" in refusal, "a refusal names the option that helps"


@given(st.binary(max_size=200), st.booleans())
def test_no_bytes_break_the_journal_reader(data: bytes, final: bool) -> None:
    ends = stamps_journal.entry_ends(data, final=final)
    assert ends == sorted(set(ends))
    for begin, end in zip([0, *ends], ends, strict=False):
        stamps_journal.entry_clocks(stamps_journal.read_entry(data[begin:end]))


def lines_of_one_kind(draw) -> list[bytes]:
    kind = draw(st.sampled_from(["iso", "zoned", "5424", "epoch", "json", "logfmt", "mixed"]))
    times = draw(st.lists(st.integers(-(2**63) // 2, 2**63 - 1), min_size=1, max_size=12))
    digits = draw(st.integers(0, 9))
    lines = []
    for number, time_ns in enumerate(times):
        iso = civil.print_instant(time_ns, digits)
        zoned = civil.print_instant(time_ns, digits, 19_800)
        each = {
            "iso": f"{iso} a",
            "zoned": f"WARN {zoned} b",
            "5424": f"<34>1 {civil.print_instant(time_ns, min(digits, 6))} quay gate - - - c",
            "epoch": f"{abs(time_ns) // 10**9:010d}.{abs(time_ns) % 10**9:09d} d",
            "json": f'{{"ts":"{iso}","n":1}}',
            "logfmt": f"ts={iso} n=1",
        }
        choice = list(each)[number % len(each)] if kind == "mixed" else kind
        lines.append(each[choice].encode())
    return lines


@given(st.composite(lines_of_one_kind)(), st.lists(LINES.filter(lambda line: b"\n" not in line), max_size=4))
def test_layouts_read_what_the_slow_reader_reads(lines: list[bytes], strangers: list[bytes]) -> None:
    every = [*lines, *strangers, *(line.replace(b"2", b"3") for line in lines), *(line[:-3] for line in lines)]
    slow, layouts = StampReader(StampOptions()), LayoutReader(("ts",))
    expected = []
    for line in every:
        try:
            stamp = slow.read(line)
        except StampError:
            stamp = None
        expected.append(stamp)
        if stamp is not None and line in lines:
            layouts.learn(line, stamp)
    text = b"\n".join(every) + b"\n"
    starts = np.cumsum([0, *(len(line) + 1 for line in every)])[:-1]
    padded = np.frombuffer(text + bytes(LONGEST), np.uint8)
    time_ns, resolution_ns, known = layouts.read(padded, starts)
    for row, stamp in enumerate(expected):
        if known[row]:
            assert stamp is not None, every[row]
            assert (time_ns[row], resolution_ns[row]) == (stamp.time_ns, stamp.resolution_ns), every[row]


def test_layouts_are_used() -> None:
    line = b"2026-11-25T06:55:03.123456Z gate opened"
    stamp = read_one(line)
    assert stamp is not None
    layouts = LayoutReader(("ts",))
    assert layouts.learn(line, stamp)
    other = b"2031-01-02T03:04:05.000006Z gate closed"
    padded = np.frombuffer(line + b"\n" + other + b"\n" + bytes(LONGEST), np.uint8)
    time_ns, _, known = layouts.read(padded, np.array([0, len(line) + 1]))
    assert known.all()
    assert time_ns.tolist() == [stamp.time_ns, civil.instant_ns(2031, 1, 2, 3, 4, 5, 6000)]


def test_formats_are_tried_in_a_fixed_order() -> None:
    reader = StampReader(FULL)
    line = b'2026-11-25T06:55:03Z x [26/Nov/2026:06:55:03 +0000] "GET /"'
    first = reader.read(line)
    reader.read(b'192.0.2.1 - - [26/Nov/2026:06:55:03 +0000] "GET /"')
    assert reader.read(line) == first
    assert set(RECOGNISED) <= set(FORMATS)


def test_unknown_format_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match="no such log format: xml"):
        StampReader(FULL, ("xml",))

"""`noonmark solve`: documents and tables that say what was found, and one clear line where nothing can be."""

from __future__ import annotations

import csv
import gzip
import io
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner, Result
from fleets import solved
from stamped import EPOCH_NS, Clock, Roads, all_pairs, stamped

from noonmark.collector.cli_solve import solve
from noonmark.collector.estimate import ProbeColumns
from noonmark.lab.probe_csv import write_probes

HEADER = "src,dst,t1_ns,t2_ns,t3_ns,t4_ns"
GOOD = "a,b,1000,21000,31000,52000"
HOST_KEYS = {"host", "offset_ns", "drift_ppb", "uncertainty_ns", "lower_ns", "upper_ns", "state"}
PATH_KEYS = {"src", "dst", "probes", "min_round_trip_ns", "residual_ns", "state"}


def invoke(*arguments: str, text: str | bytes | None = None) -> Result:
    result = CliRunner().invoke(solve, arguments, input=text)
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def text_of(probes: ProbeColumns, *, extra: bool = False) -> str:
    stream = io.BytesIO()
    write_probes(stream, probes, extra=extra)
    return stream.getvalue().decode()


def small_fleet() -> ProbeColumns:
    clocks = [Clock(), Clock(2_000_000, 5e-6), Clock(-400_000, -1e-6), Clock(90)]
    return stamped(clocks, all_pairs(4), roads=Roads(20_000, 20_000, 500.0), names=["quay", "skerry", "holm", "gate"])


def document_of(*arguments: str, probes: ProbeColumns | None = None) -> dict[str, Any]:
    result = invoke("-", "--json", *arguments, text=text_of(probes or small_fleet()))
    assert result.exit_code == 0, result.stderr
    return dict(json.loads(result.stdout))


def refused(result: Result) -> str:
    """The one line on standard error of a command that refuses."""
    assert result.exit_code == 2, (result.stdout, result.stderr)
    assert result.stdout == ""
    (line,) = result.stderr.splitlines()
    assert "Traceback" not in line
    return line


def test_document_has_the_promised_keys_and_whole_nanoseconds() -> None:
    document = document_of("--reference", "quay")
    assert {"reference", "at_ns", "hosts", "paths", "findings"} <= set(document)
    assert document["reference"] == "quay"
    assert [host["host"] for host in document["hosts"]] == ["gate", "holm", "quay", "skerry"]
    for host in document["hosts"]:
        assert set(host) >= HOST_KEYS
        for key in ("offset_ns", "uncertainty_ns", "lower_ns", "upper_ns"):
            assert type(host[key]) is int
        assert host["lower_ns"] <= host["offset_ns"] <= host["upper_ns"]
    assert len(document["paths"]) == 6
    for path in document["paths"]:
        assert set(path) >= PATH_KEYS
        assert all(type(path[key]) is int for key in ("probes", "min_round_trip_ns", "residual_ns"))
    assert document["findings"] == []
    by_host = {host["host"]: host for host in document["hosts"]}
    assert by_host["quay"]["offset_ns"] == 0
    assert by_host["quay"]["state"] == "reference"
    assert by_host["skerry"]["offset_ns"] == pytest.approx(2_000_000, abs=1_000)
    assert by_host["skerry"]["drift_ppb"] == pytest.approx(5_000, abs=20)


def test_document_answers_for_the_asked_instant() -> None:
    asked = EPOCH_NS - 30 * 10**9
    document = document_of("--reference", "quay", "--at", str(asked))
    assert document["at_ns"] == asked
    skerry = next(host for host in document["hosts"] if host["host"] == "skerry")
    assert skerry["offset_ns"] == pytest.approx(2_000_000 - 150_000, abs=1_000)


def test_document_counts_what_was_read() -> None:
    probes = small_fleet()
    document = document_of("--reference", "quay", probes=probes)
    assert document["input"] == {"file": "standard input", "rows": len(probes), "left_out": []}


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("quay,skerry,5000,1,2,4999", "t4 before t1"),
        ("quay,skerry,5000,10,9,6000", "t3 before t2"),
        ("quay,quay,5000,5001,5002,6000", "source and destination are the same host"),
        ("quay,skerry,1,2,3,9223372036854775807", "time out of range"),
        ("quay,skerry,1,2,3,99999999999999999999", "time out of range"),
    ],
)
def test_rows_that_cannot_be_true_are_counted_and_named_with_their_line(row: str, reason: str) -> None:
    lines = text_of(small_fleet()).splitlines()
    text = "\n".join([*lines[:7], row, *lines[7:]])
    result = invoke("-", "--reference", "quay", "--json", text=text)
    assert result.exit_code == 0, result.stderr
    document = json.loads(result.stdout)
    assert document["input"]["left_out"] == [{"reason": reason, "rows": 1, "first_line": 8}]
    (note,) = [note for note in document["notes"] if "left out" in note]
    assert re.search(rf"^1 of {len(lines)} rows left out: {re.escape(reason)} \(the first in line 8\)$", note)
    readable = invoke("-", "--reference", "quay", text=text)
    assert "1 of" in readable.stdout
    assert "line 8" in " ".join(readable.stdout.split())


def test_negative_round_trips_are_told_and_used_for_nothing() -> None:
    probes = small_fleet()
    lines = text_of(probes).splitlines()
    fields = lines[4].split(",")
    fields[4] = str(int(fields[4]) + 60_000_000)
    result = invoke("-", "--reference", "quay", "--json", text="\n".join([*lines, ",".join(fields)]))
    document = json.loads(result.stdout)
    assert document["input"]["left_out"][0]["reason"] == "negative round trip"
    assert document["input"]["left_out"][0]["first_line"] == len(lines) + 1
    plain = document_of("--reference", "quay", probes=probes)
    assert document["hosts"] == plain["hosts"]


def test_duplicate_rows_change_nothing_and_are_counted() -> None:
    lines = text_of(small_fleet()).splitlines()
    result = invoke("-", "--reference", "quay", "--json", text="\n".join([*lines, *lines[1:11]]))
    document = json.loads(result.stdout)
    assert document["input"]["left_out"] == [{"reason": "duplicate", "rows": 10, "first_line": len(lines) + 1}]
    assert document["hosts"] == document_of("--reference", "quay")["hosts"]


def test_order_of_rows_and_columns_changes_nothing() -> None:
    rows = list(csv.DictReader(io.StringIO(text_of(small_fleet()))))
    stream = io.StringIO()
    writer = csv.DictWriter(stream, ["t4_ns", "dst", "t2_ns", "t1_ns", "src", "t3_ns"])
    writer.writeheader()
    writer.writerows(rows[place] for place in np.random.default_rng(1).permutation(len(rows)))
    result = invoke("-", "--reference", "quay", "--json", text=stream.getvalue())
    document, plain = json.loads(result.stdout), document_of("--reference", "quay")
    assert document["hosts"] == plain["hosts"]
    assert document["findings"] == plain["findings"]


def test_extra_columns_are_ignored_and_said_to_be() -> None:
    lines = text_of(small_fleet()).splitlines()
    text = "\n".join([lines[0] + ",weather", *(line + ",fog" for line in lines[1:])])
    document = json.loads(invoke("-", "--reference", "quay", "--json", text=text).stdout)
    assert "columns not used: weather" in document["notes"]
    assert document["hosts"] == document_of("--reference", "quay")["hosts"]


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("", ("standard input", "empty")),
        (HEADER + "\n", ("standard input", "holds no probe, only the header")),
        (f"src,dst,t1_ns,t2_ns,t3_ns\n{GOOD}\n", ("line 1", "no column t4_ns", HEADER)),
        (f"{HEADER.replace(',', ';')}\n", ("line 1", "separate columns by commas")),
        (f"{HEADER}\n{GOOD}\na,b,1,2,3\n", ("line 3", "5 fields where the header has 6")),
        (f"{HEADER}\n{GOOD}\na,b,1,2,3,4,5\n", ("line 3", "7 fields where the header has 6")),
        (f"{HEADER}\n{GOOD}\n{GOOD}\na,b,1,2.5,3,4\n", ("line 4", "column t2_ns", "'2.5' is not a whole number")),
        (f"{HEADER}\na,b,1,2,three,4\n", ("line 2", "column t3_ns", "'three' is not a whole number")),
        (f"{HEADER}\na,b,1,,3,4\n", ("line 2", "column t2_ns", "'' is not a whole number")),
        (f"{HEADER}\na,b,1,1e9,3,4\n", ("line 2", "column t2_ns")),
        (f"{HEADER}\n,b,1,2,3,4\n", ("line 2", "column src", "is no host's name")),
        (f"{HEADER},src\n", ("line 1", "column src is there twice")),
        (b"src,dst,\xff\xfe\n", ("line 1", "not UTF-8")),
    ],
)
def test_unreadable_input_is_refused_in_one_line_with_its_place(text: str | bytes, parts: tuple[str, ...]) -> None:
    line = refused(invoke("-", "--reference", "a", text=text))
    for part in parts:
        assert part in line


def test_file_that_is_not_there_is_refused_by_name(tmp_path: Path) -> None:
    assert "nowhere.csv" in refused(invoke(str(tmp_path / "nowhere.csv")))
    assert str(tmp_path) in refused(invoke(str(tmp_path)))


def test_gzip_is_read_and_a_cut_one_is_refused(tmp_path: Path) -> None:
    whole = gzip.compress(text_of(small_fleet()).encode())
    good, cut = tmp_path / "good.csv.gz", tmp_path / "cut.csv.gz"
    good.write_bytes(whole)
    cut.write_bytes(whole[: len(whole) // 2])
    assert invoke(str(good), "--reference", "quay").exit_code == 0
    line = refused(invoke(str(cut), "--reference", "quay"))
    assert "cut.csv.gz" in line
    assert "cut" in line.split("cut.csv.gz", 1)[1] or "end" in line.split("cut.csv.gz", 1)[1]


def test_unknown_reference_is_refused_and_the_nearest_name_offered() -> None:
    line = refused(invoke("-", "--reference", "skery", text=text_of(small_fleet())))
    assert "skery" in line
    assert "did you mean skerry?" in line
    line = refused(invoke("-", "--reference", "zzz", text=text_of(small_fleet())))
    assert "gate, holm, quay, skerry" in line


def test_reference_named_twice_is_refused() -> None:
    line = refused(invoke("-", "--reference", "quay", "--reference", "quay=50ns/1us", text=text_of(small_fleet())))
    assert "named twice" in line


@pytest.mark.parametrize("bad", ["quay=soon", "quay=-5ns", "=5ns"])
def test_reference_that_cannot_be_parsed_is_refused(bad: str) -> None:
    assert "--reference" in refused(invoke("-", "--reference", bad, text=text_of(small_fleet())))


@pytest.mark.parametrize("bad", ["yesterday", "2026-11-25T06:55:03", "12.5.2026"])
def test_instant_that_cannot_be_parsed_is_refused(bad: str) -> None:
    assert "--at" in refused(invoke("-", "--reference", "quay", "--at", bad, text=text_of(small_fleet())))


def test_one_host_only_cannot_be_estimated() -> None:
    assert "no usable probe" in refused(invoke("-", "--reference", "a", text=f"{HEADER}\na,a,1,2,3,4\n"))


def test_single_probe_gives_its_own_limits() -> None:
    document = json.loads(invoke("-", "--reference", "a", "--json", text=f"{HEADER}\n{GOOD}\n").stdout)
    b = next(host for host in document["hosts"] if host["host"] == "b")
    assert b["lower_ns"] <= 31_000 - 52_000
    assert b["upper_ns"] >= 21_000 - 1_000
    # Both clocks' ticks of 1 ns are allowed for, and any rate of an honest clock over the exchange's 50 us.
    assert 41_000 <= b["upper_ns"] - b["lower_ns"] <= 41_150
    assert -21_000 <= b["offset_ns"] <= 20_000
    assert b["drift_ppb"] is None or b["drift_ppb"] == 0


def test_references_with_uncertainty_and_limit_are_taken_at_their_word() -> None:
    document = document_of("--reference", "quay=50ns/1us", "--reference", "gate=50ns/1us")
    assert document["references"] == ["quay", "gate"]
    by_host = {host["host"]: host for host in document["hosts"]}
    assert by_host["quay"]["state"] == by_host["gate"]["state"] == "reference"
    assert by_host["quay"]["lower_ns"] >= -1_001
    assert by_host["quay"]["upper_ns"] <= 1_001


def test_strict_fails_on_trouble_only() -> None:
    quiet = text_of(small_fleet())
    assert invoke("-", "--reference", "quay", "--strict", text=quiet).exit_code == 0
    case = solved("one-step", 0)
    stepped = text_of(case.probes)
    assert invoke("-", "--reference", "reference-1", text=stepped).exit_code == 0
    result = invoke("-", "--reference", "reference-1", "--strict", "--json", text=stepped)
    assert result.exit_code == 1
    (finding,) = json.loads(result.stdout)["findings"]
    assert finding["kind"] == "step"
    assert finding["host"] == case.truth.events[0].host
    assert type(finding["size_ns"]) is int
    assert type(finding["at_ns"]) is int
    assert str(finding["host"]) in finding["text"]


def test_file_gives_the_live_estimators_answer() -> None:
    case = solved("kernel-lan", 1)
    result = invoke("-", "--reference", "reference-1", "--json", text=text_of(case.probes, extra=True))
    hosts = {host["host"]: host for host in json.loads(result.stdout)["hosts"]}
    for row, name in enumerate(case.estimate.hosts):
        # Files name hosts in alphabetical order; a few probes then fall into another slot of the window.
        tolerance = 1 + 0.2 * case.estimate.uncertainty_ns[row]
        assert hosts[name]["offset_ns"] == pytest.approx(case.estimate.offset_ns[row], abs=tolerance)
        assert hosts[name]["uncertainty_ns"] == pytest.approx(case.estimate.uncertainty_ns[row], rel=0.1, abs=1)


@pytest.mark.parametrize(
    "kind", ["kernel-lan", "one-step", "disconnected", "wide-area", "liar-random", "very-coarse-clocks"]
)
def test_tables_fit_eighty_columns_and_hold_no_colour(kind: str) -> None:
    case = solved(kind, 0)
    references = [word for r in case.truth.references for word in ("--reference", r.host)]
    result = invoke("-", *references, "--paths", text=text_of(case.probes))
    assert result.exit_code == 0, result.stderr
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
    assert "\x1b" not in result.stdout
    for host in case.estimate.hosts:
        assert host in result.stdout
    assert ("Findings" in result.stdout) == bool(case.found())
    assert "Traceback" not in result.stderr


def test_an_instant_long_after_the_newest_probe_is_said_to_be() -> None:
    asked = EPOCH_NS + 600 * 10**9
    result = invoke("-", "--reference", "quay", "--at", str(asked), "--json", text=text_of(small_fleet()))
    notes = json.loads(result.stdout)["notes"]
    assert any("after the newest probe" in note for note in notes)
    early = invoke("-", "--reference", "quay", "--at", str(EPOCH_NS - 600 * 10**9), text=text_of(small_fleet()))
    assert "before the oldest probe" in " ".join(early.stdout.split())

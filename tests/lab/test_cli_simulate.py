"""`noonmark simulate`: files that hold what the simulation holds, and one clear line where it cannot be done."""

from __future__ import annotations

import csv
import gzip
import io
import json
from pathlib import Path

import numpy as np
from click.testing import CliRunner, Result

from noonmark.lab.cli_simulate import simulate as command
from noonmark.lab.scenarios import KINDS
from noonmark.lab.simulate import simulate

BASE = ["src", "dst", "t1_ns", "t2_ns", "t3_ns", "t4_ns"]


def invoke(*arguments: str) -> Result:
    return CliRunner().invoke(command, arguments)


def test_files_hold_the_simulation(tmp_path: Path) -> None:
    out, truth_file = tmp_path / "probes.csv", tmp_path / "truth.json"
    options = ("--kind", "one-step", "--hosts", "30", "--seconds", "20", "--seed", "6")
    result = invoke(*options, "--out", str(out), "--truth", str(truth_file))
    assert result.exit_code == 0, result.stderr
    probes, truth = simulate("one-step", hosts=30, seconds=20, seed=6)
    with out.open() as lines:
        header, *rows = csv.reader(lines)
    assert header == BASE
    assert len(rows) == len(probes)
    assert [row[0] for row in rows] == [probes.hosts[index] for index in probes.source]
    assert [row[1] for row in rows] == [probes.hosts[index] for index in probes.destination]
    times = np.array([row[2:] for row in rows], np.int64)
    assert np.array_equal(times, np.stack([probes.t1_ns, probes.t2_ns, probes.t3_ns, probes.t4_ns], axis=1))
    told = json.loads(truth_file.read_text())
    assert told["at_ns"] == truth.end_ns
    assert told["reference"] == "reference-1"
    assert [told["hosts"][host]["offset_ns"] for host in truth.hosts] == truth.offsets_ns(truth.end_ns).tolist()
    assert told["hosts"]["reference-1"] == {"offset_ns": 0, "drift_ppb": 0.0, "zone": "zone-1"}
    (event,) = told["events"]
    assert event["kind"] == "step"
    assert event["size_ns"] == truth.events[0].size
    assert f"{len(probes):,} exchanges of 30 hosts" in result.stderr


def test_compressed_file_is_the_same_every_time(tmp_path: Path) -> None:
    names = [tmp_path / "first.csv.gz", tmp_path / "second.csv.gz"]
    for name in names:
        assert invoke("--hosts", "9", "--seconds", "10", "--out", str(name)).exit_code == 0
    assert names[0].read_bytes() == names[1].read_bytes()
    assert gzip.decompress(names[0].read_bytes()).startswith(b"src,dst,t1_ns")


def test_extra_columns_tell_stamps_epochs_and_pairs() -> None:
    result = invoke("--kind", "mixed-stamps", "--hosts", "20", "--seconds", "10", "--extra-columns", "--out", "-")
    rows = list(csv.DictReader(io.StringIO(result.stdout)))
    assert list(rows[0]) == [*BASE, "stamps", "src_epoch", "dst_epoch", "measuring"]
    assert {letter for row in rows for letter in row["stamps"]} == set("hku")
    assert {row["measuring"] for row in rows} == {"0", "1"}
    assert {row["src_epoch"] for row in rows} == {"1"}


def test_truth_can_be_asked_for_another_instant(tmp_path: Path) -> None:
    truth_file = tmp_path / "truth.json"
    _, truth = simulate("kernel-lan", hosts=5, seconds=10)
    at_ns = truth.start_ns + 4_000_000_001
    invoke("--hosts", "5", "--seconds", "10", "--at", str(at_ns), "--out", "-", "--truth", str(truth_file))
    told = json.loads(truth_file.read_text())
    assert told["at_ns"] == at_ns
    assert [entry["offset_ns"] for entry in told["hosts"].values()] == truth.offsets_ns(at_ns).tolist()


def test_list_names_every_kind_within_eighty_columns() -> None:
    result = invoke("--list")
    assert result.exit_code == 0
    assert all(any(line.startswith(kind) for line in result.stdout.splitlines()) for kind in KINDS)
    assert max(map(len, result.stdout.splitlines())) < 80


def test_wrong_use_is_one_line_and_exit_code_two(tmp_path: Path) -> None:
    for arguments, words in (
        (("--out", str(tmp_path / "none" / "p.csv")), "No such file or directory"),
        (("--out", "-", "--kind", "references-disagree", "--hosts", "3"), "needs at least 5 hosts"),
        (("--out", "-", "--kind", "no-such"), "is not one of"),
        (("--out", "-", "--seconds", "0"), "not in the range"),
        ((), "Missing option '--out'"),
    ):
        result = invoke(*arguments)
        assert result.exit_code == 2
        assert words in result.stderr
        assert "Traceback" not in result.output

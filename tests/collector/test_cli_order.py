"""The commands order, correct, explain and ahead, as a user runs them: output, standard error, exit codes."""

from __future__ import annotations

import gzip
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from builders import SECOND_NS, START_NS
from click.testing import CliRunner, Result
from courses import FERRY, TICK_NS, estimate_of

from noonmark.collector.civil import print_instant
from noonmark.collector.cli import main
from noonmark.collector.history import open_history

GATE, DATABASE = FERRY[1].name, FERRY[2].name


@pytest.fixture(autouse=True)
def _plain_world(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("NOONMARK_COLLECTOR_ADDRESS", raising=False)


def run(*arguments: str, stdin: bytes = b"") -> Result:
    return CliRunner().invoke(main, list(arguments), input=stdin)


@pytest.fixture
def estimate(tmp_path: Path) -> str:
    rows = [
        {"host": "h0", "offset_ns": 3_000_000, "uncertainty_ns": 20_000, "lower_ns": 2_900_000, "upper_ns": 3_100_000},
        {"host": "h1", "offset_ns": 0, "uncertainty_ns": 0, "lower_ns": 0, "upper_ns": 0, "drift_ppb": 0.0},
        {"host": "lost", "offset_ns": None, "uncertainty_ns": None, "lower_ns": None, "upper_ns": None},
    ]
    path = tmp_path / "estimate.json"
    path.write_text(json.dumps({"at_ns": START_NS, "hosts": rows}))
    return str(path)


def log(path: str, *milliseconds: float, text: str = "opened") -> str:
    lines = [f"{print_instant(START_NS + round(ms * 10**6), 6)} {text}\n" for ms in milliseconds]
    target = Path(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    data = "".join(lines).encode()
    target.write_bytes(gzip.compress(data) if path.endswith(".gz") else data)
    return path


def hosts_of(result: Result) -> list[str]:
    return [line[35:].split()[0] for line in result.stdout.splitlines()]


def test_logs_come_out_in_corrected_order(estimate: str) -> None:
    log("a.log", 10, 20)
    log("b.log.gz", 8, 16)
    result = run("order", "h0=a.log", "h1=b.log.gz", "--estimate", estimate)
    assert result.exit_code == 0
    assert hosts_of(result) == ["h0", "h1", "h1", "h0"]
    assert "4 records of 2 logs; of 2 steps from host to host 2 certain" in result.stderr


def test_raw_corrects_nothing_and_all_is_open() -> None:
    log("a.log", 10)
    log("b.log", 8)
    result = run("order", "h0=a.log", "h1=b.log", "--raw")
    assert hosts_of(result) == ["h1", "h0"]
    assert "1 open" in result.stderr
    assert run("order", "h0=a.log", "h1=b.log", "--raw", "--strict").exit_code == 1


def test_strict_is_content_where_all_is_certain(estimate: str) -> None:
    log("a.log", 10)
    log("b.log", 30)
    assert run("order", "h0=a.log", "h1=b.log", "--estimate", estimate, "--strict").exit_code == 0
    log("b.log", 7.00001)
    result = run("order", "h0=a.log", "h1=b.log", "--estimate", estimate, "--strict")
    assert result.exit_code == 1
    assert [line[:2] for line in result.stdout.splitlines()] == ["/ ", "\\?"]


def test_folders_name_hosts(estimate: str) -> None:
    log("fleet/h0/one.log", 10)
    log("fleet/h0/two.log", 20)
    log("fleet/h1/x.log", 8)
    result = run("order", "fleet", "--estimate", estimate)
    assert hosts_of(result) == ["h0", "h1", "h0"]
    assert hosts_of(run("order", "h0=fleet/h0", "--estimate", estimate)) == ["h0", "h0"]


def test_standard_input_with_hosts_in_its_lines(estimate: str) -> None:
    lines = b"".join(
        f"<34>1 {print_instant(START_NS + ms * 10**6, 3)} {host} gate - - - x\n".encode()
        for host, ms in (("h1", 8), ("h0", 10), ("stranger", 9))
    )
    result = run("order", "-", "--estimate", estimate, stdin=lines)
    assert hosts_of(result) == ["h0", "h1", "stranger"]
    assert "1 record keeps its own time" in result.stderr


def test_nothing_known_of_any_clock_is_exit_code_3(estimate: str) -> None:
    log("a.log", 1)
    result = run("order", "stranger=a.log", "--estimate", estimate)
    assert result.exit_code == 3
    assert result.stdout.startswith("   20")
    lost = run("order", "lost=a.log", "--estimate", estimate)
    assert (lost.exit_code, "!" in lost.stdout) == (3, True)


def test_lines_without_a_time_are_counted(estimate: str) -> None:
    path = Path(log("a.log", 1))
    path.write_bytes(path.read_bytes() + b"no time\n  continued\n2026-11-25 06:55:03 no zone\n")
    result = run("order", "h0=a.log", "--estimate", estimate)
    assert result.exit_code == 2, "a time without a zone is refused before anything is written"
    assert "a.log, line 4: the time '2026-11-25 06:55:03' has no zone: say which with --tz" in result.stderr
    path.write_bytes(path.read_bytes().replace(b"2026-11-25 06:55:03 no zone\n", b""))
    result = run("order", "h0=a.log", "--estimate", estimate)
    assert result.stdout.endswith("no time\n  continued\n")
    assert "a.log: 1 line without a readable time" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("order", "a.log", "--raw"), "nobody says whose clock wrote this log: write HOST=a.log"),
        (("order", "h0=absent.log", "--raw"), "absent.log: No such file"),
        (("order", "h0=a.log", "--raw", "--format", "xml"), "no such log format: xml"),
        (("order", "h0=a.log", "--raw", "--tz", "Mars"), "--tz Mars: no such zone"),
        (("order", "h0=a.log", "--raw", "--window", "soon"), "--window"),
        (("order", "h0=a.log", "--estimate", "a.log"), "not the JSON document"),
        (("order", "h0=a.log", "--estimate", "absent"), "absent: No such file"),
        (("order", "h0=a.log", "--raw", "--history", "x"), "three ways: use one"),
        (("order", "h0=-", "h1=-", "--raw"), "standard input can be one log only"),
        (("order", "h0=-", "--raw", "--explain"), "read the logs twice"),
        (("order", "h0=empty", "--raw"), "the folder holds no logs"),
        (("correct", "a.log", "--estimate", "x"), "nobody says whose clock"),
        (("explain", "a", "b", "--seen", "soon"), "--seen"),
        (("ahead", "--by", "much", "--since", "-1h"), "--by"),
    ],
)
def test_wrong_use_is_one_line_and_exit_code_2(arguments: tuple[str, ...], message: str) -> None:
    log("a.log", 1)
    Path("empty").mkdir()
    result = run(*arguments)
    assert result.exit_code == 2
    assert message in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert result.stdout == ""


def test_nobody_there_is_exit_code_3() -> None:
    log("a.log", 1)
    for arguments in (
        ("order", "h0=a.log"),
        ("correct", "h0=a.log"),
        ("explain", "a"),
        ("ahead", "--by", "1s", "--since", "-1h"),
    ):
        result = run(*arguments, "--collector", "127.0.0.1:1", "--timeout", "2")
        assert result.exit_code == 3, arguments
        assert "no collector answers at 127.0.0.1:1" in result.stderr
        assert result.stdout == ""


def test_cut_off_gzip_gives_what_could_be_read_and_exit_code_2(estimate: str) -> None:
    log("a.log.gz", *range(2000))
    whole = Path("a.log.gz").read_bytes()
    Path("a.log.gz").write_bytes(whole[: len(whole) // 2])
    log("b.log", 5)
    result = run("order", "h0=a.log.gz", "h1=b.log", "--estimate", estimate)
    assert result.exit_code == 2
    assert "a.log.gz: Compressed file ended" in result.stderr
    assert "h1" in hosts_of(result)


def test_messages_settle_what_clocks_leave_open(estimate: str) -> None:
    log("b.log", 6.99, text="serve id=r1")
    log("c.log", 10, 10.05, text="ask id=r1")
    opened = run("order", "h0=c.log", "h1=b.log", "--estimate", estimate, "--strict")
    assert opened.exit_code == 1
    settled = run("order", "h0=c.log", "h1=b.log", "--estimate", estimate, "--strict", "--happens-before", "id")
    assert settled.exit_code == 0, settled.stderr
    assert "2 pairs of cause and effect by id" in settled.stderr
    assert (hosts_of(opened), hosts_of(settled)) == (["h1", "h0", "h0"], ["h0", "h1", "h0"])


def test_effect_before_its_cause_is_told(estimate: str) -> None:
    log("c.log", 10, 12, text="ask id=r1")
    log("b.log", 3, text="serve id=r1")
    result = run("order", "h0=c.log", "h1=b.log", "--estimate", estimate, "--happens-before", "id")
    assert "h1 logged 'r1' before h0 caused it, by 3.89" in result.stderr


def test_explain_of_logs_names_a_time_zone(estimate: str) -> None:
    log("a.log", 0, 1000, 5000)
    log("b.log", 3_600_000, 3_601_000, 3_605_000)
    result = run("order", "h0=a.log", "h1=b.log", "--estimate", estimate, "--explain")
    assert "a.log begins and ends 1 h earlier than b.log, a whole multiple of 15 minutes: a time zone" in result.stderr


def test_explain_of_logs_names_a_unit_and_coarse_stamps_and_is_content_else(estimate: str) -> None:
    log("a.log", 0, 1000)
    Path("b.log").write_text(f"{START_NS // 10**9} x\n")
    coarse = run("order", "h0=a.log", "h1=b.log", "--estimate", estimate, "--explain")
    assert "b.log: stamps tell time in steps of 1 s" in coarse.stderr
    Path("b.log").write_text(f"{START_NS // 10**9} x\n")
    unit = run(
        "order",
        "h0=a.log",
        "h1=b.log",
        "--estimate",
        estimate,
        "--explain",
        "--format",
        "epoch-ms",
        "--format",
        "rfc3339",
    )
    assert "1,000 times too large" in unit.stderr
    log("b.log", 0, 1000)
    fine = run("order", "h0=a.log", "h1=b.log", "--estimate", estimate, "--explain")
    assert "nothing but the clocks sets these logs apart" in fine.stderr


def test_correct_writes_over_stamps_and_never_the_file(estimate: str) -> None:
    path = Path(log("a.log", 10, 20))
    before = path.read_bytes()
    result = run("correct", "h0=a.log", "--estimate", estimate)
    assert result.exit_code == 0
    assert result.stdout.splitlines()[0] == f"{print_instant(START_NS + 7_000_000, 6)} opened"
    assert path.read_bytes() == before
    assert "2 times corrected" in result.stderr


def test_correct_claims_quality_in_structured_data(estimate: str) -> None:
    Path("a.log").write_text("<34>1 2026-11-25T06:55:03.000001Z h0 gate - - - x\nplain\n")
    result = run("correct", "a.log", "--estimate", estimate, "--time-quality")
    assert '[timeQuality tzKnown="1" isSynced="1" syncAccuracy="3102"]' in result.stdout
    assert "1 line without a readable time" in result.stderr


# --- against a history ---------------------------------------------------------------------------------------------


@pytest.fixture
def history(tmp_path: Path) -> str:
    place = tmp_path / "history"
    random = np.random.default_rng(3)
    with open_history(place) as opened:
        for number in range(40):
            opened.append(estimate_of(FERRY, START_NS + number * TICK_NS, random))
    return str(place)


def at(seconds: float) -> str:
    return print_instant(START_NS + round(seconds * SECOND_NS), 3)


def test_order_from_a_history(history: str) -> None:
    log("gate.log", 50_001.84 + 0.6, 50_002.5 + 0.6)
    log("db.log", 50_000.2)
    result = run("order", f"{GATE}=gate.log", f"{DATABASE}=db.log", "--history", history, "--json")
    assert result.exit_code == 0, result.stderr
    found = [json.loads(line) for line in result.stdout.splitlines()]
    assert [each["host"] for each in found] == [GATE, DATABASE, GATE]
    assert all(each["corrected"] for each in found)
    assert found[1]["order"] == "certain"


def test_explain_from_a_history(history: str) -> None:
    fine = run("explain", GATE, DATABASE, "--history", history, "--at", at(50))
    assert fine.exit_code == 0
    assert "look elsewhere" in " ".join(fine.stdout.split())
    zone = run("explain", GATE, DATABASE, "--history", history, "--at", at(50), "--seen", "-1h", "--json")
    document = json.loads(zone.stdout)
    assert (zone.exit_code, document["cause"], document["seen_ns"]) == (0, "time-zone", -3600 * SECOND_NS)
    strict = run("explain", GATE, DATABASE, "--history", history, "--at", at(50), "--tolerance", "1us")
    assert strict.exit_code == 1
    assert run("explain", "nobody", "--history", history, "--at", at(50)).exit_code == 3
    assert max(len(line) for line in fine.stdout.splitlines()) <= 80


def test_ahead_from_a_history(history: str) -> None:
    result = run("ahead", "--by", "1ms", "--since", at(0), "--until", at(190), "--history", history)
    assert result.exit_code == 1
    assert f"{GATE}: more than 1 ms off for 3.2 min in all (certain for 3.2 min)" in result.stdout
    assert DATABASE not in result.stdout
    document = json.loads(
        run("ahead", "--by", "1ms", "--since", at(0), "--until", at(190), "--history", history, "--json").stdout
    )
    assert [each["host"] for each in document["hosts"]] == [GATE]
    none = run("ahead", "--by", "1s", "--since", at(0), "--until", at(190), "--history", history)
    assert (none.exit_code, none.stdout.strip()) == (0, "None of 4 hosts was more than 1 s ahead or behind.")
    behind = run("ahead", "--by", "1ms", "--since", at(0), "--until", at(190), "--history", history, "--only", "behind")
    assert behind.exit_code == 0
    early = run(
        "ahead",
        "--by",
        "1ms",
        "--since",
        "2020-01-01T00:00:00Z",
        "--until",
        "2020-01-02T00:00:00Z",
        "--history",
        history,
    )
    assert early.exit_code == 3
    assert f"to 2020-01-02T00:00:00.000Z: what was kept reaches from {at(0)[:19]}" in early.stderr


def test_a_slip_in_a_host_name_is_told_and_answered_with_the_nearest_names(history: str) -> None:
    log("gate.log", 50_002)
    log("db.log", 50_003)
    slip = GATE[:-3] + GATE[-2:]
    told = f"no host named {slip} is known; did you mean {GATE}?"
    for command in (("order", f"{slip}=gate.log", f"{DATABASE}=db.log"), ("correct", f"{slip}=gate.log")):
        assert told in run(*command, "--history", history).stderr
    asked = ("ahead", "--by", "1ms", "--since", at(0), "--until", at(190), "--history", history, "--host", slip)
    only, beside = run(*asked), run(*asked, "--host", DATABASE)
    assert (only.exit_code, only.stderr) == (3, f"Error: {told}\n")
    assert (beside.exit_code, beside.stderr) == (0, f"{told}\n")
    assert "None of 1 host was more" in beside.stdout
    zone = run(*asked[:-2], "--zone", "nowhere")
    assert (zone.exit_code, zone.stderr[:52]) == (2, "Error: --zone nowhere: no host is of this zone; no h")


def test_what_cannot_be_known_of_a_stranger_is_not_said(history: str) -> None:
    unknown = run("explain", "nobody", "--history", history, "--at", at(50))
    assert "slept" not in unknown.stdout
    assert "sound" not in unknown.stdout


def test_raw_says_why_times_are_the_logs_own() -> None:
    log("a.log", 10)
    assert "own time (marked !): --raw corrects nothing" in run("order", "h0=a.log", "--raw").stderr


def test_causes_that_are_none_and_slips_in_names_of_formats_and_commands(estimate: str) -> None:
    log("a.log", 10)
    none = run("order", "h0=a.log", "h1=a.log", "--estimate", estimate, "--happens-before", "req")
    assert "0 pairs of cause and effect by req: no two hosts' lines share a value of it" in none.stderr
    wrong = run("order", "h0=a.log", "--raw", "--format", "rfc3399")
    assert (wrong.exit_code, wrong.stderr) == (
        2,
        "Error: no such log format: rfc3399; did you mean rfc3339?\n",
    )
    other = run("oder", "h0=a.log")
    assert other.exit_code == 2
    assert other.stderr.endswith("Error: there is no command 'oder'; did you mean order?\n")


def test_logs_of_which_the_same_is_true_are_told_of_at_once(estimate: str) -> None:
    for name in ("a.log", "b.log"):
        Path(name).write_text(f"{START_NS // 10**9} x\n")
    found = run("order", "h0=a.log", "h1=b.log", "--estimate", estimate, "--explain")
    assert "a.log, b.log: stamps tell time in steps of 1 s" in found.stderr


def test_a_log_without_any_time_cannot_be_corrected(estimate: str) -> None:
    Path("a.log").write_text("gate opened\nticket scanned\n")
    result = run("correct", "h0=a.log", "--estimate", estimate)
    assert (result.exit_code, result.stdout) == (2, "gate opened\nticket scanned\n")
    assert "no line has a time that can be read: name its --format" in result.stderr


def test_a_log_without_any_time_is_told_as_such(estimate: str) -> None:
    Path("a.log").write_text("gate opened\nticket scanned\n")
    result = run("order", "h0=a.log", "--estimate", estimate)
    assert "a.log: no line has a time that can be read: name its --format" in result.stderr


def test_what_asks_no_collector_and_needs_no_probability_loads_neither() -> None:
    code = (
        "import sys; from noonmark.collector import cli_order, offline; "
        "print(*sorted({'asyncio', 'google.protobuf', 'grpc', 'scipy'} & set(sys.modules)))"
    )

    assert subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout == "\n"

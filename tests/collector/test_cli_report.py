from __future__ import annotations

import csv
import io
import json
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
from builders import SECOND_NS
from click.testing import CliRunner, Result
from courses import FERRY, Clock, estimate_of

from noonmark.collector.budgets import Budget
from noonmark.collector.cli import main
from noonmark.collector.estimate import Finding, FindingKind
from noonmark.collector.history import Pace, open_history
from noonmark.collector.report import Evidence, host_evidence
from noonmark.collector.report_html import evidence_html
from noonmark.collector.report_json import CSV_COLUMNS, evidence_csv, evidence_json
from noonmark.collector.report_samples import Samples

DAY_NS = 86_400 * SECOND_NS
D0 = 1_795_564_800 * SECOND_NS  # 2026-11-25T00:00:00Z
TICK_NS = 600 * SECOND_NS
GATE, DATABASE, BERTH = (clock.name for clock in FERRY[1:])
STEADY = (FERRY[0], Clock(GATE, 1_840_000.0), Clock(DATABASE, -3_120.0), Clock(BERTH, 52_000.0))
"""Without drift, so that the truth of every moment is the same."""

PLACES = {FERRY[0].name: ("quay", "reference"), GATE: ("quay", "gateway"), DATABASE: ("holm", "database")}


@pytest.fixture(scope="module")
def history_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days and a bit at ten minutes a tick, with three hours in which nothing was measured."""
    path = tmp_path_factory.mktemp("history") / "history"
    random = np.random.default_rng(4)
    with open_history(path, pace=Pace(reach_ns=3 * TICK_NS)) as history:
        for number in range(2 * 144 + 3):
            at_ns = D0 + number * TICK_NS
            if 36 <= number < 54:
                continue
            findings = []
            if 60 <= number < 66:
                text = "is in holdover <b>since</b> its fix was lost"
                findings.append(Finding(FindingKind("reference-state"), at_ns, text, STEADY[0].name))
            history.append(estimate_of(STEADY, at_ns, random, findings=findings), PLACES)
    return path


COMMON = ("--since", f"@{D0}ns", "--until", f"@{D0 + 2 * DAY_NS}ns", "--gap", "30m", "--step", "10m")


def ask(history_file: Path, *arguments: object) -> Result:
    return CliRunner().invoke(main, ["report", "--history", str(history_file), *COMMON, *map(str, arguments)])


def test_the_text_says_it_all_in_eighty_columns(history_file: Path) -> None:
    result = ask(history_file, "--policy", "rts25-other")
    assert result.exit_code == 1, result.output
    lines = result.stdout.splitlines()
    assert max(map(len, lines)) <= 80
    text = " ".join(result.stdout.split())
    assert "4 hosts from 2026-11-25T00:00:00Z to 2026-11-27T00:00:00Z" in text
    assert f"Largest divergence as estimated: 1.84 ms, {GATE}" in text
    assert "not a certificate of compliance" in text
    assert "6 findings on its source or state, see below" in text
    row = next(line for line in lines if line.startswith(DATABASE))
    assert row.split()[-2:] == ["6.25", "%"]  # three hours of two days


def test_the_json_holds_peaks_shares_gaps_and_chains(history_file: Path) -> None:
    result = ask(history_file, "--policy", f"rts25-other=host:{DATABASE}", "--policy", "us-audit-trail", "--json")
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout)
    assert told["schema"] == "noonmark.evidence/1"
    rows = {host["host"]: host for host in told["hosts"]}
    assert rows[DATABASE]["policy"] == "rts25-other"
    assert rows[GATE]["policy"] == "us-audit-trail"
    gate = rows[GATE]
    assert gate["largest_estimated"]["value_ns"] == pytest.approx(1_840_000, abs=1_500)
    assert gate["largest_certain"]["value_ns"] > gate["largest_with_uncertainty"]["value_ns"]
    (gap,) = gate["gaps"]
    assert (gap["since_ns"], gap["until_ns"]) == (D0 + 36 * TICK_NS, D0 + 54 * TICK_NS)
    total = sum(gate[key] for key in ("within_ns", "within_by_estimate_ns", "not_shown_ns", "out_ns", "gap_ns"))
    assert total == 2 * DAY_NS
    ways = {chain["host"]: chain for chain in told["chains"]}
    assert ways[DATABASE]["steps"][-1]["to"] == FERRY[0].name
    assert told["references"][0]["declared_uncertainty_ns"] is not None
    assert told["references"][0]["states"][0]["kind"] == "reference-state"


def test_policies_go_by_the_zones_and_roles_that_the_history_keeps(history_file: Path) -> None:
    result = ask(
        history_file, "--policy", "rts25-other=zone:quay", "--policy", "us-audit-trail=role:database", "--json"
    )
    assert result.exit_code == 1, result.output
    told = json.loads(result.stdout)
    rows = {host["host"]: (host["policy"], host["zone"], host["role"]) for host in told["hosts"]}
    assert rows == {
        FERRY[0].name: ("rts25-other", "quay", "reference"),
        GATE: ("rts25-other", "quay", "gateway"),
        DATABASE: ("us-audit-trail", "holm", "database"),
    }
    assert told["without_policy"] == [BERTH]


def test_a_host_that_left_before_the_end_keeps_its_policy(tmp_path: Path) -> None:
    path = tmp_path / "history"
    random = np.random.default_rng(5)
    with open_history(path, pace=Pace(reach_ns=3 * TICK_NS)) as history:
        for number in range(20):
            there = STEADY if number < 8 else STEADY[:2]
            history.append(estimate_of(there, D0 + number * TICK_NS, random), PLACES if number < 8 else {})
    until = ("--until", f"@{D0 + 19 * TICK_NS}ns")
    result = ask(path, *until, "--policy", "us-audit-trail=zone:holm", "--json")
    assert result.exit_code == 0, result.output
    (host,) = json.loads(result.stdout)["hosts"]
    assert (host["host"], host["role"]) == (DATABASE, "database")
    assert 0.4 < host["gap_ns"] / (19 * TICK_NS) < 0.7


def test_where_a_figure_was_read_is_said(history_file: Path) -> None:
    for form in ("text", "html", "json"):
        told = " ".join(ask(history_file, "--policy", "us-audit-trail-manual", "--format", form).stdout.split())
        assert "igures from memory, by nothing confirmed" in told


def test_the_csv_is_read_back_by_the_standard_library(history_file: Path, tmp_path: Path) -> None:
    output = tmp_path / "evidence.csv"
    result = ask(history_file, "--policy", "us-audit-trail", "--format", "csv", "--output", output)
    assert result.exit_code == 0, result.output
    assert result.stdout == ""
    rows = list(csv.DictReader(io.StringIO(output.read_text(encoding="utf-8"), newline="")))
    assert list(rows[0]) == list(CSV_COLUMNS)
    assert {row["host"] for row in rows} == {clock.name for clock in FERRY}
    assert all(row["tolerance_ns"] == "50000000" for row in rows)
    assert next(row["chain"] for row in rows if row["host"] == DATABASE).endswith(FERRY[0].name)


class Pages(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: set[str] = set()
        self.text = ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.seen.add(tag)
        if tag not in ("meta", "br"):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_page_is_whole_escaped_and_needs_nothing_else(history_file: Path) -> None:
    result = ask(history_file, "--policy", "rts25-other", "--format", "html")
    assert result.exit_code == 1
    page = Pages()
    page.feed(result.stdout)
    assert page.open == []
    assert not page.seen & {"script", "link", "img", "b", "iframe"}
    assert "is in holdover <b>since</b> its fix was lost" in page.text
    assert "http" not in result.stdout
    assert "@page" in result.stdout
    for heading in ("Summary", "Time not measured", "Chains of traceability", "Method and uncertainty", "Findings"):
        assert heading in page.text


def test_daily_records_are_kept_once_and_checked(history_file: Path, tmp_path: Path) -> None:
    folder = tmp_path / "records"
    first = ask(history_file, "--policy", "us-audit-trail", "--records", folder)
    assert first.exit_code == 0, first.output
    assert sorted(path.name for path in folder.iterdir()) == ["2026-11-25.json", "2026-11-26.json"]
    head = first.stdout.split()[-1]
    again = ask(history_file, "--policy", "us-audit-trail", "--records", folder)
    assert again.stdout.split()[-1] == head
    assert again.stderr == ""

    def verify(*arguments: str) -> Result:
        return CliRunner().invoke(main, ["report", "--verify", str(folder), *arguments])

    assert verify("--head", head).exit_code == 0
    assert json.loads(verify("--json").stdout)["head"] == head
    record = folder / "2026-11-25.json"
    record.chmod(0o644)
    record.write_bytes(record.read_bytes().replace(b'"out_ns":0', b'"out_ns":1', 1))
    broken = verify()
    assert broken.exit_code == 1
    assert broken.stdout.startswith("2026-11-26: does not follow the record of 2026-11-25")


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ([], 2, "say by which policy"),
        (["--policy", "rts99"], 2, "use one of rts25-venue"),
        (["--policy", "us-audit-trail", "--step", "1h"], 2, "at most --gap"),
        (["--policy", "us-audit-trail", "--host", "nobody"], 3, "nothing was measured"),
        (["--policy", "us-audit-trail", "--output", "/nowhere/at/all"], 2, "cannot be written"),
        (["--verify", "/nowhere"], 2, "no folder of records"),
    ],
)
def test_wrong_use_and_no_data_are_one_line(history_file: Path, arguments: list[str], code: int, words: str) -> None:
    result = ask(history_file, *arguments)
    assert result.exit_code == code
    assert words in result.stderr


def test_the_same_evidence_is_the_same_document_whenever_it_is_made(history_file: Path) -> None:
    one = ask(history_file, "--policy", "us-audit-trail", "--json")
    other = ask(history_file, "--policy", "us-audit-trail", "--json")
    assert one.stdout == other.stdout
    assert "made_at" not in one.stdout


EVIL = "=<script>1</script>"


def test_a_name_that_a_spreadsheet_would_run_is_text_and_one_of_html_is_escaped() -> None:
    nothing = Samples(*(np.zeros(0, kind) for kind in (np.int64, np.bool_, float, float, float, float)))
    policy = Budget("gates", 5)
    host = host_evidence(EVIL, nothing, policy, 0, DAY_NS, reach_ns=1)
    evidence = Evidence(0, DAY_NS, (policy,), (host,), (), (), None, (), (EVIL,))
    assert f"'{EVIL}" in evidence_csv(evidence)
    assert "<script>" not in evidence_html(evidence, made_ns=0)
    assert evidence_json(evidence)["chains_at"] is None
    assert evidence_json(evidence)["fleet"]["largest_certain"] is None

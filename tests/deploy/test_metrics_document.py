"""The metrics' document is what the code says, and every name in it keeps to Prometheus's conventions."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

FOLDER = Path(__file__).resolve().parent.parent.parent / "deploy" / "prometheus"
ROW = re.compile(r"^\| `(?P<name>[^`]+)` \| (?P<kind>\w+) \| (?P<unit>\S+) \| (?P<labels>[^|]+) \| (?P<text>.+) \|$")


def rows() -> list[dict[str, str]]:
    lines = (FOLDER / "METRICS.md").read_text().splitlines()
    return [found.groupdict() for line in lines if (found := ROW.match(line))]


def test_the_document_is_fresh() -> None:
    script = FOLDER / "make_metrics.py"
    done = subprocess.run([sys.executable, script, "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_names_keep_to_the_conventions() -> None:
    """prometheus.io/docs/practices/naming: prefix, snake case, base units, _total for counters and for nothing else."""
    for row in rows():
        name = row["name"]
        assert re.fullmatch(r"noonmark(_[a-z0-9]+)+", name), name
        assert name.endswith("_total") == (row["kind"] == "counter"), name
        assert name.endswith("_info") == (row["kind"] == "info"), name
        assert not re.search(
            r"_(ms|us|ns|ppm|ppb|percent|milliseconds|nanoseconds|minutes|count|sum|bucket)(_|$)", name
        )
        assert row["text"].endswith((".", ")")), name


def test_there_is_a_table_of_many_and_nothing_twice() -> None:
    names = [row["name"] for row in rows()]
    assert len(names) > 60
    assert len(set(names)) == len(names)

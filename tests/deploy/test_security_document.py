"""The threat model names tests; they must be there."""

from __future__ import annotations

import ast
import functools
import re
from pathlib import Path

from noonmark.collector.metric_table import BY_NAME

ROOT = Path(__file__).resolve().parents[2]
TEXT = (ROOT / "deploy/SECURITY.md").read_text(encoding="utf-8")


@functools.cache
def names_in(path: str) -> set[str]:
    tree = ast.parse((ROOT / path).read_text(encoding="utf-8"))
    return {
        node.name
        for node in ast.walk(tree)
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.name.startswith("test_")
    }


def test_every_test_that_is_named_exists() -> None:
    named = re.findall(r"`(tests/[\w/]+\.py)(?:::(\w+))?`", TEXT)
    assert len(named) > 25
    for path, name in named:
        assert names_in(path), path
        assert not name or name in names_in(path), f"{path}::{name}"
    alone = re.findall(r"`(test_\w+)`", TEXT)
    assert alone
    assert set(alone) <= names_in("tests/collector/test_on_path.py")


def test_every_row_of_threats_names_a_test_or_says_that_it_succeeds() -> None:
    table = TEXT.split("## Who could do what")[1].split("##")[0]
    rows = [line.split("|")[1:-1] for line in table.splitlines() if line.startswith("|")][2:]
    assert len(rows) > 20
    for who, could, becomes, shown in rows:
        assert "tests/" in shown or "he can" in becomes, (who, could)


def test_metrics_that_are_named_exist() -> None:
    metrics = (ROOT / "deploy/prometheus/METRICS.md").read_text(encoding="utf-8")
    for name in re.findall(r"`(noonmark_\w+)`", TEXT):
        assert name in BY_NAME or f"`{name}`" in metrics, name

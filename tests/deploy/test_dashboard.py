"""The dashboard's file is what its script writes, and speaks of nothing that is not exported.

That its queries give data is shown with a real Prometheus in tests/integration/test_prometheus.py.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import dashboards
import yaml

FOLDER = Path(__file__).resolve().parent.parent.parent / "deploy" / "grafana"
DASHBOARD: dict[str, Any] = json.loads((FOLDER / "noonmark.json").read_text())
PROMETHEUS = FOLDER.parent / "prometheus"


def test_the_file_is_fresh() -> None:
    script = FOLDER / "make_dashboard.py"
    done = subprocess.run([sys.executable, script, "--check"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_every_metric_of_a_query_is_exported_or_recorded() -> None:
    known = set(re.findall(r"^\| `([^`]+)`", (PROMETHEUS / "METRICS.md").read_text(), re.M)) | {"ALERTS"}
    for expression in dashboards.queries(DASHBOARD):
        for name in re.findall(r"\b(noonmark_\w+)\b", expression):
            assert name.removesuffix("_bucket") in known, expression


def test_rules_too_speak_only_of_what_is_exported() -> None:
    known = set(re.findall(r"^\| `([^`]+)`", (PROMETHEUS / "METRICS.md").read_text(), re.M))
    rules = yaml.safe_load((PROMETHEUS / "noonmark-rules.yml").read_text())
    expressions = [rule["expr"] for group in rules["groups"] for rule in group["rules"]]
    recorded = {rule["record"] for group in rules["groups"] for rule in group["rules"] if "record" in rule}
    for expression in expressions:
        for name in re.findall(r"[a-z_:]*noonmark_[a-z0-9_:]+", expression):
            assert name in recorded or name.removesuffix("_bucket") in known, (name, expression)


def test_it_can_be_provisioned_beside_others() -> None:
    assert DASHBOARD["id"] is None
    assert DASHBOARD["uid"] == "noonmark-fleet"
    assert "__inputs" not in DASHBOARD
    numbers = [panel["id"] for panel in DASHBOARD["panels"]]
    assert len(set(numbers)) == len(numbers) > 20
    variables = {variable["name"]: variable for variable in DASHBOARD["templating"]["list"]}
    assert variables["datasource"]["type"] == "datasource"
    sources = [target["datasource"] for panel in DASHBOARD["panels"] for target in panel.get("targets", [])]
    assert sources
    assert all(source == {"type": "prometheus", "uid": "${datasource}"} for source in sources)
    for file in (FOLDER / "provisioning").rglob("*.yml"):
        assert yaml.safe_load(file.read_text())["apiVersion"] == 1


def test_what_grafana_needs_is_there_and_nothing_is_null() -> None:
    """Grafana's own published types (npm, @grafana/schema) were asked by tests/bench/dashboard_types.py."""
    for panel in DASHBOARD["panels"]:
        assert panel.get("options", {}) is not None, panel["title"]
        assert panel["type"] in ("row", "stat", "table", "timeseries", "state-timeline")
    for variable in DASHBOARD["templating"]["list"]:
        if variable.get("includeAll"):
            assert variable["current"]["value"] == ["$__all"]


def test_panels_explain_themselves_and_do_not_overlap() -> None:
    taken: set[tuple[int, int]] = set()
    for panel in DASHBOARD["panels"]:
        if panel["type"] != "row":
            assert panel["description"].endswith("."), panel["title"]
        place = panel["gridPos"]
        cells = {(place["x"] + x, place["y"] + y) for x in range(place["w"]) for y in range(place["h"])}
        assert not cells & taken, panel["title"]
        assert max(x for x, _ in cells) < 24
        taken |= cells

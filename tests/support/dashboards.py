"""What a Grafana dashboard asks of Prometheus, with its variables filled in."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any


def queries(dashboard: Mapping[str, Any]) -> list[str]:
    """Every expression of panels and annotations, and the selectors of variables."""
    panels = [target["expr"] for panel in dashboard["panels"] for target in panel.get("targets", [])]
    marks = [mark["target"]["expr"] for mark in dashboard["annotations"]["list"]]
    chosen = [
        re.sub(r"^label_values\((.+), \w+\)$", r"\1", variable["query"]["query"])
        for variable in dashboard["templating"]["list"]
        if variable["type"] == "query"
    ]
    return [*panels, *marks, *chosen]


def filled(expression: str, *, rate_interval: str = "10s") -> str:
    """The expression as Grafana sends it with everything chosen."""
    for name, value in {"$job": ".*", "$host": ".*", "$__rate_interval": rate_interval}.items():
        expression = expression.replace(name, value)
    return expression

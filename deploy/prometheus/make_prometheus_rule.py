"""Write the rules as a PrometheusRule for the Prometheus operator; `--check` only says whether it is fresh.

Run as: python deploy/prometheus/make_prometheus_rule.py [--check]; it exits 1 if the file is not fresh.
"""

from __future__ import annotations

import sys
import textwrap
from pathlib import Path

RULES = Path(__file__).with_name("noonmark-rules.yml")
RESOURCE = RULES.parent.parent / "kubernetes" / "prometheus-rule.yaml"
HEAD = """\
# Made from deploy/prometheus/noonmark-rules.yml by make_prometheus_rule.py beside it; do not edit. For clusters with
# the Prometheus operator. Which labels its Prometheus asks of a PrometheusRule is set there (ruleSelector).
apiVersion: monitoring.coreos.com/v1
kind: PrometheusRule
metadata:
  name: noonmark
  labels:
    app.kubernetes.io/name: noonmark
spec:
"""


def resource() -> str:
    """The rules' own lines, comments too, under `spec`."""
    return HEAD + textwrap.indent(RULES.read_text(encoding="utf-8"), "  ")


def main() -> int:
    """Write or check."""
    text = resource()
    if "--check" in sys.argv[1:]:
        fresh = RESOURCE.exists() and RESOURCE.read_text(encoding="utf-8") == text
        if not fresh:
            print(f"{RESOURCE.name} is not fresh: run python {Path(__file__).name}", file=sys.stderr)
        return 0 if fresh else 1
    RESOURCE.write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Check the dashboard against Grafana's own types, as published on npm (@grafana/schema), with TypeScript's compiler.

    python tests/bench/dashboard_types.py

Needs node and npm, which continuous integration has not; run by hand when the dashboard changes. Exits 1 if a field is
unknown there, or of another type. Held to the types are the dashboard, each panel, its options and its field options;
not the annotations' targets and titles, which are the Prometheus data source's own.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

DASHBOARD = Path(__file__).resolve().parent.parent.parent / "deploy" / "grafana" / "noonmark.json"
PACKAGES = ("@grafana/schema@13.2.3", "typescript@5.9.2")
KINDS = {"stat": "stat", "timeseries": "timeseries", "table": "table", "state-timeline": "statetimeline"}
WITH_FIELD_CONFIG = ("timeseries", "statetimeline")
TYPES = "./node_modules/@grafana/schema/dist/types"
IMPORTS = "\n".join(
    f"import type * as {kind} from '{TYPES}/raw/composable/{kind}/panelcfg/x/types.gen';" for kind in KINDS.values()
)
# Loose: texts stand for their enumerations. Part: what is left out has a default.
HEAD = f"""\
import type {{ Dashboard, Panel, RowPanel }} from '{TYPES}/veneer/dashboard.types';
{IMPORTS}
type Loose<T> = T extends string ? `${{T}}` : T extends number | boolean | null | undefined ? T
  : T extends (infer U)[] ? Loose<U>[] : T extends object ? {{ [K in keyof T]: Loose<T[K]> }} : T;
type Part<T> = {{ [K in keyof T]?: T[K] extends object ? Part<T[K]> : T[K] }};
"""


def main() -> int:
    """Check and say what is wrong."""
    dashboard = json.loads(DASHBOARD.read_text())
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "package.json").write_text("{}")
        quiet = ["--silent", "--no-fund", "--no-audit", "--ignore-scripts", "--legacy-peer-deps"]
        subprocess.run(["npm", "install", *quiet, *PACKAGES], cwd=folder, check=True)
        (Path(folder) / "check.ts").write_text(HEAD + "\n".join(statements(dashboard)) + "\n")
        options = ["--noEmit", "--strict", "--skipLibCheck", "--module", "esnext", "--moduleResolution", "bundler"]
        done = subprocess.run(["node_modules/.bin/tsc", *options, "check.ts"], cwd=folder, check=False)
    print(
        "the dashboard fits Grafana's types" if done.returncode == 0 else "the dashboard does not fit Grafana's types"
    )
    return min(done.returncode, 1)


def statements(dashboard: dict[str, Any]) -> list[str]:
    """Typed constants, one for each part."""
    rest = {name: value for name, value in dashboard.items() if name != "panels"}
    for mark in rest["annotations"]["list"]:
        del mark["target"], mark["titleFormat"]
    found = [f"const whole: Loose<Omit<Dashboard, 'panels'>> = {json.dumps(rest)};"]
    for number, panel in enumerate(dashboard["panels"]):
        if panel["type"] == "row":
            found.append(f"const row{number}: Loose<RowPanel> = {json.dumps(panel)};")
            continue
        kind = KINDS[panel["type"]]
        field = json.loads(json.dumps(panel.get("fieldConfig", {})))
        custom = field.get("defaults", {}).pop("custom", None)
        plain = {name: value for name, value in panel.items() if name not in ("options", "fieldConfig")}
        found += [
            f"const panel{number}: Loose<Omit<Panel, 'options' | 'fieldConfig'>> = {json.dumps(plain)};",
            f"const options{number}: Loose<Part<{kind}.Options>> = {json.dumps(panel.get('options', {}))};",
            f"const field{number}: Loose<NonNullable<Panel['fieldConfig']>> = {json.dumps(field)};",
        ]
        if custom is not None and kind in WITH_FIELD_CONFIG:
            found.append(f"const custom{number}: Loose<Part<{kind}.FieldConfig>> = {json.dumps(custom)};")
    return found


if __name__ == "__main__":
    sys.exit(main())

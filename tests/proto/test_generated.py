from __future__ import annotations

import runpy
from pathlib import Path

REGENERATE = Path(__file__).resolve().parents[2] / "proto" / "regenerate.py"


def test_committed_code_is_what_the_proto_file_generates() -> None:
    assert runpy.run_path(str(REGENERATE))["main"](["--check"]) == 0

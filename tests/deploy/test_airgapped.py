"""Installing without a network: what is refused before anything is written. The whole way: see INSTALL.md, by hand."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "deploy" / "airgapped"
HERE = f"{sys.version_info.major}.{sys.version_info.minor}"

pytestmark = pytest.mark.processes


@pytest.fixture
def wheelhouse(tmp_path: Path) -> Path:
    folder = tmp_path / "wheels"
    folder.mkdir()
    shutil.copy(FOLDER / "install.sh", folder)
    (folder / "agent.txt").write_text("noonmark==0.1.0\n")
    (folder / "PYTHON").write_text(f"{HERE}\n")
    (folder / "noonmark-0.1.0-py3-none-any.whl").write_bytes(b"not a wheel at all")
    seal(folder)
    return folder


def seal(folder: Path) -> None:
    lines = [
        f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}\n"
        for path in sorted(folder.iterdir())
        if path.name != "SHA256SUMS"
    ]
    (folder / "SHA256SUMS").write_text("".join(lines))


def install(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [str(folder / "install.sh"), *words],
        env={**os.environ, "PYTHON": sys.executable},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )


def test_a_file_that_was_changed_on_the_way_is_refused(wheelhouse: Path, tmp_path: Path) -> None:
    (wheelhouse / "noonmark-0.1.0-py3-none-any.whl").write_bytes(b"not a wheel at ALL")
    told = install(wheelhouse, "agent", str(tmp_path / "environment"))
    assert told.returncode == 2
    assert "carry the folder over anew" in told.stderr
    assert "noonmark-0.1.0-py3-none-any.whl: FAILED" in told.stderr
    assert not (tmp_path / "environment").exists()


def test_another_python_is_refused_with_the_remedy(wheelhouse: Path, tmp_path: Path) -> None:
    (wheelhouse / "PYTHON").write_text("3.99\n")
    seal(wheelhouse)
    told = install(wheelhouse, "agent", str(tmp_path / "environment"))
    assert told.returncode == 2
    assert told.stderr.strip().endswith("name another with PYTHON=...")


def test_what_was_not_gathered_cannot_be_installed(wheelhouse: Path) -> None:
    told = install(wheelhouse, "collector")
    assert (told.returncode, "without --agent-only" in told.stderr) == (2, True)
    assert install(wheelhouse).returncode == 2


def test_a_folder_in_use_is_left_alone(wheelhouse: Path) -> None:
    command = [str(FOLDER / "make-wheelhouse.sh"), str(wheelhouse)]
    told = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert (told.returncode, "name a new folder" in told.stderr) == (2, True)

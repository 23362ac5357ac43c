"""The container file, by a linter of such files (hadolint) and by what it promises. Nothing is built here."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
FILE = ROOT / "deploy" / "container" / "Containerfile"
LINTER = shutil.which("hadolint", path=f"{Path(sys.executable).parent}:/usr/bin:/usr/local/bin")


def stages() -> dict[str, list[tuple[str, str]]]:
    """Instructions by stage, the ones before the first under the empty name."""
    text = re.sub(r"(?m)^\s*#.*\n", "", FILE.read_text()).replace("\\\n", " ")
    found: dict[str, list[tuple[str, str]]] = {"": []}
    name = ""
    for line in filter(None, map(str.strip, text.splitlines())):
        word, _, rest = line.partition(" ")
        if word == "FROM":
            name = rest.split(" AS ")[1]
            found[name] = []
        found[name].append((word, " ".join(rest.split())))
    return found


@pytest.mark.processes
@pytest.mark.skipif(LINTER is None, reason="hadolint is not installed")
def test_the_linter_finds_nothing() -> None:
    told = subprocess.run([LINTER or "", str(FILE)], capture_output=True, text=True, check=False, timeout=60)
    assert (told.returncode, told.stdout) == (0, "")


@pytest.mark.parametrize("name", ["agent", "collector"])
def test_images_hold_no_builder_and_run_as_a_number(name: str) -> None:
    instructions = stages()[name]
    words = dict(instructions)
    assert words["FROM"] == f"${{BASE}} AS {name}", "not from the stage that built"
    assert words["COPY"].startswith(f"--from=build-{name} ")
    user, group = words["USER"].split(":")
    assert int(user) > 1000
    assert int(group) > 1000, "numbers: an orchestrator can tell that it is not root"
    order = [word for word, _ in instructions]
    assert "RUN" not in order[order.index("USER") :]
    assert words["ENTRYPOINT"] == f'["noonmark", "{name}"]'


@pytest.mark.parametrize("name", ["agent", "collector"])
def test_the_health_check_is_a_program_that_compiles(name: str) -> None:
    check = dict(stages()[name])["HEALTHCHECK"]
    command = shlex.split(check.partition("CMD [")[2].rstrip("]").replace('", "', '" "'))
    assert command[:2] == ["python", "-c"]
    compile(command[2], "healthcheck", "exec")
    assert "/healthz" in command[2]


def test_base_is_an_argument_with_a_pinned_version() -> None:
    assert stages()[""] == [("ARG", "BASE=python:3.13-slim-bookworm")]


def test_the_context_holds_what_is_copied_and_little_else() -> None:
    patterns = (ROOT / ".containerignore").read_text().split()
    wanted = {pattern[1:] for pattern in patterns if pattern.startswith("!")}
    copied = {source for word, rest in stages()["source"] if word == "COPY" for source in rest.split()[:-1]}
    assert patterns[0] == "*"
    assert wanted == copied
    assert all((ROOT / source).exists() for source in copied)

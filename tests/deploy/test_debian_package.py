"""The agent's Debian package, as built here: what is in it, and that its command runs from where it lies.

Installing, running, upgrading, removing and purging it in a booted bare root is deploy/debian/test-package.sh, by hand.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from noonmark.agent import config as agent_config
from noonmark.collector import config as collector_config
from noonmark.proto.version import VERSION

ROOT = Path(__file__).parents[2]
DEBIAN = ROOT / "deploy" / "debian"
SMALL = 16_000_000
"""Octets of the agent's package, at most."""

pytestmark = [
    pytest.mark.processes,
    pytest.mark.skipif(shutil.which("dpkg-deb") is None, reason="dpkg-deb is not installed"),
]


@pytest.fixture(scope="module")
def package(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("packages")
    told = subprocess.run(
        [str(DEBIAN / "build.sh"), "--agent-only", "--output", str(folder)],
        env={**os.environ, "PYTHON": sys.executable},
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert told.returncode == 0, told.stderr
    return Path(told.stdout.split()[-1])


@pytest.fixture(scope="module")
def tree(package: Path) -> Path:
    folder = package.parent / "tree"
    subprocess.run(["dpkg-deb", "-R", str(package), str(folder)], check=True, timeout=60)
    return folder


def test_the_package_is_small_and_names_its_python(package: Path, tree: Path) -> None:
    assert package.stat().st_size < SMALL
    control = dict(re.findall(r"(?m)^([A-Z][\w-]*): (.*)$", (tree / "DEBIAN/control").read_text()))
    assert (control["Package"], control["Version"]) == ("noonmark", VERSION)
    here, after = sys.version_info[:2], sys.version_info[1] + 1
    assert f"python3 (>= {here[0]}.{here[1]}), python3 (<< {here[0]}.{after}~)" in control["Depends"]
    assert (tree / "DEBIAN/conffiles").read_text() == "/etc/noonmark/agent.toml\n"
    assert (tree / "usr/lib/systemd/system/noonmark-agent.service").is_file()
    listed = {line.split("  ", 1)[1] for line in (tree / "DEBIAN/md5sums").read_text().splitlines()}
    held = {str(path.relative_to(tree)) for path in tree.rglob("*") if path.is_file() and not path.is_symlink()}
    assert {name for name in held if not name.startswith("DEBIAN/")} == listed


def test_nothing_of_the_building_machine_is_inside(tree: Path) -> None:
    for path in tree.rglob("*"):
        if path.is_file() and not path.is_symlink():
            body = path.read_bytes()
            assert str(ROOT).encode() not in body, path
            assert b"/tmp/tmp." not in body, path
            assert path.stat().st_mode & 0o022 == 0, path
    assert not [path for path in tree.rglob("numpy*") if "site-packages" in str(path)], "the agent does without"


def test_its_command_runs_from_where_it_lies(tree: Path) -> None:
    """With the interpreter of these tests, in the package's environment and with nothing else to import from."""
    (site,) = tree.glob("usr/lib/noonmark/lib/python*/site-packages")
    code = f"import sys; sys.path.append({str(site)!r}); from noonmark.collector.cli import main; main()"
    command = [sys.executable, "-I", "-S", "-c", code]
    told = subprocess.run([*command, "--version"], capture_output=True, text=True, check=True, timeout=30)
    assert told.stdout.strip() == f"noonmark, version {VERSION}"
    settings = str(tree / "etc/noonmark/agent.toml")
    told = subprocess.run([*command, "agent", "--config", settings], capture_output=True, text=True, timeout=30)
    assert told.returncode == 2
    assert "--collector" in told.stderr
    assert len(told.stderr.splitlines()) == 1, "one line that says what to do"


@pytest.mark.parametrize(
    ("name", "options"), [("agent", agent_config.OPTIONS), ("collector", collector_config.OPTIONS)]
)
def test_settings_files_name_only_settings_that_exist(name: str, options: tuple[agent_config.Option, ...]) -> None:
    """Also those that stand there as comments: a reader will uncomment them."""
    text = re.sub(r"(?m)^#(\w+ = )", r"\1", (DEBIAN / f"{name}.toml").read_text())
    given = tomllib.loads(text)
    assert given
    assert set(given) <= {option.key for option in options}
    for option in options:
        if option.key in given:
            values = given[option.key] if option.many else [given[option.key]]
            assert [option.parse(str(value)) for value in values]


def test_maintainer_scripts_are_sound_shell() -> None:
    for script in ("build.sh", "test-package.sh", "trial.sh", "postinst", "prerm", "postrm"):
        told = subprocess.run(
            ["sh", "-n", str(DEBIAN / script)], capture_output=True, text=True, timeout=30, check=False
        )
        assert told.returncode == 0, told.stderr

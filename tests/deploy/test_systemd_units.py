"""The units, judged by systemd's own tools (systemd.exec(5), systemd-analyze(1)) and held to what the programs need."""

from __future__ import annotations

import configparser
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

UNITS = Path(__file__).parents[2] / "deploy" / "systemd"
SERVICES = ("noonmark-agent", "noonmark-collector")
ANALYZE = shutil.which("systemd-analyze")
analyze = pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")
THRESHOLD = "20"
"""systemd-analyze counts in tenths: at most 2.0."""


def settings(path: Path) -> dict[str, list[str]]:
    """Every assignment of the [Service] section; repeated ones in order."""
    found: dict[str, list[str]] = {}
    section = ""
    for line in path.read_text().splitlines():
        if line.startswith("["):
            section = line
        elif section == "[Service]" and "=" in line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.setdefault(key, []).append(value)
    return found


def security(folder: Path, unit: str) -> subprocess.CompletedProcess[str]:
    options = ["--offline=true", f"--threshold={THRESHOLD}", "--no-pager"]
    command = [ANALYZE or "", "security", *options, f"{folder}/{unit}"]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)


@analyze
@pytest.mark.processes
@pytest.mark.parametrize("service", SERVICES)
def test_exposure_is_at_most_two(service: str) -> None:
    told = security(UNITS, f"{service}.service")
    assert told.returncode == 0, told.stdout
    assert "Overall exposure level" in told.stdout


@analyze
@pytest.mark.processes
def test_exposure_with_devices_is_at_most_two_as_well(tmp_path: Path) -> None:
    unit = (UNITS / "noonmark-agent.service").read_text()
    extra = (UNITS / "agent-devices.conf").read_text()
    (tmp_path / "noonmark-agent.service").write_text(unit + "\n" + extra)
    told = security(tmp_path, "noonmark-agent.service")
    assert told.returncode == 0, told.stdout


@analyze
@pytest.mark.processes
def test_the_judge_can_say_no(tmp_path: Path) -> None:
    (tmp_path / "bare.service").write_text(f"[Service]\nExecStart={sys.executable}\n")
    assert security(tmp_path, "bare.service").returncode != 0


@analyze
@pytest.mark.processes
@pytest.mark.parametrize("service", SERVICES)
def test_systemd_finds_no_fault_in_the_unit(tmp_path: Path, service: str) -> None:
    text = (UNITS / f"{service}.service").read_text().replace("/usr/bin/noonmark", sys.executable)
    unit = tmp_path / f"{service}.service"
    unit.write_text(text)
    told = subprocess.run([ANALYZE or "", "verify", str(unit)], capture_output=True, text=True, check=False, timeout=60)
    ours = [line for line in told.stderr.splitlines() if service in line]
    assert (told.returncode, ours) == (0, [])


@analyze
@pytest.mark.processes
@pytest.mark.parametrize("drop_in", sorted(path.name for path in UNITS.glob("agent-*.conf")))
def test_systemd_finds_no_fault_in_the_drop_ins_for_agents(tmp_path: Path, drop_in: str) -> None:
    """As INSTALL.md has them put beside the unit; a misspelt line of a drop-in is told, as the last assertion shows."""

    def verify(extra: str) -> tuple[int, list[str]]:
        folder = tmp_path / "noonmark-agent.service.d"
        folder.mkdir(exist_ok=True)
        (folder / drop_in).write_text(extra)
        unit = tmp_path / "noonmark-agent.service"
        unit.write_text((UNITS / unit.name).read_text().replace("/usr/bin/noonmark", sys.executable))
        command = [ANALYZE or "", "verify", "--man=no", str(unit)]
        told = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
        return told.returncode, [line for line in told.stderr.splitlines() if "noonmark" in line]

    text = (UNITS / drop_in).read_text()
    assert verify(text) == (0, [])
    assert drop_in in " ".join(verify(text + "\nStateDirectoryMood=0700\n")[1])


@pytest.mark.parametrize("service", SERVICES)
def test_units_are_watched_and_bounded(service: str) -> None:
    parser = configparser.ConfigParser(strict=False, interpolation=None)
    parser.read(UNITS / f"{service}.service")
    assert set(parser.sections()) == {"Unit", "Service", "Install"}
    found = settings(UNITS / f"{service}.service")
    assert (found["Type"], found["NotifyAccess"]) == (["notify"], ["main"])
    for bound in ("WatchdogSec", "MemoryMax", "TasksMax", "LimitNOFILE", "CPUWeight"):
        assert found[bound], bound
    assert found["DynamicUser"] == ["yes"]
    assert found["CapabilityBoundingSet"] == [""]


def test_the_agent_may_read_the_kernels_clock_and_not_set_it() -> None:
    """adjtimex(2) to read needs no capability; ProtectClock's filter forbids it all the same (systemd.exec(5))."""
    found = settings(UNITS / "noonmark-agent.service")
    assert "ProtectClock" not in found
    assert found["SystemCallFilter"][-1] == "adjtimex clock_adjtime", "after the lists that take it away"
    assert not any("clock_settime" in line or "@clock" in line for line in found["SystemCallFilter"])
    assert settings(UNITS / "noonmark-collector.service")["ProtectClock"] == ["yes"]

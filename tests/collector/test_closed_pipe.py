"""Commands whose output nobody reads any more end as other filters do: silently, with the exit code of SIGPIPE.

Outside check: coreutils' `yes` in the same pipe, as bash reports it.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
from pathlib import Path

import pytest

from noonmark.collector.closed_pipe import EXIT_CODE, quiet_when_nobody_reads
from noonmark.collector.write_behind import write_whole

NOONMARK = f"{sys.executable} -m noonmark.collector.cli"
pytestmark = pytest.mark.processes


def piped(command: str, folder: Path, *, unbuffered: bool = False) -> subprocess.CompletedProcess[str]:
    """Run `command | head -n 1` under bash; its own exit code is the last line of the output."""
    script = f'{command} | head -n 1 >/dev/null; echo "${{PIPESTATUS[0]}}"'
    environment = {**os.environ, "PYTHONUNBUFFERED": "1" if unbuffered else ""}
    return subprocess.run(
        ["bash", "-c", script], cwd=folder, env=environment, capture_output=True, text=True, timeout=60, check=True
    )


def test_it_is_what_a_shell_tells_of_a_filter(tmp_path: Path) -> None:
    assert piped("yes", tmp_path).stdout.strip() == str(EXIT_CODE)


@pytest.mark.parametrize(("option", "unbuffered"), [("--strict", True), ("--json", False)])
def test_order_ends_silently(tmp_path: Path, option: str, *, unbuffered: bool) -> None:
    lines = "".join(f"2026-11-25T06:{k // 60 % 60:02}:{k % 60:02}Z {'x' * 200}\n" for k in range(3000))
    for name in ("a", "b"):
        (tmp_path / f"{name}.log").write_text(lines)
    found = piped(f"{NOONMARK} order a=a.log b=b.log --raw {option}", tmp_path, unbuffered=unbuffered)
    assert (found.stdout.strip(), found.stderr) == (str(EXIT_CODE), "")


def test_simulate_ends_silently(tmp_path: Path) -> None:
    found = piped(f"{NOONMARK} simulate --hosts 20 --seconds 60 --out -", tmp_path)
    assert (found.stdout.strip(), found.stderr) == (str(EXIT_CODE), "")


def test_what_is_still_buffered_at_the_end_is_no_trouble_either(tmp_path: Path) -> None:
    script = (
        "import sys; from noonmark.collector.closed_pipe import quiet_when_nobody_reads as quiet\n"
        "with quiet():\n    sys.stdin.readline(); print('x'); sys.exit(3)"
    )
    reader, writer = os.pipe()
    program = subprocess.Popen(
        [sys.executable, "-c", script],
        stdin=subprocess.PIPE,
        stdout=writer,
        stderr=subprocess.PIPE,
        cwd=tmp_path,
        env={**os.environ, "PYTHONUNBUFFERED": ""},
    )
    os.close(writer)
    os.close(reader)
    _, errors = program.communicate(b"\n", timeout=30)
    assert (program.returncode, errors) == (EXIT_CODE, b"")


def test_all_is_written_though_little_is_taken_at_a_time() -> None:
    class Slow(io.BytesIO):
        def write(self, data: bytes | memoryview) -> int:  # type: ignore[override]
            return super().write(bytes(data[:7]))

    taken = Slow()
    write_whole(taken, bytes(range(100)))
    assert taken.getvalue() == bytes(range(100))


def test_a_broken_connection_to_anybody_else_stays_an_error() -> None:
    with pytest.raises(BrokenPipeError), quiet_when_nobody_reads():
        raise BrokenPipeError

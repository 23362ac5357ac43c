"""The real programs: every connection TLS, every probe authenticated, and a host shut out while they run."""

from __future__ import annotations

import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import pytest

from noonmark.agent.enrolment import enrol
from noonmark.collector.access import Role
from noonmark.collector.authority_folder import AuthorityFolder
from noonmark.collector.query_client import QueryClient
from noonmark.collector.query_errors import NobodyThere, NoData
from noonmark.proto.channels import Security
from noonmark.proto.options import HostPort
from noonmark.proto.tls_files import identity_files

pytestmark = [pytest.mark.sockets, pytest.mark.processes]
NOONMARK = [sys.executable, "-m", "noonmark.collector.cli"]
LIMIT = 45.0
PORT, TOKEN_PORT, PROBES, METRICS = 27621, 27624, 27620, 27622
OFFSETS = {"quay": 0, "skerry": 3_000_000, "holm": -2_000_000}


@contextmanager
def running(log: Path, *words: str | Path) -> Iterator[None]:
    with log.open("wb") as stream:
        process = subprocess.Popen([*NOONMARK, *map(str, words)], stdout=stream, stderr=stream)
    try:
        yield
    finally:
        process.terminate()
        process.wait(LIMIT)


def until_said(log: Path, words: str) -> None:
    deadline = time.monotonic() + LIMIT
    while words not in log.read_text():
        assert time.monotonic() < deadline, log.read_text()[-1000:]
        time.sleep(0.05)


def offsets_ns(reader: Security) -> dict[str, int | None]:
    try:
        with QueryClient(f"127.0.0.1:{PORT}", timeout_seconds=5, security=reader) as client:
            return {host.host: host.offset_ns for host in client.fleet().hosts}
    except (NoData, NobodyThere):
        return {}


def test_a_fleet_that_enrolled_is_measured_and_a_host_is_shut_out(tmp_path: Path) -> None:
    folder = AuthorityFolder.make(tmp_path / "authority", ["127.0.0.1"], time.time())

    def identity(name: str, role: Role) -> Path:
        token, _ = folder.new_token(name, role, time.time())
        enrol(HostPort("127.0.0.1", TOKEN_PORT), token, name, tmp_path / name)
        return tmp_path / name

    with ExitStack() as stack:
        serving = ("--listen", f"127.0.0.1:{PORT}", "--token-listen", f"127.0.0.1:{TOKEN_PORT}", "--http", "off")
        rest = ("--data", "off", "--reference", "quay", "--tick", "300ms", "--probe-interval", "100ms")
        log = tmp_path / "collector.log"
        stack.enter_context(running(log, "collector", "--authority", folder.path, *serving, *rest))
        until_said(log, "started")
        for number, (name, offset) in enumerate(OFFSETS.items(), 1):
            agent = (
                "agent",
                "--collector",
                f"127.0.0.1:{PORT}",
                "--host",
                name,
                "--identity",
                identity(name, Role.AGENT),
            )
            where = ("--bind", f"127.0.45.{number}:{PROBES}", "--metrics", f"127.0.45.{number}:{METRICS}")
            modes = (
                "--probe-authentication",
                "require",
                "--inject-offset",
                f"{offset}ns",
                "--report-interval",
                "200ms",
            )
            stack.enter_context(running(tmp_path / f"{name}.log", *agent, *where, *modes))
        reader = Security(identity_files(identity("anna", Role.READER)))
        deadline = time.monotonic() + LIMIT
        found: dict[str, int | None] = {}
        while not all(abs((found.get(host) or 0) - offset) < 200_000 for host, offset in OFFSETS.items()):
            assert time.monotonic() < deadline, found
            time.sleep(0.1)
            found = offsets_ns(reader)
        with urllib.request.urlopen(f"http://127.0.45.1:{METRICS}/metrics", timeout=LIMIT) as answer:
            text = answer.read().decode()
        assert "noonmark_agent_peers_authenticated 2" in text
        assert "noonmark_agent_certificate_expiry_timestamp_seconds" in text
        with pytest.raises(NobodyThere), QueryClient(f"127.0.0.1:{PORT}", timeout_seconds=5) as stranger:
            stranger.span()
        folder.refuse("holm")
        until_said(tmp_path / "holm.log", "agent holm is not admitted any more")

"""What `noonmark check` says: each matter in its states, the table's width, and the whole command on this host."""

from __future__ import annotations

import asyncio
import datetime
import http.server
import json
import os
import random
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from click.testing import CliRunner

from noonmark.agent import check, check_host
from noonmark.agent.check import Check, Running, StampTrial, Verdict
from noonmark.agent.cli_check import check as command
from noonmark.agent.clocks import SystemClock
from noonmark.agent.endpoint import Endpoint
from noonmark.agent.stamp import ReflectorPacket, decode_sender, encode_reflector
from noonmark.agent.timestamps import encode_ntp
from noonmark.proto.options import HostPort
from noonmark.proto.reference import KernelClock, Leap

OK, WARNING, FAULT, SKIPPED = Verdict.OK, Verdict.WARNING, Verdict.FAULT, Verdict.SKIPPED


def kernel(*, synchronized: bool) -> KernelClock:
    return KernelClock(synchronized, 21_000_000, 4_000_000, 0.0, 0, Leap.NONE, 37, 0)


@pytest.mark.parametrize(
    ("trial", "verdict", "words"),
    [
        (StampTrial("receive and transmit", 1, 1, 1, 1), OK, "as they leave"),
        (StampTrial("receive only", 20, 20, 20, 0), WARNING, "only what comes"),
        (StampTrial("none", 20, 20, 0, 0), WARNING, "stamps nothing"),
        (StampTrial("receive and transmit", 20, 0, 0, 20), FAULT, "of 20 datagrams to this host itself 0"),
        (StampTrial("", error="Operation not permitted"), FAULT, "Operation not permitted"),
    ],
)
def test_stamps(trial: StampTrial, verdict: Verdict, words: str) -> None:
    told = check.stamps(trial)
    assert told.verdict is verdict
    assert words.lower() in told.text.lower()
    assert bool(told.remedy) is (verdict is not OK)


def test_clock() -> None:
    assert check.clock(kernel(synchronized=True)).text == (
        "The clock is kept, and off by at most 21 ms, the kernel says."
    )
    assert check.clock(kernel(synchronized=False)).verdict is WARNING
    assert check.clock(None).verdict is WARNING


def verdicts(checks: list[Check]) -> dict[str, Verdict]:
    return {item.name: item.verdict for item in checks}


def test_agent_peers_and_whether_others_reach_it() -> None:
    port = "0.0.0.0:18620"
    assert verdicts(check.agent(Running(False, True), port)) == {"agent": WARNING}
    assert verdicts(check.agent(Running(False, False), port)) == {"agent": FAULT}
    assert verdicts(check.agent(Running(False, False, error="no such address"), port)) == {"agent": FAULT}
    assert verdicts(check.agent(Running(True, False), port)) == {"agent": OK, "peers": SKIPPED}
    for sent, answered, reflected, peers, reached in (
        (100, 98, 50, OK, OK),
        (100, 20, 50, WARNING, OK),
        (100, 0, 0, FAULT, WARNING),
    ):
        numbers = {"probes_sent": sent, "probes_completed": answered, "requests_reflected": reflected}
        told = check.agent(Running(True, False, {k: float(v) for k, v in numbers.items()}), port)
        assert verdicts(told) == {"agent": OK, "peers": peers, "reached": reached}
    idle = check.agent(Running(True, False, {"probes_sent": 0.0}, "The agent has no collector."), port)
    assert idle[-1].text == "The agent has no collector."


@pytest.mark.parametrize(
    ("days", "begins", "verdict"), [(90, -1, OK), (5, -85, WARNING), (-2, -92, FAULT), (90, 0.5, FAULT)]
)
def test_certificate_dates(days: float, begins: float, verdict: Verdict) -> None:
    told = check.certificate("This host's certificate", days, begins, "Jan  1 00:00:00 2027 GMT")
    assert told.verdict is verdict


RULES = """table inet filter {
\tchain input {
\t\ttype filter hook input priority filter; policy %s;
\t\tct state established,related accept
\t\t%s
\t}
}"""


def test_firewall_hints() -> None:
    assert check.firewall(None, 18620, reason="that needs root").verdict is SKIPPED
    assert check.firewall("", 18620).verdict is OK
    assert check.firewall(RULES % ("accept", ""), 18620).verdict is OK
    assert check.firewall(RULES % ("drop", "tcp dport 22 accept"), 18620).verdict is WARNING
    assert check.firewall(RULES % ("drop", "udp dport 18620 accept"), 18620).verdict is OK


def test_devices_and_descriptors_and_collectors() -> None:
    assert check.device("/dev/pps0", exists=False, readable=False).verdict is FAULT
    told = check.device("/dev/pps0", exists=True, readable=False, owner="root:dialout (mode 640)")
    assert (told.verdict, "root:dialout" in told.text) == (FAULT, True)
    assert check.device("/dev/pps0", exists=True, readable=True).verdict is OK
    assert [check.descriptors(limit).verdict for limit in (255, 256)] == [FAULT, OK]
    assert check.collector("a:1", serving=True).verdict is OK
    assert check.collector("a:1", serving=False, error="Connection refused").verdict is FAULT


def test_the_table_reads_at_eighty_columns_and_tells_what_to_do() -> None:
    found = [
        Check(
            "stamps", WARNING, "The kernel stamps nothing: stamps are the program's, late by its waiting.", "x" * 100
        ),
        Check("certificate", OK, "word " * 60, "never shown"),
        Check("peer", FAULT, "192.0.2.7:18620 answered none of 5 probes.", "Does an agent run there?"),
    ]
    lines = check.table(found).splitlines()
    assert all(len(line) <= 80 for line in lines)
    assert lines[0].startswith("warning  stamps       The kernel")
    assert any(line.strip() == "→ Does an agent run there?" for line in lines)
    assert not any("never shown" in line for line in lines)
    document = check.document("quay-gate-1", found)
    assert (document["schema"], document["ok"]) == ("noonmark.check/1", False)
    json.dumps(document)


@contextmanager
def reflecting() -> Iterator[HostPort]:
    """An agent's endpoint on loopback, in a thread of its own."""
    ready, stop = threading.Event(), threading.Event()
    found: list[tuple[str, int]] = []

    async def serve() -> None:
        endpoint = Endpoint(
            binds=[("127.0.0.1", 0)],
            clock=SystemClock(),
            on_records=lambda _: None,
            on_clock_event=lambda _: None,
            rng=random.Random(1),
        )
        await endpoint.start()
        found.extend(endpoint.addresses)
        ready.set()
        while not stop.is_set():
            await asyncio.sleep(0.01)
        await endpoint.close()

    thread = threading.Thread(target=lambda: asyncio.run(serve()))
    thread.start()
    ready.wait(10)
    try:
        yield HostPort(*found[0])
    finally:
        stop.set()
        thread.join(10)


@pytest.mark.sockets
def test_this_host_and_a_peer_that_answers() -> None:
    trial = check_host.try_stamps()
    assert trial.received == trial.sent
    assert (trial.receive_stamps > 0, trial.transmit_stamps > 0) == (True, True), "Linux, and no sandbox"
    with reflecting() as address:
        assert check_host.probe(address).verdict is OK
        running = check_host.running_agent(address, None)
        assert (running.answers, running.bindable) == (True, False)
    assert check_host.probe(address).verdict is FAULT, "gone"
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as mute:
        mute.bind(("127.0.0.1", 0))
        running = check_host.running_agent(HostPort(*mute.getsockname()), None)
        assert (running.answers, running.bindable) == (False, False)
    assert check_host.running_agent(HostPort("192.0.2.1", 18620), None).error


@pytest.mark.sockets
def test_a_peer_that_looks_at_its_sockets_seldom_answers_all_and_its_delay_is_no_round_trip() -> None:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as seldom:
        seldom.bind(("127.0.0.1", 0))

        def answer() -> None:
            asked = [(*seldom.recvfrom(2048), time.time_ns()) for _ in range(check_host.TRIES)]
            time.sleep(0.55)
            for data, place, arrived_ns in reversed(asked):
                asking = decode_sender(data)
                now = encode_ntp(time.time_ns())
                reply = ReflectorPacket(
                    7, now, asking.error_estimate, asking.session_id, encode_ntp(arrived_ns), *asking[:3], 64
                )
                seldom.sendto(encode_reflector(reply), place)

        thread = threading.Thread(target=answer)
        thread.start()
        told = check_host.probe(HostPort(*seldom.getsockname()))
        thread.join()
    assert told.verdict is OK, told.text
    assert float(told.text.split("soonest in ")[1].split()[0]) < 100, told.text


class Pages(http.server.BaseHTTPRequestHandler):
    """An agent's pages, as far as they are read here."""

    def do_GET(self) -> None:
        known = {
            "/metrics": "# HELP x\nnoonmark_agent_probes_sent_total 10.0\nnoonmark_agent_probes_completed_total 9.0\n"
        }
        body = known.get(self.path, "").encode()
        self.send_response(200 if body else 503)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Quiet."""


@pytest.mark.sockets
def test_a_running_agents_own_numbers_are_read_and_known_also_where_it_answers_no_strangers() -> None:
    with http.server.HTTPServer(("127.0.0.1", 0), Pages) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        metrics = HostPort("127.0.0.1", server.server_port)
        try:
            with reflecting() as address:
                running = check_host.running_agent(address, metrics)
            assert running.metrics == {"probes_sent": 10.0, "probes_completed": 9.0}
            assert running.not_ready == "The agent has no collector."
            with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as mute:
                mute.bind(("127.0.0.1", 0))
                where = HostPort(*mute.getsockname())
                assert not check_host.running_agent(where, metrics).answers
                assert check_host.running_agent(where, metrics, answers_strangers=False).metrics == running.metrics
        finally:
            server.shutdown()
            thread.join(10)


@pytest.mark.sockets
def test_the_command_tells_faults_by_its_exit_code_and_as_json(tmp_path: Path) -> None:
    bind = ["--bind", "127.0.0.1:0", "--metrics", "off", "--json"]
    told = CliRunner().invoke(command, ["--collector", "127.0.0.1:1", "--host", "quay-gate-1", *bind])
    document = json.loads(told.output)
    found = {item["check"]: item for item in document["checks"]}
    assert (told.exit_code, document["host"], document["ok"]) == (1, "quay-gate-1", False)
    assert found["collector"]["verdict"] == "fault"
    assert "refused" in found["collector"]["text"]
    assert found["settings"]["verdict"] == "ok"
    told = CliRunner().invoke(command, [*bind, "--peer", "127.0.0.1:9"])
    found = {item["check"]: item for item in json.loads(told.output)["checks"]}
    assert found["peer"]["text"].startswith("127.0.0.1:9 answered none"), "peers are asked whatever the settings are"
    assert (told.exit_code, found["settings"]["verdict"]) == (1, "fault")
    assert "--collector" in found["settings"]["text"]
    told = CliRunner().invoke(command, ["--collector", "127.0.0.1:1", "--peer", "not a host", *bind])
    assert (told.exit_code, "--peer" in told.output) == (2, True)


def test_dates_of_a_real_certificate(tmp_path: Path) -> None:
    """Made with the general-purpose library cryptography, read with the standard library."""
    x509 = pytest.importorskip("cryptography.x509")
    from cryptography.hazmat.primitives import hashes
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.hazmat.primitives.serialization import Encoding

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "quay-gate-1")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(7)
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=5, hours=1))
        .sign(key, hashes.SHA256())
    )
    path = tmp_path / "own.pem"
    path.write_bytes(made.public_bytes(Encoding.PEM))
    told = check_host._certificate(path, "This host's certificate", None)
    assert told.verdict is WARNING
    assert f"ends in 5.0 days, at {now + datetime.timedelta(days=5, hours=1):%Y-%m-%d %H:%M} UTC" in told.text
    (tmp_path / "none.pem").write_text("nothing")
    assert check_host._certificate(tmp_path / "none.pem", "It", None).verdict is FAULT


def test_devices_are_looked_at(tmp_path: Path) -> None:
    from dataclasses import replace

    from noonmark.agent.cli_check import _defaults
    from noonmark.agent.reference_config import Device, ReferenceConfig

    present = tmp_path / "pps0"
    present.touch()
    config = replace(_defaults(), reference=ReferenceConfig(pps=(Device(str(present)), Device(str(tmp_path / "pps1")))))
    assert [item.verdict for item in check_host.devices(config)] == [OK, FAULT]
    assert os.access(present, os.R_OK)

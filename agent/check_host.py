"""Looks at this host for `noonmark check`: sockets, kernel, files, the running agent, the collectors. Rim.

Every look is bounded in time and raises nothing: what could not be seen is part of what is told.
"""

from __future__ import annotations

import grp
import os
import pwd
import random
import resource
import select
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

from noonmark.agent import check
from noonmark.agent.card_stamps import Card, judge, stamping_cards
from noonmark.agent.check import Check, Running, StampTrial
from noonmark.agent.config import AgentConfig
from noonmark.agent.kernel_clock import read_kernel_clock
from noonmark.agent.stamp import SenderPacket, decode_reflector, encode_sender, is_request
from noonmark.agent.timestamping import StampedSocket
from noonmark.agent.timestamps import decode_timestamp, encode_error_estimate, encode_ntp
from noonmark.proto.options import HostPort
from noonmark.proto.tls_files import TlsFileProblem, TlsFiles

TRIES = 5
STAMP_TRIES = 20
STAMP_PAUSE = 0.02
ANSWER_WITHIN = 0.5
PEER_ANSWERS_WITHIN = 1.5
"""Seconds: an agent looks at its sockets twice a second (rounds.py), and half the world's round takes 0.3."""
COLLECTOR_WITHIN = 5.0
PAGE_WITHIN = 3.0
SERVING = b"\x08\x01"
"""grpc.health.v1.HealthCheckResponse with the status SERVING."""


def look(config: AgentConfig, peers: Iterable[HostPort] = ()) -> Iterator[Check]:
    """Everything that can be said of this host, as it is found."""
    yield check.stamps(try_stamps())
    yield card_stamps(wanted=config.card_stamps != "off")
    yield check.clock(read_kernel_clock())
    yield check.descriptors(resource.getrlimit(resource.RLIMIT_NOFILE)[0])
    bind = config.bind[0]
    # An agent that answers authenticated probes only is known by its pages.
    secret = config.probe_authentication == "require"
    yield from check.agent(running_agent(bind, config.metrics, answers_strangers=not secret), str(bind))
    rules, reason = _rules()
    yield check.firewall(rules, bind.port, reason=reason)
    for address in peers:
        yield probe(address)
    for where in config.collector:
        yield ask_collector(where, config)
    yield from certificates(config)
    yield from devices(config)


def try_stamps() -> StampTrial:
    """Send a few datagrams to this host itself, and count the kernel's stamps of them."""
    try:
        one, other = StampedSocket[int]("127.0.0.1", 0), StampedSocket[int]("127.0.0.1", 0)
    except OSError as error:
        return StampTrial("", error=error.strerror or str(error))
    sent = received = receive_stamps = transmit_stamps = 0
    try:
        # The kernel begins to stamp a moment after the first socket of the host asks for it.
        while sent < STAMP_TRIES and not (receive_stamps and transmit_stamps):
            one.send([(b"noonmark", other.address, sent, None)])
            sent += 1
            select.select([other.fileno()], [], [], ANSWER_WITHIN)
            for message in other.receive():
                received += 1
                receive_stamps += bool(message[2])
            transmit_stamps += len(one.transmit_stamps())
            time.sleep(STAMP_PAUSE)
        return StampTrial(one.stamping.value, sent, received, receive_stamps, transmit_stamps)
    except OSError as error:
        return StampTrial(one.stamping.value, error=error.strerror or str(error))
    finally:
        one.close()
        other.close()


def card_stamps(*, wanted: bool, look: Callable[[], Sequence[Card]] = stamping_cards) -> Check:
    """Ask the kernel whether a card stamps."""
    found = judge(look())
    readable = bool(found.path) and os.access(found.path, os.R_OK)
    return check.card_stamps(found.path, found.text, wanted=wanted, readable=readable)


def _reachable(address: str) -> str:
    """An address of this host itself at which what is bound to `address` answers."""
    return {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(address, address)


def running_agent(bind: HostPort, metrics: HostPort | None, *, answers_strangers: bool = True) -> Running:
    """Whether an agent runs at `bind`, and what its pages at `metrics` tell."""
    family = socket.AF_INET6 if ":" in bind.host else socket.AF_INET
    try:
        with socket.socket(family, socket.SOCK_DGRAM) as trial:
            trial.bind((bind.host, bind.port))
        return Running(answers=False, bindable=True)
    except OSError as error:
        if error.errno != 98:  # EADDRINUSE is what a running agent looks like
            return Running(answers=False, bindable=False, error=error.strerror or str(error))
    _, answered, _, _ = _exchange(HostPort(_reachable(bind.host), bind.port), tries=2)
    where = HostPort(_reachable(metrics.host), metrics.port) if metrics is not None else None
    text = _page(where, "/metrics") if where is not None else ""
    if not answers_strangers and "noonmark_agent_" in text:
        answered = 1
    if where is None or not answered:
        return Running(answers=bool(answered), bindable=False)
    ready = _page(where, "/readyz")
    return Running(True, False, _counters(text) if text else None, "" if ready else "The agent has no collector.")


def _page(where: HostPort, path: str) -> str:
    """By HTTP, or by HTTPS where that is what is spoken there: it is this host's own page, whatever its certificate."""
    for scheme in ("http", "https"):
        found = _fetched(f"{scheme}://{where}{path}")
        if found:
            return found
    return ""


def _fetched(address: str) -> str:
    import ssl

    anyone = ssl.create_default_context()
    anyone.check_hostname = False
    anyone.verify_mode = ssl.CERT_NONE
    try:
        with urllib.request.urlopen(address, timeout=PAGE_WITHIN, context=anyone) as answer:
            return str(answer.read(1 << 20).decode())
    except (OSError, ValueError, urllib.error.URLError):
        return ""


def _counters(text: str) -> dict[str, float]:
    found = {}
    for line in text.splitlines():
        name, _, value = line.partition(" ")
        if name.startswith("noonmark_agent_") and "{" not in name:
            found[name.removeprefix("noonmark_agent_").removesuffix("_total")] = float(value)
    return found


def probe(address: HostPort) -> Check:
    """Send one host a few probes (STAMP, RFC 8762) and count its answers."""
    sent, answered, round_trip_ns, error = _exchange(address)
    return check.peer(str(address), sent, answered, round_trip_ns, error)


def _exchange(address: HostPort, tries: int = TRIES) -> tuple[int, int, int | None, str]:
    """Probes sent and answered, the least round trip without the time in the reflector, and why there was none."""
    try:
        (family, _, _, _, name), *_ = socket.getaddrinfo(address.host, address.port, type=socket.SOCK_DGRAM)
    except OSError as error:
        return tries, 0, None, error.strerror or str(error)
    round_trips, started, reason = dict[int, int](), dict[int, int](), "no answer came"
    estimate = encode_error_estimate(0, synchronized=False)
    session = random.SystemRandom().randrange(1, 1 << 16)
    with socket.socket(family, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(name)
            for number in range(tries):
                started[number] = time.perf_counter_ns()
                asking.send(encode_sender(SenderPacket(number, encode_ntp(time.time_ns()), estimate, session)))
            deadline = time.monotonic() + PEER_ANSWERS_WITHIN
            while len(round_trips) < tries and (left := deadline - time.monotonic()) > 0:
                asking.settimeout(left)
                data = asking.recv(2048)
                took = time.perf_counter_ns()
                reply = _reply(data)
                if reply is not None and reply[0] in started:
                    round_trips.setdefault(reply[0], max(0, took - started[reply[0]] - reply[1]))
        except TimeoutError:
            pass
        except OSError as error:
            reason = error.strerror or str(error)
    answered, soonest = len(round_trips), min(round_trips.values(), default=None)
    return tries, answered, soonest, "" if answered else reason


def _reply(data: bytes) -> tuple[int, int] | None:
    """Which of the probes a packet answers, and how long the reflector had it (ns); None if it answers none."""
    if len(data) < 44 or is_request(data):
        return None
    reply, now_ns = decode_reflector(data), time.time_ns()
    arrived, left = (
        decode_timestamp(stamp, reply.error_estimate, now_ns) for stamp in (reply.receive_timestamp, reply.timestamp)
    )
    return reply.sender_sequence, left - arrived


def ask_collector(where: HostPort, config: AgentConfig) -> Check:
    """Ask one collector's health service."""
    import grpc  # only here: everything else is told without it

    from noonmark.proto.channels import Security, credentials, distrusted

    address = str(where)
    security = Security(
        config.tls, config.tls_collector_name, plaintext_beyond_loopback=config.plaintext_beyond_loopback
    )
    try:
        security.target(where.host)
        options = [("grpc.enable_http_proxy", 0), ("grpc.enable_retries", 0), *security.options()]
        channel = (
            grpc.insecure_channel(address, options=options)
            if config.tls is None
            else grpc.secure_channel(address, credentials(config.tls.read()), options=options)
        )
    except TlsFileProblem as problem:
        return check.collector(address, serving=False, error=str(problem), remedy="See the line on certificates.")
    with channel:
        ask: grpc.UnaryUnaryMultiCallable[bytes, bytes] = channel.unary_unary("/grpc.health.v1.Health/Check")
        try:
            serving = ask(b"", timeout=COLLECTOR_WITHIN) == SERVING
        except grpc.RpcError as error:
            details = error.details() or error.code().name
            if distrusted(details):
                remedy = "Are authority and names of both certificates as they should be, and this host's clock?"
                return check.collector(address, serving=False, error="its certificate is not believed", remedy=remedy)
            return check.collector(address, serving=False, error=_short(details))
    return check.collector(address, serving=serving, error="it answers, and says that it does not serve")


def _short(details: str) -> str:
    """gRPC's words without its addresses and internals."""
    return details.rsplit(": ", 1)[-1].strip() or details


def certificates(config: AgentConfig) -> Iterator[Check]:
    """Every certificate that the settings name."""
    named: dict[Path, str] = {}
    if config.tls is not None:
        named[config.tls.authority] = "The authority's certificate"
        if config.tls.certificate is not None:
            named[config.tls.certificate] = "This host's certificate"
    if config.metrics_certificate is not None:
        named.setdefault(config.metrics_certificate, "The certificate of the metrics")
    for path, what in named.items():
        yield _certificate(path, what, config.tls)
    if not named:
        text = "None is named: connections beyond this host are refused, or plain."
        yield Check("certificate", check.Verdict.SKIPPED, text)


def _certificate(path: Path, what: str, files: TlsFiles | None) -> Check:
    import ssl

    if files is not None:
        try:
            files.read()
        except TlsFileProblem as problem:
            return Check(
                "certificate", check.Verdict.FAULT, f"{problem}.", "The agent does not start with these files."
            )
    try:
        # The standard library's own reader of dates, which has no public name; without it nothing is said.
        decoded = ssl._ssl._test_decode_cert(str(path))  # type: ignore[attr-defined]
        ends, begins = (ssl.cert_time_to_seconds(decoded[key]) for key in ("notAfter", "notBefore"))
    except (AttributeError, OSError, ValueError) as error:
        return Check("certificate", check.Verdict.FAULT, f"{path}: cannot be read: {error}.", "Give a PEM file.")
    now = time.time()
    until = f"{time.strftime('%Y-%m-%d %H:%M', time.gmtime(ends))} UTC"
    return check.certificate(what, (ends - now) / 86_400, (begins - now) / 86_400, until)


def _rules() -> tuple[str | None, str]:
    """nftables' rules, or None and why they cannot be had."""
    try:
        told = subprocess.run(
            ["nft", "-n", "list", "ruleset"], capture_output=True, text=True, timeout=PAGE_WITHIN, check=False
        )
    except (OSError, subprocess.TimeoutExpired):
        return None, "there is no nft here"
    return (told.stdout, "") if told.returncode == 0 else (None, "that needs root")


def devices(config: AgentConfig) -> Iterator[Check]:
    """Every device of a reference."""
    reference = config.reference
    paths = [place.where for place in reference.nmea if place.kind in ("serial", "file")]
    paths += [item.path for item in (*reference.pps, *reference.phc)]
    for path in paths:
        found = Path(path)
        exists = found.exists()
        yield check.device(
            path, exists=exists, readable=exists and os.access(path, os.R_OK), owner=_owner(found) if exists else ""
        )


def _owner(path: Path) -> str:
    status = path.stat()
    try:
        user, group = pwd.getpwuid(status.st_uid).pw_name, grp.getgrgid(status.st_gid).gr_name
    except KeyError:
        user, group = str(status.st_uid), str(status.st_gid)
    return f"{user}:{group} (mode {status.st_mode & 0o777:o})"

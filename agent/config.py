"""The agent's settings. Pure: layers of strings in, a frozen AgentConfig out; proto/options.py merges the layers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from noonmark.agent import reference_config
from noonmark.agent.reference_config import ReferenceConfig
from noonmark.proto import plaintext, tls_options
from noonmark.proto.control import AUTHENTICATION
from noonmark.proto.convert import MAX_NAME_LENGTH
from noonmark.proto.logs import FORMATS, LEVELS
from noonmark.proto.options import (
    ConfigError,
    HostPort,
    Option,
    Setting,
    host_port,
    one_of,
    or_off,
    span_between,
    span_ns,
    whole_number,
)
from noonmark.proto.tls_files import TlsFiles

PREFIX = "NOONMARK_AGENT"
PROBE_PORT = 18620
"""UDP. Above 1023, so no privilege is needed; STAMP's own 862 (RFC 8762 section 4.1) can be chosen with --bind."""
COLLECTOR_PORT = 18621
METRICS_PORT = 18622


def _host(text: str) -> str:
    if not 0 < len(text) <= MAX_NAME_LENGTH or not text.isprintable() or "," in text:
        raise ValueError(f"use 1 to {MAX_NAME_LENGTH} printable characters without commas")
    return text


def _drift(text: str) -> float:
    try:
        value = float(text.removesuffix("ppm")) * (1e-6 if text.endswith("ppm") else 1.0)
    except ValueError:
        raise ValueError("use seconds per second, or a number followed by ppm, such as -12.5ppm") from None
    if not abs(value) <= 0.1:
        raise ValueError("use a drift between -0.1 and 0.1 (100000ppm)")
    return value


OPTIONS = (
    Option("host", "Name of this host, unique in the fleet.", _host, None, "NAME", shown_default="the host's own name"),
    Option(
        "collector",
        f"Collector to report to; repeat for stand-ins, tried in turn. Port {COLLECTOR_PORT} unless given.",
        host_port(COLLECTOR_PORT),
        (),
        "HOST[:PORT]",
        many=True,
    ),
    Option(
        "bind",
        "Numeric address and UDP port to probe from and to answer on; repeat for several.",
        host_port(PROBE_PORT),
        (HostPort("0.0.0.0", PROBE_PORT), HostPort("::", PROBE_PORT)),
        "ADDRESS[:PORT]",
        many=True,
    ),
    Option(
        "announce",
        "Address and port at which others reach this host, where it is not the bound one (address translation).",
        host_port(PROBE_PORT),
        (),
        "ADDRESS[:PORT]",
        many=True,
        shown_default="as bound; for 0.0.0.0 and [::] the address that leads to the collector",
    ),
    Option("zone", "Where the host is: hosts of one zone are near each other.", default="", metavar="NAME"),
    Option("role", "What the host is for; shown beside its name.", default="", metavar="NAME"),
    Option(
        "metrics",
        "Where to serve /time, /metrics, /healthz, /livez and /readyz; `off` for nowhere.",
        or_off(host_port(METRICS_PORT)),
        HostPort("127.0.0.1", METRICS_PORT),
        "ADDRESS:PORT|off",
    ),
    Option(
        "time-record",
        "Keep a record for programs on this host, in this file: what the reference time is, how sure, within which "
        "limits (mapped; see noonmark/proto/time_record.py).",
        or_off(str),
        None,
        "FILE|off",
        shown_default="off",
    ),
    Option(
        "time-socket",
        "Answer GET /time on this Unix socket too; with metrics on, /time is there anyway.",
        or_off(str),
        None,
        "PATH|off",
        shown_default="off",
    ),
    Option(
        "card-stamps",
        "Time stamps of the network card on probes: `auto` uses them where this host's cards stamp already, all by one "
        "clock that can be read (/dev/ptpN); no card's mode is switched. Not verified on hardware yet: see "
        "deploy/REFERENCES.md.",
        one_of("off", "auto"),
        "off",
        "off|auto",
    ),
    Option("report-interval", "Mean time between reports.", span_between("50ms", "1min"), 5.0, "SPAN"),
    Option("keep", "Records are kept so long while no collector takes them.", span_between("1s", "1d"), 600.0, "SPAN"),
    Option("keep-mib", "Memory for records that wait; the oldest give way.", whole_number(1, 4096), 8, "MIB"),
    tls_options.IDENTITY,
    *tls_options.FILES,
    Option(
        "tls-collector-name",
        "Name that the collector's certificate must have, where it is not the one given with --collector.",
        default="",
        metavar="NAME",
    ),
    Option(
        "probe-authentication",
        "Probes with an HMAC (RFC 8762), by keys that the collector hands out over TLS: `accept` uses them where the "
        "other host can and answers plain probes too, `require` sends and answers no others, `off` uses none.",
        one_of(*AUTHENTICATION),
        "accept",
        "off|accept|require",
    ),
    Option(
        "metrics-certificate",
        "PEM file of the certificate (and chain) for --metrics; read again when it is renewed.",
        or_off(Path),
        None,
        "FILE|off",
        shown_default="off",
    ),
    Option("metrics-key", "PEM file of its key.", or_off(Path), None, "FILE|off", shown_default="off"),
    plaintext.OPTION,
    Option("log-level", "One of " + ", ".join(LEVELS) + ".", one_of(*LEVELS), "info", "LEVEL"),
    Option("log-format", "One of " + ", ".join(FORMATS) + ".", one_of(*FORMATS), "text", "FORMAT"),
    Option(
        "inject-offset",
        "For trials: act as if the clock were ahead by this; the host's own clock is not touched.",
        span_ns,
        0,
        "SPAN",
    ),
    Option("inject-drift", "For trials: act as if the clock gained this much.", _drift, 0.0, "RATIO|PPM"),
    Option(
        "inject-epoch",
        "For trials: instant of the host's own clock (ns since 1970) from which the injected drift counts.",
        whole_number(0, 1 << 62),
        None,
        "NS",
        shown_default="the start",
    ),
    Option(
        "inject-step",
        "For trials: act as if the clock were set by this (negative: back), each time that SIGUSR1 comes.",
        span_ns,
        0,
        "SPAN",
    ),
    Option(
        "inject-slew",
        "For trials: act as if the clock were moved by this (negative: back) at 500 ppm, each time that SIGUSR2 comes.",
        span_ns,
        0,
        "SPAN",
    ),
    *reference_config.OPTIONS,
)


@dataclass(frozen=True, slots=True)
class AgentConfig:
    """Effective settings; spans in seconds unless the name says otherwise."""

    host: str
    collector: tuple[HostPort, ...]
    bind: tuple[HostPort, ...]
    announce: tuple[HostPort, ...]
    zone: str
    role: str
    metrics: HostPort | None
    time_record: str | None
    time_socket: str | None
    card_stamps: str
    report_interval: float
    keep: float
    keep_mib: int
    identity: Path | None
    tls: TlsFiles | None
    tls_collector_name: str
    probe_authentication: str
    metrics_certificate: Path | None
    metrics_key: Path | None
    plaintext_beyond_loopback: bool
    log_level: str
    log_format: str
    inject_offset: int
    """Nanoseconds; positive: ahead."""
    inject_drift: float
    inject_epoch: int | None
    inject_step: int
    """Nanoseconds, at each SIGUSR1; positive: forward."""
    inject_slew: int
    """Nanoseconds, at each SIGUSR2, taken at `SLEW_RATE`; positive: forward."""
    bind_is_default: bool = False
    """Then a host without IPv6 is no fault."""
    reference: ReferenceConfig = field(default_factory=ReferenceConfig)

    @property
    def injects_error(self) -> bool:
        """Whether the clock is to be wrong on purpose."""
        return bool(self.inject_offset or self.inject_drift or self.inject_step or self.inject_slew)


def build(settings: Mapping[str, Setting], own_name: str) -> AgentConfig:
    """The configuration from merged settings. Raises ConfigError if a needed one is missing."""
    values: dict[str, Any] = {key: setting.value for key, setting in settings.items()}
    values["host"] = values["host"] or own_name
    if not values["collector"]:
        remedy = "say whom to report to: --collector HOST:PORT, NOONMARK_AGENT_COLLECTOR, or collector in the file"
        raise ConfigError("settings", "collector", "", remedy)
    for key in ("bind", "announce"):
        for address in values[key]:
            if not _numeric(address.host):
                source = settings[key].source
                raise ConfigError(source, key, str(address), "use a numeric address, not a name")
    _secure(values, settings)
    own = {key: value for key, value in values.items() if not key.startswith(reference_config.PREFIX)}
    return AgentConfig(
        **own,
        bind_is_default=settings["bind"].source == "default",
        reference=reference_config.build(values),
    )


TLS_REMEDY = "give --identity or --tls-certificate, --tls-key and --tls-authority"


def _secure(values: dict[str, Any], settings: Mapping[str, Setting]) -> None:
    """Put the files of TLS in the place of their settings, and refuse plain connections beyond this host."""
    values["tls"] = tls_options.tls_files(settings)
    for option in tls_options.FILES:
        del values[option.key]
    allowed = values["plaintext_beyond_loopback"]
    if values["tls"] is None:
        for collector in values["collector"]:
            source = settings["collector"].source
            plaintext.check(source, "collector", collector.host, collector, allowed=allowed, remedy=TLS_REMEDY)
        if values["probe_authentication"] == "require":
            source, remedy = settings["probe_authentication"].source, "keys come over TLS only: give --identity"
            raise ConfigError(source, "probe_authentication", "require", remedy)
    pair = [key for key in ("metrics_certificate", "metrics_key") if values[key] is not None]
    if len(pair) == 1:
        other = {"metrics_certificate": "metrics_key", "metrics_key": "metrics_certificate"}[pair[0]]
        raise ConfigError(settings[pair[0]].source, pair[0], str(values[pair[0]]), f"needs {other} beside it")
    if values["metrics"] is not None and not pair:
        source, remedy = settings["metrics"].source, "give --metrics-certificate and --metrics-key"
        plaintext.check(source, "metrics", values["metrics"].host, values["metrics"], allowed=allowed, remedy=remedy)


def _numeric(host: str) -> bool:
    return ":" in host or all(part.isdigit() for part in host.split("."))

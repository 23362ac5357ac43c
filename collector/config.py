"""The collector's settings. Pure: layers of strings in, a frozen CollectorConfig out; proto/options.py merges them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from noonmark.collector.budgets import BudgetRule, Budgets, parse_rule
from noonmark.collector.cadence import CadenceSettings
from noonmark.collector.estimate import Reference
from noonmark.collector.history_retention import Retention
from noonmark.proto import plaintext, tls_options
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

PREFIX = "NOONMARK_COLLECTOR"
REPORT_PORT = 18621
HTTP_PORT = 18623
TOKEN_PORT = 18624
LIMIT_IN_UNCERTAINTIES = 5.0
"""A reference that states an uncertainty and no limit is taken to err by no more than so many of them."""


def reference(text: str) -> Reference:
    """Parse `HOST`, `HOST=100ns` or `HOST=100ns/1us` (standard uncertainty, limit of its error)."""
    host, equals, numbers = text.partition("=")
    uncertainty, slash, limit = numbers.partition("/")
    if not host or (equals and not uncertainty) or (slash and not limit):
        raise ValueError("use HOST, HOST=UNCERTAINTY or HOST=UNCERTAINTY/LIMIT, such as quay-master=100ns/1us")
    if not equals:
        return Reference(host)
    uncertainty_ns = float(span_ns(uncertainty))
    limit_ns = float(span_ns(limit)) if slash else LIMIT_IN_UNCERTAINTIES * uncertainty_ns
    if not 0 <= uncertainty_ns <= limit_ns:
        raise ValueError("use an uncertainty that is not negative, and a limit that is not below it")
    return Reference(host, uncertainty_ns, limit_ns)


def data_place(text: str) -> Path | str:
    """A folder, or a database's URL as it is."""
    return text if is_database(text) else Path(text)


def database(text: str) -> str:
    """A database's URL as it is; raises ValueError for anything else."""
    if not is_database(text):
        raise ValueError("use postgresql://USER@HOST/DATABASE; the folder of a history in a file is set with --data")
    return text


def is_database(text: str) -> bool:
    """Whether it is a URL of PostgreSQL, and no folder."""
    return text.startswith(("postgresql://", "postgres://"))


OPTIONS = (
    Option(
        "listen",
        "Address and port for agents and questions (gRPC).",
        host_port(REPORT_PORT),
        HostPort("::", REPORT_PORT),
        "ADDRESS[:PORT]",
        shown_default=f"[::]:{REPORT_PORT} with TLS, 127.0.0.1:{REPORT_PORT} without",
    ),
    Option(
        "http",
        "Where to serve the page, /api/v1, /metrics, /healthz, /livez and /readyz; `off` for nowhere.",
        or_off(host_port(HTTP_PORT)),
        HostPort("127.0.0.1", HTTP_PORT),
        "ADDRESS:PORT|off",
    ),
    Option(
        "data",
        "Folder of the history and of what else is kept; `off` keeps nothing: only the present can be asked for. "
        "A database's URL is taken as --history.",
        or_off(data_place),
        None,
        "DIR|URL|off",
        shown_default="noonmark in the user's state folder",
    ),
    Option(
        "history",
        "Keep the history in a PostgreSQL database, and not in a file in --data. A password is better given in the "
        "environment or in ~/.pgpass than on the command line, where all users of the host can read it.",
        database,
        None,
        "postgresql://USER@HOST/DATABASE",
    ),
    Option(
        "keep-detail",
        "Keep every tick so long; what is older becomes line segments near to what was measured.",
        span_between("2h", "3650d"),
        Retention().detail_ns / 1e9,
        "SPAN",
        shown_default="30d",
    ),
    Option(
        "keep-thinned",
        "Keep those line segments so long; never shorter than the detail.",
        span_between("2h", "36500d"),
        Retention().thinned_ns / 1e9,
        "SPAN",
        shown_default="400d",
    ),
    Option(
        "reference",
        "Host whose clock is the reference, with its standard uncertainty and the limit of its error if known; repeat "
        "for several. An NTP server that agents ask is named ntp:ADDRESS. What a reference reports of itself can only "
        "make it less sure. Without a reference the fleet's weighted mean is the reference.",
        reference,
        (),
        "HOST[=U[/LIMIT]]",
        many=True,
    ),
    Option(
        "budget",
        "How far clocks may be off, for which hosts: a span (1ms), a ready-made name (database) or a name of your own "
        "(gates:5ms), then =zone:NAME, =role:NAME or =host:PATTERN, or nothing for every host; repeat for several, the "
        "closest counts.",
        parse_rule,
        (),
        "WHAT[=WHOM]",
        many=True,
    ),
    Option(
        "reported-references",
        "Take every host that reports a source of its own, and every NTP server that agents ask, as a reference too.",
        default=False,
        flag=True,
    ),
    Option("tick", "Time between two estimates.", span_between("100ms", "10min"), 5.0, "SPAN"),
    Option("window", "Estimates use the probes of so long.", span_between("2s", "1h"), 60.0, "SPAN"),
    Option("peers", "Each host probes so many others.", whole_number(2, 16), 8, "NUMBER"),
    Option("zone-peers", "At least so many of them in other zones.", whole_number(0, 8), 2, "NUMBER"),
    Option("probe-interval", "Mean time between two exchanges with a peer.", span_between("10ms", "1min"), 1.0, "SPAN"),
    Option(
        "fastest-interval",
        "Hosts in trouble, or close to their budget, are probed up to as often as this.",
        span_between("10ms", "1min"),
        None,
        "SPAN",
        shown_default="the probe interval: all are probed alike",
    ),
    Option(
        "slowest-interval",
        "Hosts whose clocks are steady are probed as seldom as this, and at least 12 times in a window.",
        span_between("10ms", "1min"),
        None,
        "SPAN",
        shown_default="the probe interval: all are probed alike",
    ),
    Option(
        "packet-budget",
        "Packets that a host may send in a second, its probes and its answers together.",
        whole_number(1, 1_000_000),
        None,
        "NUMBER",
        shown_default="twice what the probe interval takes",
    ),
    Option(
        "leave-after", "A host silent for so long is left out of the plan.", span_between("5s", "1d"), 120.0, "SPAN"
    ),
    Option("max-hosts", "More hosts than this are turned away.", whole_number(2, 1_000_000), 200_000, "NUMBER"),
    Option(
        "series-hosts",
        "Most hosts that get metrics of their own; of a larger fleet the worst only.",
        whole_number(0, 1_000_000),
        2_000,
        "NUMBER",
    ),
    Option(
        "authority",
        "Folder of the fleet's own authority, as `noonmark authority init` made it: stands for the three tls options, "
        "and hosts may enrol with one-time tokens.",
        or_off(Path),
        None,
        "DIR|off",
        shown_default="off",
    ),
    *tls_options.FILES,
    Option(
        "token-listen",
        "Address and port (gRPC over TLS) for those without a certificate: readers with a token, and hosts that enrol.",
        or_off(host_port(TOKEN_PORT)),
        None,
        "ADDRESS[:PORT]|off",
        shown_default=f"port {TOKEN_PORT} beside --listen where there are tokens or an authority, else off",
    ),
    Option(
        "reader-tokens",
        "File of readers' names and hashes of their tokens, as `noonmark token` writes it; read again when it changes.",
        or_off(Path),
        None,
        "FILE|off",
        shown_default="off",
    ),
    Option(
        "reader",
        "Name (DNS or common name) of a certificate that is a reader's, where the authority gives no noonmark: URIs; "
        "repeat for several.",
        metavar="NAME",
        default=(),
        many=True,
    ),
    Option("operator", "The same for operators.", metavar="NAME", default=(), many=True),
    Option(
        "refused",
        "File of names and certificates that are not admitted any more, one a line: a name, or sha256: and the "
        "certificate's fingerprint; read again when it changes.",
        or_off(Path),
        None,
        "FILE|off",
        shown_default="`refused` in the authority's folder, else off",
    ),
    Option(
        "probe-key-lifetime",
        "Hand out keys by which hosts authenticate probes, over TLS, and new ones so often; `off`: none.",
        or_off(span_between("10s", "30d")),
        86_400.0,
        "SPAN|off",
    ),
    Option(
        "probe-secret",
        "File of the secret from which they are derived, made if it is not there; give a standby collector the same.",
        or_off(Path),
        None,
        "FILE|off",
        shown_default="`probe-secret` in the authority's folder or the history's",
    ),
    plaintext.OPTION,
    Option("log-level", "One of " + ", ".join(LEVELS) + ".", one_of(*LEVELS), "info", "LEVEL"),
    Option("log-format", "One of " + ", ".join(FORMATS) + ".", one_of(*FORMATS), "text", "FORMAT"),
)


@dataclass(frozen=True, slots=True)
class CollectorConfig:
    """Effective settings; spans in seconds."""

    listen: HostPort
    http: HostPort | None
    data: Path | None
    """A folder for whatever is kept."""
    history: Path | str | None
    """The folder of the history's file, or the URL of its database; None keeps none."""
    keep_detail: float
    keep_thinned: float
    reference: tuple[Reference, ...]
    reported_references: bool
    budget: tuple[BudgetRule, ...]
    tick: float
    window: float
    peers: int
    zone_peers: int
    probe_interval: float
    fastest_interval: float
    slowest_interval: float
    packet_budget: int | None
    leave_after: float
    max_hosts: int
    series_hosts: int
    authority: Path | None
    tls: TlsFiles | None
    token_listen: HostPort | None
    reader_tokens: Path | None
    reader: tuple[str, ...]
    operator: tuple[str, ...]
    refused: Path | None
    probe_key_lifetime: float | None
    probe_secret: Path | None
    plaintext_beyond_loopback: bool
    log_level: str
    log_format: str

    @property
    def cadence(self) -> CadenceSettings:
        """Between which bounds hosts are probed."""
        base, fastest, slowest = (
            round(span * 1e9) for span in (self.probe_interval, self.fastest_interval, self.slowest_interval)
        )
        return CadenceSettings(base, fastest, slowest, self.packet_budget, self.window)

    @property
    def secret_file(self) -> Path | None:
        """Where the secret of the probe keys is kept; None: nowhere."""
        if self.probe_secret is not None:
            return self.probe_secret
        folder = self.authority or self.data
        return folder / "probe-secret" if folder is not None else None

    @property
    def budgets(self) -> Budgets:
        """The budgets' rules together."""
        return Budgets(self.budget)


def build(settings: Mapping[str, Setting], environment: Mapping[str, str], home: Path) -> CollectorConfig:
    """The configuration from merged settings. Raises ConfigError if two of them contradict each other."""
    values: dict[str, Any] = {key: setting.value for key, setting in settings.items()}
    if settings["data"].source == "default":
        values["data"] = state_folder(environment, home)
    _settle_history(values, settings)
    names = [item.host for item in values["reference"]]
    if len(set(names)) != len(names):
        raise ConfigError(settings["reference"].source, "reference", ", ".join(names), "name each reference once")
    try:
        Budgets(values["budget"])
    except ValueError as error:
        text = ", ".join(map(str, values["budget"]))
        raise ConfigError(settings["budget"].source, "budget", text, str(error)) from None
    if values["window"] < values["tick"]:
        raise ConfigError(
            settings["window"].source, "window", values["window"], "use a window no shorter than the tick"
        )
    if values["keep_thinned"] < values["keep_detail"]:
        text = "use a span no shorter than keep-detail"
        raise ConfigError(settings["keep_thinned"].source, "keep_thinned", values["keep_thinned"], text)
    _secure(values, settings)
    _settle_intervals(values, settings)
    return CollectorConfig(**values)


def _settle_history(values: dict[str, Any], settings: Mapping[str, Setting]) -> None:
    """One place for the history. Raises ConfigError if two databases are named."""
    data = values["data"]
    if isinstance(data, str):
        if values["history"] is not None:
            raise ConfigError(settings["data"].source, "data", data, "there is a --history already: name a folder here")
        values["history"], values["data"] = data, None
    elif values["history"] is None:
        values["history"] = data


def _settle_intervals(values: dict[str, Any], settings: Mapping[str, Setting]) -> None:
    """The bounds of the probe interval: itself unless given. Raises ConfigError for one on the wrong side."""
    usual = values["probe_interval"]
    for key, sign, remedy in (
        ("fastest_interval", 1, "use one no longer than the probe interval"),
        ("slowest_interval", -1, "use one no shorter than the probe interval"),
    ):
        span = values[key] = usual if values[key] is None else values[key]
        if sign * (span - usual) > 0:
            raise ConfigError(settings[key].source, key, f"{span:g}s", remedy)


TLS_REMEDY = "give --authority or --tls-certificate, --tls-key and --tls-authority"


def _secure(values: dict[str, Any], settings: Mapping[str, Setting]) -> None:
    """Put the files of TLS in the place of their settings, and settle where to listen. Raises ConfigError."""
    tls = values["tls"] = tls_options.tls_files(settings, folder="authority")
    for option in tls_options.FILES:
        del values[option.key]
    allowed = values["plaintext_beyond_loopback"]
    if values["authority"] is not None and settings["refused"].source == "default":
        values["refused"] = values["authority"] / "refused"
    if tls is None:
        if settings["listen"].source == "default" and not allowed:
            values["listen"] = HostPort("127.0.0.1", REPORT_PORT)
        for key in ("reader", "operator", "refused", "token_listen"):
            if values[key]:
                text = ", ".join(values[key]) if isinstance(values[key], tuple) else str(values[key])
                raise ConfigError(settings[key].source, key, text, f"needs TLS: {TLS_REMEDY}")
        for key in ("listen", "http"):
            if values[key] is not None:
                source = settings[key].source
                plaintext.check(source, key, values[key].host, values[key], allowed=allowed, remedy=TLS_REMEDY)
    elif settings["token_listen"].source == "default" and (values["reader_tokens"] or values["authority"]):
        values["token_listen"] = HostPort(values["listen"].host, TOKEN_PORT)


def state_folder(environment: Mapping[str, str], home: Path) -> Path:
    """Where data is kept: what the service manager gives, else by the XDG Base Directory Specification."""
    given = environment.get("STATE_DIRECTORY", "").split(":")[0]
    if given:
        return Path(given)
    base = environment.get("XDG_STATE_HOME", "")
    # The specification: a relative path there is invalid, and is to be ignored.
    return (Path(base) if base.startswith("/") else home / ".local" / "state") / "noonmark"

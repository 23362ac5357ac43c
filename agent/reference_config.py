"""The settings of a host's references: the `[reference]` table of the agent's file. Pure.

Each key of the table is an option `--reference-KEY` and a variable NOONMARK_AGENT_REFERENCE_KEY as well. A host with
none of `nmea`, `pps`, `phc` and `ntp` has no reference of its own and reports only its kernel's view.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from noonmark.agent.ntp_packet import PORT
from noonmark.agent.reference_places import Place, parse_place
from noonmark.agent.reference_state import StateSettings
from noonmark.proto.options import HostPort, Option, host_port, one_of, span_between, span_ns
from noonmark.proto.oscillators import OscillatorClass, oscillator_named
from noonmark.proto.reference import LIMIT_IN_UNCERTAINTIES

if TYPE_CHECKING:
    from noonmark.agent.gnss_receiver import NmeaSettings
    from noonmark.agent.ntp_association import NtpSettings

SECOND_NS = 1_000_000_000
PREFIX = "reference_"
USUAL = (1_000, 5_000)
"""Standard uncertainty and limit of a pulse or card that states none, ns: an interrupt's latency; common practice, no
source."""


@dataclass(frozen=True, slots=True)
class Device:
    """A device and its own standard uncertainty and limit, ns."""

    path: str
    declared: tuple[int, int] = USUAL
    variant: str = ""
    """Of a pulse the edge that marks the second (assert, clear), of a card the scale it counts (tai, utc)."""

    def __str__(self) -> str:
        variant = f":{self.variant}" if self.variant else ""
        return f"{self.path}{variant}={self.declared[0]}ns/{self.declared[1]}ns"


def device(*variants: str) -> Callable[[str], Device]:
    """A parser of `PATH[:VARIANT][=UNCERTAINTY[/LIMIT]]`; the first variant is the default."""

    def parse(text: str) -> Device:
        match = re.fullmatch(rf"(/[^=:]+)(?::({'|'.join(variants)}))?(?:=([^/]+)(?:/(.+))?)?", text)
        if not match:
            raise ValueError(
                f"use PATH[:{'|'.join(variants)}][=UNCERTAINTY[/LIMIT]], with an absolute PATH and spans such as 100ns"
            )
        declared = USUAL if match[3] is None else _declared(match[3], match[4])
        return Device(match[1], declared, match[2] or variants[0])

    return parse


def _declared(uncertainty: str, limit: str | None) -> tuple[int, int]:
    standard = span_ns(uncertainty)
    greatest = round(LIMIT_IN_UNCERTAINTIES * standard) if limit is None else span_ns(limit)
    if not 0 <= standard <= greatest:
        raise ValueError("use an uncertainty that is not negative, and a limit that is not below it")
    return standard, greatest


def delay(text: str) -> tuple[int, int]:
    """Read `MEAN/LIMIT`. Raises ValueError with the remedy."""
    mean, slash, limit = text.partition("/")
    if not slash:
        raise ValueError("use MEAN/LIMIT, such as 120ms/30ms")
    spans = span_ns(mean), span_ns(limit)
    if spans[1] <= 0:
        raise ValueError("use a limit above zero")
    return spans


OPTIONS = (
    Option(
        "reference-nmea",
        "Satellite receiver that speaks NMEA 0183: serial:DEVICE[@SPEED], tcp:HOST:PORT, udp:ADDRESS:PORT (listens) or "
        "file:PATH; repeat for several. In the file all --reference-KEY are keys of a table [reference].",
        parse_place,
        (),
        "PLACE",
        many=True,
    ),
    Option(
        "reference-nmea-delay",
        "How late a sentence comes after the second it tells, in the mean, and by how much that may be wrong.",
        delay,
        (400_000_000, 450_000_000),
        "MEAN/LIMIT",
        shown_default="400ms/450ms",
    ),
    Option(
        "reference-antenna",
        "`fixed`: a position that moves is a fault; `moving`: it may (a vessel).",
        one_of("fixed", "moving"),
        "fixed",
        "fixed|moving",
    ),
    Option(
        "reference-pps",
        "Pulse per second, such as /dev/pps0=200ns/2us: which edge marks the second, the pulse's standard uncertainty "
        "and limit (1us/5us unless given); repeat for several.",
        device("assert", "clear"),
        (),
        "PATH[:EDGE][=U[/LIMIT]]",
        many=True,
    ),
    Option(
        "reference-phc",
        "PTP hardware clock of a network card, such as /dev/ptp0:tai=250ns: the scale it counts, its standard "
        "uncertainty and limit (1us/5us unless given); repeat for several.",
        device("tai", "utc"),
        (),
        "PATH[:SCALE][=U[/LIMIT]]",
        many=True,
    ),
    Option("reference-ntp", "NTP server to ask; repeat for several.", host_port(PORT), (), "HOST[:PORT]", many=True),
    Option(
        "reference-ntp-interval",
        "Mean time between two requests to an NTP server (never more often than every 16 s, and less often where the "
        "server asks for that). At least four must fit in the collector's --window.",
        span_between("16s", "36h"),
        16.0,
        "SPAN",
    ),
    Option(
        "reference-oscillator",
        "What keeps this host's clock without its source: " + ", ".join(OscillatorClass) + ".",
        one_of(*OscillatorClass),
        "quartz",
        "CLASS",
    ),
    Option(
        "reference-lock-after",
        "A source must be good for so long before it is followed.",
        span_between("0s", "1d"),
        10.0,
        "SPAN",
    ),
    Option(
        "reference-lose-after",
        "A source must be bad for so long before holdover begins.",
        span_between("0s", "1h"),
        5.0,
        "SPAN",
    ),
    Option(
        "reference-holdover",
        "Longest holdover; after it the clock counts as free-running.",
        span_between("1s", "365d"),
        86_400.0,
        "SPAN",
    ),
    Option(
        "reference-leap-list",
        "List of leap seconds in the published format.",
        str,
        "",
        "FILE",
        shown_default="the newer of the shipped one and the system's",
    ),
)


@dataclass(frozen=True, slots=True)
class ReferenceConfig:
    """Effective settings; spans in seconds."""

    nmea: tuple[Place, ...] = ()
    nmea_delay: tuple[int, int] = (400_000_000, 450_000_000)
    """Nanoseconds."""
    antenna: str = "fixed"
    pps: tuple[Device, ...] = ()
    phc: tuple[Device, ...] = ()
    ntp: tuple[HostPort, ...] = ()
    ntp_interval: float = 16.0
    oscillator: str = "quartz"
    lock_after: float = 10.0
    lose_after: float = 5.0
    holdover: float = 86_400.0
    leap_list: str = ""

    @property
    def sources(self) -> bool:
        """Whether the host has any source of its own."""
        return bool(self.nmea or self.pps or self.phc or self.ntp)

    @property
    def receiver(self) -> NmeaSettings:
        """For the readers of receivers."""
        from noonmark.agent.gnss_receiver import NmeaSettings  # only here: most hosts have none, and are to stay small

        return NmeaSettings(*self.nmea_delay, fixed_antenna=self.antenna == "fixed")

    @property
    def asking(self) -> NtpSettings:
        """For the reader of NTP servers."""
        from noonmark.agent.ntp_association import NtpSettings  # as above

        return NtpSettings(interval_ns=round(self.ntp_interval * SECOND_NS))

    @property
    def states(self) -> StateSettings:
        """For the state machine."""
        return StateSettings(
            round(self.lock_after * SECOND_NS),
            round(self.lose_after * SECOND_NS),
            round(self.holdover * SECOND_NS),
            oscillator_named(self.oscillator),
        )


def build(values: Mapping[str, Any]) -> ReferenceConfig:
    """From merged settings by key; keys of other tables are passed over."""
    own = {key.removeprefix(PREFIX): value for key, value in values.items() if key.startswith(PREFIX)}
    return ReferenceConfig(**own)

"""What `noonmark check` says of a host: one line a matter, with what to do. Pure: what was seen comes in as values."""

from __future__ import annotations

import enum
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from noonmark.proto.reference import KernelClock

DESCRIPTORS = 256
"""As many as an agent may need, with room: sockets, the collector's connection, a few pages at once."""
CERTIFICATE_DAYS = 14
"""Fewer days left than this are worth a warning; common practice, no source."""
COLUMNS = 80


class Verdict(enum.Enum):
    """How a matter stands."""

    OK = "ok"
    WARNING = "warning"
    """It works, and not as well as it could, or not for long."""
    FAULT = "fault"
    """It does not work."""
    SKIPPED = "skipped"
    """It could not be looked at, or there is nothing to look at."""


@dataclass(frozen=True, slots=True)
class Check:
    """One matter."""

    name: str
    verdict: Verdict
    text: str
    remedy: str = ""
    """What to do; empty where there is nothing to do."""


@dataclass(frozen=True, slots=True)
class StampTrial:
    """What the kernel did for a few datagrams to this host itself."""

    granted: str
    """What it agreed to stamp: "receive and transmit", "receive only", "none"; empty if no socket could be made."""
    sent: int = 0
    received: int = 0
    """Datagrams that arrived."""
    receive_stamps: int = 0
    transmit_stamps: int = 0
    error: str = ""


def stamps(trial: StampTrial) -> Check:
    """Which stamps the kernel gives."""
    name = "stamps"
    if trial.error:
        return Check(name, Verdict.FAULT, f"No probe can be sent here: {trial.error}.", "Allow UDP sockets.")
    if trial.received < trial.sent:
        return Check(
            name,
            Verdict.FAULT,
            f"Of {trial.sent} datagrams to this host itself {trial.received} arrived.",
            "Let loopback through the firewall: nft add rule inet filter input iif lo accept.",
        )
    if trial.receive_stamps and trial.transmit_stamps:
        return Check(name, Verdict.OK, "The kernel stamps packets as they come and as they leave.")
    remedy = "Use a kernel with SO_TIMESTAMPING, and no sandbox that forbids the option."
    if trial.receive_stamps:
        return Check(name, Verdict.WARNING, "The kernel stamps only what comes: limits are wider.", remedy)
    text = "The kernel stamps nothing: stamps are the program's, late by its waiting."
    return Check(name, Verdict.WARNING, text, remedy)


def card_stamps(path: str, told: str, *, wanted: bool, readable: bool) -> Check:
    """Whether a network card's stamps can be used, as `card_stamps.judge` found it."""
    name = "card stamps"
    if not path:
        return Check(name, Verdict.SKIPPED, f"Card stamps: {told}.")
    if not wanted:
        return Check(name, Verdict.SKIPPED, f"Card stamps: not used (card-stamps is off); {told}.")
    if readable:
        return Check(name, Verdict.OK, f"Card stamps: {told}.")
    remedy = "Give the agent's user that device's group (see agent-devices.conf), or write a udev rule."
    return Check(name, Verdict.WARNING, f"Card stamps: none: {path} cannot be opened; {told}.", remedy)


def clock(view: KernelClock | None) -> Check:
    """Whether something keeps the clock, as the kernel tells it."""
    name = "clock"
    if view is None:
        text = "The kernel does not tell how its clock is kept."
        return Check(name, Verdict.WARNING, text, "Allow adjtimex(2); reading needs no right to change anything.")
    if not view.synchronized:
        text = "Nothing keeps this host's clock, the kernel says: it may be off by any amount."
        return Check(name, Verdict.WARNING, text, "Start whatever is to keep it. noonmark measures, and never sets.")
    bound = f"{view.maximum_error_ns / 1e6:,.0f} ms"
    return Check(name, Verdict.OK, f"The clock is kept, and off by at most {bound}, the kernel says.")


def descriptors(limit: int) -> Check:
    """Whether enough files may be open at once."""
    if limit >= DESCRIPTORS:
        return Check("descriptors", Verdict.OK, f"{limit} files may be open at once.")
    return Check(
        "descriptors", Verdict.FAULT, f"Only {limit} files may be open at once.", "Set LimitNOFILE=1024, or ulimit -n."
    )


@dataclass(frozen=True, slots=True)
class Running:
    """What the agent that runs on this host tells of itself; None where it tells nothing."""

    answers: bool
    """Whether anything answers probes on the bound port."""
    bindable: bool
    """Whether the port is free."""
    metrics: dict[str, float] | None = None
    """Its counters by name, without the prefix noonmark_agent_ and the suffix _total."""
    not_ready: str = ""
    error: str = ""


def agent(running: Running, port: str) -> list[Check]:
    """Whether an agent runs, is answered by its peers, and is reached by them."""
    if running.error:
        return [Check("agent", Verdict.FAULT, f"{port} cannot be used: {running.error}.", "Choose another --bind.")]
    if running.bindable:
        text = f"No agent runs here: {port} is free."
        return [Check("agent", Verdict.WARNING, text, "systemctl enable --now noonmark-agent")]
    if not running.answers:
        remedy = "Free the port, or choose another with --bind; who has it: ss -lunp."
        return [Check("agent", Verdict.FAULT, f"{port} is taken by something that answers no probes.", remedy)]
    found = [Check("agent", Verdict.OK, f"An agent answers probes on {port}.")]
    if running.metrics is None:
        text = "The agent's own numbers cannot be read."
        return [*found, Check("peers", Verdict.SKIPPED, text, "Set --metrics as the agent has it.")]
    sent, answered = running.metrics.get("probes_sent", 0), running.metrics.get("probes_completed", 0)
    if not sent:
        text = running.not_ready or "The agent has no peers to probe yet."
        found.append(Check("peers", Verdict.WARNING, text, "See the line on the collector."))
        return found
    share = f"{answered:,.0f} of {sent:,.0f} probes were answered."
    if answered < 0.5 * sent:
        remedy = "Open UDP 18620 between the hosts, both ways; try one peer: noonmark check --peer ADDRESS."
        found.append(Check("peers", Verdict.FAULT if not answered else Verdict.WARNING, share, remedy))
    else:
        found.append(Check("peers", Verdict.OK, share))
    reflected = running.metrics.get("requests_reflected", 0)
    if reflected:
        found.append(Check("reached", Verdict.OK, f"Others reach this host: {reflected:,.0f} of their probes came."))
    else:
        remedy = f"Open {port.rsplit(':', 1)[1]}/udp inwards on this host and on the way to it."
        found.append(Check("reached", Verdict.WARNING, "No probe of another host came yet.", remedy))
    return found


def peer(address: str, sent: int, answered: int, round_trip_ns: int | None, error: str = "") -> Check:
    """Whether one host answers probes."""
    if answered and round_trip_ns is not None:
        text = f"{address} answered {answered} of {sent} probes, soonest in {round_trip_ns / 1e6:.3f} ms."
        return Check("peer", Verdict.OK if answered == sent else Verdict.WARNING, text)
    reason = f": {error}" if error else ""
    remedy = "Does an agent run there? Is its UDP port open inwards, and this host's outwards?"
    return Check("peer", Verdict.FAULT, f"{address} answered none of {sent} probes{reason}.", remedy)


def collector(address: str, *, serving: bool, error: str = "", remedy: str = "") -> Check:
    """Whether a collector answers."""
    if serving:
        return Check("collector", Verdict.OK, f"{address} answers.")
    given = remedy or "Does it run? Is its TCP port open on the way? Is the name right?"
    return Check("collector", Verdict.FAULT, f"{address}: {error}.", given)


def certificate(what: str, days: float, not_before_days: float, until: str) -> Check:
    """Whether a certificate is valid now: days until its end, and until its beginning (negative: it has begun)."""
    if not_before_days > 0:
        text = f"{what} is valid only in {not_before_days:.1f} days: is the clock that wrong?"
        return Check("certificate", Verdict.FAULT, text, "Set this host's clock, or make the certificate anew.")
    if days <= 0:
        text = f"{what} ended {-days:,.1f} days ago, at {until}."
        return Check("certificate", Verdict.FAULT, text, "Renew it; the programs take the new file by themselves.")
    if days < CERTIFICATE_DAYS:
        text = f"{what} ends in {days:.1f} days, at {until}."
        return Check("certificate", Verdict.WARNING, text, "Renew it; the programs take the new file by themselves.")
    return Check("certificate", Verdict.OK, f"{what} is valid for {days:,.0f} days more, until {until}.")


def firewall(ruleset: str | None, port: int, *, reason: str = "") -> Check:
    """What nftables' own listing hints at. It is a hint: chains are not followed."""
    name = "firewall"
    if ruleset is None:
        return Check(name, Verdict.SKIPPED, f"The firewall's rules were not looked at: {reason}.")
    lines = [line.strip() for line in ruleset.splitlines()]
    drops = [line for line in lines if "hook input" in line and "policy drop" in line]
    drops += [line for line in lines if line.startswith(("drop", "reject"))]
    if not drops:
        return Check(name, Verdict.OK, "No rule of this host's firewall refuses all that comes.")
    if any("udp" in line and str(port) in line and "accept" in line for line in lines):
        return Check(name, Verdict.OK, f"The firewall drops by default, and lets UDP {port} in.")
    remedy = f"nft add rule inet filter input udp dport {port} accept"
    return Check(name, Verdict.WARNING, f"The firewall drops by default, and names no UDP {port}.", remedy)


def device(path: str, *, exists: bool, readable: bool, owner: str = "") -> Check:
    """Whether a reference's device can be used."""
    if not exists:
        return Check("device", Verdict.FAULT, f"{path} does not exist.", "Is it plugged in, its driver loaded?")
    if readable:
        return Check("device", Verdict.OK, f"{path} can be opened.")
    remedy = "Add the agent's user to that group (see agent-devices.conf), or write a udev rule."
    return Check("device", Verdict.FAULT, f"{path} cannot be opened; it belongs to {owner}.", remedy)


def faulty(checks: Iterable[Check]) -> bool:
    """Whether something does not work."""
    return any(check.verdict is Verdict.FAULT for check in checks)


def table(checks: Sequence[Check]) -> str:
    """For a person, at 80 columns."""
    wide = max((len(check.name) for check in checks), default=0)
    lines = []
    for check in checks:
        head = f"{check.verdict.value:<8} {check.name:<{wide}}  "
        indent = " " * len(head)
        lines += textwrap.wrap(check.text, COLUMNS, initial_indent=head, subsequent_indent=indent)
        if check.remedy and check.verdict is not Verdict.OK:
            lines += textwrap.wrap(
                f"→ {check.remedy}",
                COLUMNS,
                initial_indent=indent,
                subsequent_indent=indent + "  ",
                break_on_hyphens=False,
            )
    return "\n".join(lines)


def document(host: str, checks: Sequence[Check]) -> dict[str, object]:
    """For a program; keys are only ever added."""
    return {
        "schema": "noonmark.check/1",
        "host": host,
        "ok": not faulty(checks),
        "checks": [
            {"check": item.name, "verdict": item.verdict.value, "text": item.text, "remedy": item.remedy}
            for item in checks
        ],
    }

"""What an asker wrote after the question mark, to checked values. Pure.

Every parameter is known by name, given once, and within limits; anything else is BadParameter with one line that says
what was wrong and what would do. Instants are read as on the command line (instants.py), against reference time.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from noonmark.collector.instants import SECOND_NS, BadInstant, format_instant, parse_instant
from noonmark.collector.present import format_age

MAX_NAME = 253
NAME_PATTERN = r"^[^\u0000-\u0020,\u007f-\u00a0]([^\u0000-\u001f,\u007f-\u009f]*[^\u0000-\u0020,\u007f-\u00a0])?$"
"""Printable, without commas, no blank at either end: what may name a host."""
MAX_POINTS = 5_000
DEFAULT_POINTS = 600
MAX_SPAN_NS = 400 * 86_400 * SECOND_NS
DEFAULT_SPAN_NS = 3600 * SECOND_NS
MAX_LISTED = 20_000
DEFAULT_LISTED = 5_000
INSTANT_PATTERN = (
    r"^(now|-([0-9]{1,9}(\.[0-9]{1,9})?(ns|us|ms|s|m|h|d|w)){1,4}|@[0-9]{1,19}(\.[0-9]{1,9})?(ns|us|ms|s)?|"
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]{1,9})?)?(Z|[+-][0-9]{2}:[0-9]{2}))$"
)
"""How an instant may be written here: what instants.py reads, less what could be taken for something else."""
_INSTANT = re.compile(INSTANT_PATTERN, re.ASCII)


class BadParameter(ValueError):  # noqa: N818 - named for what the catcher holds
    """A question that makes no sense; its message is the one line that the asker gets."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """[since, until) in ns of reference time."""

    since_ns: int
    until_ns: int


def only_known(query: Iterable[tuple[str, str]], known: Sequence[str]) -> dict[str, str]:
    """The parameters by name, each given once and with a value. Raises BadParameter."""
    found: dict[str, str] = {}
    for name, value in query:
        if name not in known:
            choice = ", ".join(known) if known else "none"
            raise BadParameter(f"{_quoted(name)} is no parameter here; there are: {choice}")
        if name in found:
            raise BadParameter(f"{name}: give it once")
        if not value:
            raise BadParameter(f"{name}: a value is needed, or leave it out")
        found[name] = value
    return found


def _quoted(text: str) -> str:
    return ascii(text[:40])


def host_name(query: Mapping[str, str], name: str) -> str | None:
    """A host's name as given; None if it was left out. Raises BadParameter for what cannot name a host."""
    text = query.get(name)
    if text is None:
        return None
    if len(text) > MAX_NAME or not text.isprintable() or text != text.strip() or "," in text:
        raise BadParameter(f"{name}: {_quoted(text)} cannot name a host")
    return text


def needed(value: str | None, name: str) -> str:
    """A parameter that may not be left out."""
    if value is None:
        raise BadParameter(f"{name}: the name of a host is needed")
    return value


def whole(query: Mapping[str, str], name: str, *, default: int, least: int, most: int) -> int:
    """A whole number between two bounds."""
    text = query.get(name)
    if text is None:
        return default
    plain = text.isascii() and text.isdigit() and len(text) <= 12
    if not plain or not least <= int(text) <= most:
        raise BadParameter(f"{name}: {_quoted(text)} does not do; use a whole number from {least} to {most}")
    return int(text)


def moment(query: Mapping[str, str], name: str, now_ns: int) -> int | None:
    """An instant that is not in the future; None if it was left out."""
    text = query.get(name)
    if text is None:
        return None
    try:
        at_ns = parse_instant(text[:80], now_ns=now_ns)
        if not _INSTANT.match(text):
            raise BadInstant(f"{_quoted(text)} is written otherwise here: 2026-11-25T06:55:03Z, @SECONDS, now, or -15m")
    except BadInstant as error:
        raise BadParameter(f"{name}: {error}") from error
    if at_ns > now_ns:
        ahead = format_age(at_ns - now_ns)
        raise BadParameter(f"{name}: {format_instant(at_ns)} lies {ahead} in the future (reference time)")
    if at_ns < 0:
        raise BadParameter(f"{name}: {_quoted(text)} lies before 1970")
    return at_ns


def stretch(query: Mapping[str, str], now_ns: int) -> Stretch:
    """`since` and `until`: the last hour if both are left out, up to now if `until` is."""
    until_ns = moment(query, "until", now_ns)
    until_ns = now_ns if until_ns is None else until_ns
    since_ns = moment(query, "since", now_ns)
    since_ns = max(0, until_ns - DEFAULT_SPAN_NS) if since_ns is None else since_ns
    if since_ns >= until_ns:
        raise BadParameter("since: it must lie before until")
    if until_ns - since_ns > MAX_SPAN_NS:
        raise BadParameter(f"since: at most {format_age(MAX_SPAN_NS)} can be asked for at once")
    return Stretch(since_ns, until_ns)

"""Settings of a program from four layers: command line over environment over TOML file over default. Pure.

A program declares its options once, as a table of `Option`; the command line, the environment's names, the file's keys
and the help text all follow from it. A value of any layer goes through the option's one parser, and a fault is a
ConfigError that says where the value came from, what it was, and what to write instead.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

LONGEST_TOLD = 120
"""Characters of a wrong value that are told of it."""


class ConfigError(ValueError):
    """A setting that cannot be used. `key` and `value` are the parts; the text is one line for a person."""

    def __init__(self, where: str, key: str, value: object, remedy: str) -> None:
        told = repr(value)
        if len(told) > LONGEST_TOLD:
            told = f"{told[: LONGEST_TOLD // 2]}…{told[-LONGEST_TOLD // 2 :]}"
        super().__init__(
            f"{where}: {key} = {told}: {remedy}" if value != "" else f"{where}: {key} is not given: {remedy}"
        )
        self.key = key
        self.value = value


@dataclass(frozen=True, slots=True)
class Option:
    """One setting. `parse` takes a string (or a TOML value's string form) and raises ValueError with the remedy."""

    name: str
    """With hyphens, as on the command line; the file's key has underscores, the environment's name capitals."""
    help: str
    parse: Callable[[str], Any] = str
    default: Any = None
    metavar: str = "TEXT"
    many: bool = False
    """Several values: the option repeats, the environment separates by commas or blanks, the file has a list."""
    flag: bool = False
    """A switch: true or false in environment and file."""
    shown_default: str | None = None
    """How the help text states a default that is worked out at start."""

    @property
    def key(self) -> str:
        """Name in the TOML file, and of the dataclass's field."""
        return self.name.replace("-", "_")


@dataclass(frozen=True, slots=True)
class Setting:
    """A value and where it came from."""

    value: Any
    source: str


def environment_name(prefix: str, option: Option) -> str:
    """Name of the environment variable that sets an option."""
    return f"{prefix}_{option.key.upper()}"


def gather(
    options: Sequence[Option],
    *,
    flags: Mapping[str, Any],
    environment: Mapping[str, str],
    prefix: str,
    document: Mapping[str, Any] | None = None,
    document_name: str = "",
) -> dict[str, Setting]:
    """Merge the layers into one setting an option, by key.

    `flags` holds strings, tuples of strings or booleans by key; None or an empty tuple means not given. A table of the
    file stands for the options whose names begin with its own. Raises ConfigError for a value that does not parse, and
    for a key of the file that no option has.
    """
    document = _flat(document or {})
    _refuse_unknown(options, document, document_name)
    settings = {}
    for option in options:
        variable = environment_name(prefix, option)
        given = flags.get(option.key)
        if given is not None and given != ():
            settings[option.key] = Setting(_parse(option, "command line", f"--{option.name}", given), "command line")
        elif environment.get(variable):
            texts = re.split(r"[,\s]+", environment[variable].strip()) if option.many else environment[variable]
            settings[option.key] = Setting(_parse(option, "environment", variable, texts), f"environment {variable}")
        elif option.key in document:
            value = _parse(option, document_name, option.key, document[option.key])
            settings[option.key] = Setting(value, f"file {document_name}")
        else:
            settings[option.key] = Setting(option.default, "default")
    return settings


def _flat(document: Mapping[str, Any]) -> dict[str, Any]:
    """Tables' keys as keys of the whole: `nmea` in `[reference]` is `reference_nmea`."""
    flat: dict[str, Any] = {}
    for key, value in document.items():
        if isinstance(value, dict):
            flat.update((f"{key}_{inner}", inside) for inner, inside in value.items())
        else:
            flat[key] = value
    return flat


def _refuse_unknown(options: Sequence[Option], document: Mapping[str, Any], document_name: str) -> None:
    known = [option.key for option in options]
    for key, value in document.items():
        if key not in known:
            import difflib  # only here: it is seldom needed, and the agent is to stay small

            near = difflib.get_close_matches(key, known, 1)
            hint = f"did you mean {near[0]}?" if near else "the keys are " + ", ".join(known)
            raise ConfigError(document_name, key, value, f"there is no such setting; {hint}")


def _parse(option: Option, where: str, key: str, given: Any) -> Any:
    if option.flag:
        return given if isinstance(given, bool) else _one(option, where, key, given, boolean)
    if option.many:
        values = given if isinstance(given, list | tuple) else [given]
        return tuple(_one(option, where, key, value, option.parse) for value in values)
    if isinstance(given, list | tuple | dict):
        raise ConfigError(where, key, given, "give a single value")
    return _one(option, where, key, given, option.parse)


def _one(option: Option, where: str, key: str, value: Any, parse: Callable[[str], Any]) -> Any:
    if isinstance(value, bool) and not option.flag:
        raise ConfigError(where, key, value, f"give {option.metavar}, not true or false")
    try:
        return parse(str(value).strip())
    except ValueError as error:
        raise ConfigError(where, key, value, str(error)) from None


def boolean(text: str) -> bool:
    """True or false in the usual spellings."""
    if text.lower() in ("1", "true", "yes", "on"):
        return True
    if text.lower() in ("0", "false", "no", "off"):
        return False
    raise ValueError("use true or false")


SPAN = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(ns|us|µs|ms|s|min|m|h|d)?")
SPAN_UNITS_NS = {
    "ns": 1,
    "us": 1_000,
    "µs": 1_000,
    "ms": 1_000_000,
    "s": 1_000_000_000,
    "min": 60_000_000_000,
    "m": 60_000_000_000,
    "h": 3_600_000_000_000,
    "d": 86_400_000_000_000,
}


def span_ns(text: str) -> int:
    """A span of time such as `250ms`, `-3.5us`, `10min`; a bare number is seconds. Exact to the nanosecond."""
    match = SPAN.fullmatch(text)
    if not match:
        raise ValueError("use a number and a unit, such as 100ns, 250ms, 5s or 10min")
    number, unit = match.groups()
    scale = SPAN_UNITS_NS[unit or "s"]
    if re.fullmatch(r"[+-]?\d+", number):
        return int(number) * scale
    value = float(number) * scale
    if abs(value) >= 1 << 62:
        raise ValueError("use a span shorter than a century")
    return round(value)


def span_between(lowest: str, highest: str) -> Callable[[str], float]:
    """A parser of spans within limits, giving seconds."""

    def parse(text: str) -> float:
        span = span_ns(text)
        if not span_ns(lowest) <= span <= span_ns(highest):
            raise ValueError(f"use a span from {lowest} to {highest}")
        return span / 1e9

    return parse


def whole_number(lowest: int, highest: int) -> Callable[[str], int]:
    """A parser of integers within limits."""

    def parse(text: str) -> int:
        if not re.fullmatch(r"[+-]?\d{1,19}", text) or not lowest <= int(text) <= highest:
            raise ValueError(f"use a whole number from {lowest} to {highest}")
        return int(text)

    return parse


def one_of(*choices: str) -> Callable[[str], str]:
    """A parser of a fixed set of words."""

    def parse(text: str) -> str:
        if text not in choices:
            raise ValueError("use one of " + ", ".join(choices))
        return text

    return parse


@dataclass(frozen=True, slots=True)
class HostPort:
    """A host name or numeric address, and a port."""

    host: str
    port: int

    def __str__(self) -> str:
        return f"[{self.host}]:{self.port}" if ":" in self.host else f"{self.host}:{self.port}"


def host_port(default_port: int | None = None) -> Callable[[str], HostPort]:
    """A parser of HOST:PORT; IPv6 addresses stand in brackets; without a port the default, if there is one."""

    def parse(text: str) -> HostPort:
        bracketed = re.fullmatch(r"\[([0-9A-Fa-f:.%\w]+)\](?::(\d{1,5}))?", text)
        plain = re.fullmatch(r"([^\s:\[\]/]+)(?::(\d{1,5}))?", text)
        match = bracketed or plain
        port = int(match[2]) if match and match[2] else default_port
        if match is None or port is None or port > 65535:
            example = "name:18621, 192.0.2.7:18621 or [2001:db8::7]:18621"
            raise ValueError(f"use HOST:PORT, such as {example}")
        return HostPort(match[1], port)

    return parse


def or_off(parse: Callable[[str], Any]) -> Callable[[str], Any]:
    """A parser that also takes the word `off`, giving None."""
    return lambda text: None if text == "off" else parse(text)


def describe(value: Any) -> str:
    """A setting's value as a person writes it."""
    if value is None:
        return "off"
    if isinstance(value, tuple):
        return ", ".join(map(describe, value)) or "none"
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return f"{value:g} s" if value.is_integer() or value >= 1e-3 else f"{value:g}"
    return str(value)


def show(options: Sequence[Option], settings: Mapping[str, Setting]) -> str:
    """The effective configuration, one setting a line, with where each value came from."""
    names = [option.name for option in options]
    values = [
        option.shown_default
        if option.shown_default and settings[option.key].value == option.default
        else describe(settings[option.key].value)
        for option in options
    ]
    wide = max(map(len, names))
    broad = min(34, max(map(len, values)))
    sources = [settings[option.key].source for option in options]
    rows = zip(names, values, sources, strict=True)
    return "\n".join(f"{name:<{wide}}  {value:<{broad}}  {source}" for name, value, source in rows)

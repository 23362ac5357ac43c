"""Options by which commands that read logs are told what lines do not say themselves."""

from __future__ import annotations

import datetime
import zoneinfo
from collections.abc import Callable, Sequence
from typing import Any, TypeVar

import click

from noonmark.collector.civil import zone_offset_seconds
from noonmark.collector.cli_options import WrongUse
from noonmark.collector.log_formats import FORMATS, JOURNAL_EXPORT
from noonmark.collector.log_stamps import StampOptions

Command = TypeVar("Command", bound=Callable[..., Any])


def stamp_options(command: Command) -> Command:
    """Options that say what lines do not: `--format`, `--tz`, `--year`, `--field`, `--host-field`."""
    for option in reversed(
        [
            click.option(
                "--format",
                "formats",
                multiple=True,
                metavar="NAME",
                help=f"Read only this format; repeat for several. One of {', '.join([*FORMATS, JOURNAL_EXPORT])}. "
                "[default: recognised line by line]",
            ),
            click.option("--tz", metavar="ZONE", help="Zone of stamps that tell none: Europe/Oslo, UTC or +01:00."),
            click.option("--year", type=click.IntRange(1, 9999), help="Year of the first stamp that tells none."),
            click.option("--field", "fields", multiple=True, help="Field of the time in JSON lines and logfmt."),
            click.option("--host-field", metavar="NAME", help="Field of the host in JSON lines and logfmt."),
        ]
    ):
        command = option(command)
    return command


def gathered(tz: str | None, year: int | None, fields: Sequence[str], host_field: str | None) -> StampOptions:
    """Those options as a value. Raises WrongUse for a zone that does not exist."""
    usual = StampOptions()
    zone = None if tz is None else read_zone(tz)
    return StampOptions(zone, year, tuple(fields) or usual.fields, host_field)


def read_zone(text: str) -> datetime.tzinfo:
    """A zone by its name in the tz database, or by its offset from UTC."""
    seconds = zone_offset_seconds(text)
    if seconds is not None:
        return datetime.timezone(datetime.timedelta(seconds=seconds))
    try:
        return zoneinfo.ZoneInfo(text)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
        raise WrongUse(f"--tz {text}: no such zone: write Europe/Oslo, UTC or +01:00") from None

"""The command `noonmark collector`: settings in, the running program out."""

from __future__ import annotations

import asyncio
import logging
import os
import resource
import sys
import threading
from pathlib import Path
from typing import Any, NoReturn

import click

from noonmark.collector import config as collector_config
from noonmark.proto import commandline, logs
from noonmark.proto.options import ConfigError


@click.command()
@commandline.with_options(collector_config.OPTIONS, collector_config.PREFIX)
def collector(show_config: bool, **flags: Any) -> None:
    """Receive agents' reports, estimate every clock of the fleet, publish, and answer questions.

    Agents report to --listen and are told there whom to probe; `noonmark fleet` and `noonmark offset` ask there too.
    Settings on the command line win over the environment, that over the TOML file of --config (keys as the long
    options, with underscores), that over the defaults. SIGTERM and Ctrl-C end the collector.
    """
    settings = commandline.settle(collector_config.OPTIONS, collector_config.PREFIX, flags)
    if show_config:
        commandline.print_settings(collector_config.OPTIONS, settings)
        return
    try:
        config = collector_config.build(settings, os.environ, _home())
    except ConfigError as error:
        raise commandline.UsageProblem(str(error)) from None
    logs.set_up(config.log_level, config.log_format)
    _demand_address_space()
    from noonmark.collector.server import CannotListen, run_until_signal
    from noonmark.proto.tls_files import TlsFileProblem

    try:
        asyncio.run(run_until_signal(config))
    except CannotListen as error:
        raise commandline.UsageProblem(
            f"cannot listen on {error.where}: {error.strerror}; choose another with {error.option}"
        ) from None
    except TlsFileProblem as problem:
        raise commandline.UsageProblem(str(problem)) from None
    except OSError as error:
        raise commandline.UsageProblem(
            f"cannot start: {error.strerror or error}; see --http ({config.http or 'off'}) and {_kept(config)}"
        ) from None
    _end()


LEAST_ADDRESS_SPACE_MIB = 600
"""With less, a numerical library waits for ever for what it will not get, while it is being loaded."""


def _demand_address_space() -> None:
    """Raises UsageProblem."""
    limit, _ = resource.getrlimit(resource.RLIMIT_AS)
    if limit != resource.RLIM_INFINITY and limit < LEAST_ADDRESS_SPACE_MIB << 20:
        raise commandline.UsageProblem(
            f"the address space is limited to {limit >> 20} MiB (RLIMIT_AS): allow {LEAST_ADDRESS_SPACE_MIB} MiB or "
            "more, or limit the memory in use instead (MemoryMax of a service)"
        )


def _kept(config: collector_config.CollectorConfig) -> str:
    """The option that says where history is kept, and what it says; a database's URL may hold a password."""
    return "--history" if isinstance(config.history, str) else f"--data ({config.data})"


def _home() -> Path:
    """The user's folder; one that is not there where the user has none, as users that a service manager invents."""
    try:
        return Path.home()
    except RuntimeError:
        return Path("/nonexistent")


def _end() -> NoReturn:
    """End with 0 at once where a tick is still being reckoned or kept: all else is closed by now.

    The interpreter's own way out would cut that thread off inside compiled code, and the program would end by a signal.
    """
    if any(thread.name in ("estimate", "keeping") for thread in threading.enumerate()):
        logging.shutdown()
        sys.stdout.flush()
        os._exit(0)
    sys.exit(0)

"""Options from a table (options.py) as a click command's options, and a program's settings from all their layers."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click

from noonmark.proto.options import ConfigError, Option, Setting, environment_name, gather, show

Command = TypeVar("Command", bound=Callable[..., Any])


class UsageProblem(click.ClickException):
    """Wrong use: one line, exit code 2, no traceback."""

    exit_code = 2


def with_options(options: Sequence[Option], prefix: str) -> Callable[[Command], Command]:
    """Decorate a click command with the table's options, `--config` and `--show-config`.

    Values arrive as strings; `settle` parses them, so that one parser speaks for all layers.
    """

    def decorate(command: Command) -> Command:
        switch: dict[str, Any] = {"is_flag": True, "expose_value": True, "allow_from_autoenv": False}
        decorators = [
            click.option("--config", type=str, metavar="FILE", envvar=f"{prefix}_CONFIG", help="TOML file of settings"),
            *(_click_option(option, prefix) for option in options),
            click.option("--show-config", help="Print every setting, and where it came from; then end.", **switch),
        ]
        for decorator in reversed(decorators):
            command = decorator(command)
        return command

    return decorate


def _click_option(option: Option, prefix: str) -> Callable[[Command], Command]:
    notes = [f"env {environment_name(prefix, option)}"]
    default = option.shown_default or ("" if option.default in (None, (), False) else _shown(option.default))
    if default:
        notes.insert(0, f"default {default}")
    text = f"{option.help}  [{'; '.join(notes)}]"
    if option.flag:
        return click.option(f"--{option.name}/--no-{option.name}", default=None, help=text, allow_from_autoenv=False)
    return click.option(
        f"--{option.name}",
        multiple=option.many,
        metavar=option.metavar,
        type=str,
        default=None,
        help=text,
        allow_from_autoenv=False,
    )


def _shown(value: Any) -> str:
    if isinstance(value, tuple):
        return ", ".join(map(str, value))
    return f"{value:g}s" if isinstance(value, float) else str(value)


def settle(
    options: Sequence[Option],
    prefix: str,
    flags: Mapping[str, Any],
    *,
    environment: Mapping[str, str] | None = None,
) -> dict[str, Setting]:
    """Read the file that `flags["config"]` names and merge all layers. Raises UsageProblem."""
    document: dict[str, Any] = {}
    name = flags.get("config") or ""
    if name:
        import tomllib  # only here: most programs have no file, and the agent is to stay small

        try:
            document = tomllib.loads(Path(name).read_text(encoding="utf-8"))
        except OSError as error:
            raise UsageProblem(f"{name}: cannot be read: {error.strerror}") from None
        except UnicodeDecodeError:
            raise UsageProblem(f"{name}: is not UTF-8 text; settings are a TOML file") from None
        except tomllib.TOMLDecodeError as error:
            raise UsageProblem(f"{name}: is not TOML: {error}") from None
    chosen = os.environ if environment is None else environment
    try:
        return gather(options, flags=flags, environment=chosen, prefix=prefix, document=document, document_name=name)
    except ConfigError as error:
        raise UsageProblem(str(error)) from None


def print_settings(options: Sequence[Option], settings: Mapping[str, Setting]) -> None:
    """Answer `--show-config`, on standard output."""
    click.echo(show(options, settings))

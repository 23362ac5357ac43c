"""The help of reading commands: their own options first, those that all share behind."""

from __future__ import annotations

import pytest
from click.testing import CliRunner

from noonmark.collector.cli import main


@pytest.mark.parametrize("command", ["offset", "order", "fleet", "gate", "report"])
def test_own_options_come_before_those_that_all_commands_share(command: str) -> None:
    text = CliRunner().invoke(main, [command, "--help"], terminal_width=80).stdout
    own, _, shared = text.partition("Where to ask, and as whom:\n")
    assert "  --json" in own
    assert "--identity" not in own
    assert "--collector" in shared.splitlines()[0]
    assert all(name in shared for name in ("--identity", "--tls-key", "--token-file", "--plaintext-beyond-loopback"))


def test_a_command_shows_how_it_is_used() -> None:
    text = CliRunner().invoke(main, ["offset", "--help"]).stdout
    assert text.rstrip().endswith(
        "For example:\n    noonmark offset quay-gate-1 holm-booking --at -15m\n"
        "    noonmark offset quay-gate-1 --since -1h"
    )

"""What agents answer when they are asked the time, held to true time: clocks wrong by known amounts, real programs."""

from __future__ import annotations

import json
import time
import urllib.error
import urllib.request

import pytest

from noonmark.lab.demo_fleet import DemoFleet
from noonmark.lab.harbours import make_harbours

pytestmark = [pytest.mark.processes, pytest.mark.sockets, pytest.mark.steady]


def ask(url: str) -> tuple[int, dict[str, object], int]:
    """Answer, and true time before and after."""
    before = time.time_ns()
    try:
        with urllib.request.urlopen(url, timeout=10) as told:
            document = json.load(told)
    except urllib.error.HTTPError as error:
        document = json.load(error)
    return before, document, time.time_ns()


def test_true_time_lies_within_what_every_agent_answers() -> None:
    hosts = make_harbours(11, time.time_ns())
    with DemoFleet(hosts) as fleet:
        urls = {host.name: f"http://{host.address}:{fleet.agent_ports[host.name]}/time" for host in hosts}
        deadline = time.monotonic() + 60
        waiting = set(urls)
        while waiting and time.monotonic() < deadline:
            time.sleep(0.5)
            for name in sorted(waiting):
                fleet.check()
                try:
                    _, told, _ = ask(urls[name])
                except OSError:  # it is still starting
                    continue
                if told["known"] and told["earliest_ns"] is not None and told["latest_ns"] is not None:
                    waiting.discard(name)
        assert not waiting
        for _ in range(3):
            for host in hosts:
                before, told, after = ask(urls[host.name])
                assert told["known"], told
                assert told["earliest_ns"] <= after, host.name
                assert told["latest_ns"] >= before, host.name
                true_ns = host.error_ns(before)
                # It took `after - before` to answer; the limits hold the rest.
                reach = told["latest_ns"] - told["earliest_ns"] + after - before
                assert abs(told["offset_ns"] - true_ns) <= reach
                assert told["host_state"] == ("reference" if host.is_reference else "measured")
            time.sleep(1.0)

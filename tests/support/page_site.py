"""The page's site over a simulated fleet, and a browser that notes what a page asks for and complains of: fixtures."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest
from browser import chromium
from http_server import web_serving
from playwright.sync_api import Browser, Page, Response
from simulated_fleet import SimulatedFleet, lived, simulated_fleet

from noonmark.collector.budgets import BudgetRule, Budgets, parse_budget
from noonmark.collector.estimate import FleetEstimate
from noonmark.collector.history import History
from noonmark.collector.state import State

BUDGETS = Budgets((BudgetRule(parse_budget("gates:2ms"), "role", "ticket gate"), BudgetRule(parse_budget("1ms"))))


@dataclass
class Site:
    """A collector's site and what it was made of."""

    address: str
    fleet: SimulatedFleet
    state: State
    history: History

    @property
    def latest(self) -> FleetEstimate:
        latest = self.state.latest()
        assert latest is not None
        return latest.estimate

    @property
    def views(self) -> dict[str, str]:
        stepped = self.fleet.stepped
        return {
            "fleet": "#/fleet",
            "host": f"#/host?a={stepped}&since=-15m",
            "pair": f"#/pair?a={stepped}&b=quay-booking-1&since=-15m",
            "paths": "#/paths",
            "references": "#/references",
            "findings": "#/findings?since=-15m",
            "time": "#/time?until=2026-01-02T00:00:00Z&name=Departure",
        }


@dataclass
class Witness:
    """What a page asked for and complained of."""

    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)
    replies: list[Response] = field(default_factory=list)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    with chromium(tmp_path_factory.mktemp("cache")) as opened:
        yield opened


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    fleet, state = simulated_fleet(), State()
    with (
        lived(fleet, tmp_path_factory.mktemp("history"), state, tick_s=15.0) as history,
        web_serving(state, history, BUDGETS) as address,
    ):
        yield Site(address, fleet, state, history)


@pytest.fixture
def witness() -> Witness:
    return Witness()


@pytest.fixture
def page(browser: Browser, witness: Witness) -> Iterator[Page]:
    with browser.new_context(viewport={"width": 1280, "height": 800}) as context:
        opened = context.new_page()
        opened.set_default_timeout(20_000)
        opened.on("request", lambda request: witness.requests.append(request.url))
        opened.on("response", lambda reply: witness.replies.append(reply))
        opened.on("pageerror", lambda error: witness.complaints.append(str(error)))
        opened.on(
            "console", lambda message: witness.complaints.append(message.text) if message.type == "error" else None
        )
        yield opened


def show(page: Page, address: str, where: str = "#/fleet") -> None:
    """Open a view and wait until it is drawn."""
    page.goto(f"{address}/{where}")
    page.wait_for_selector(f"main[data-ready={where[2:].split('?')[0]}]")

"""The page's view of the time, and its countdowns, in a real Chromium."""

from __future__ import annotations

import re

import pytest
from page_site import Site, browser, page, show, site, witness
from playwright.sync_api import Page, expect

__all__ = ["browser", "page", "site", "witness"]
pytestmark = [pytest.mark.sockets, pytest.mark.browser]


def test_the_time_is_the_collectors_within_what_it_claims(page: Page, site: Site) -> None:
    show(page, site.address, "#/time")
    expect(page.locator(".quality")).to_contain_text("3 references, locked")
    page.wait_for_timeout(700)
    before = site.state.now_ns()
    shown, room = page.evaluate(
        """async () => {
          const { ReferenceClock } = await import('./live.js');
          const clock = new ReferenceClock();
          for (let n = 0; n < 5; n++) await clock.exchange();
          return [clock.now(), clock.room().total];
        }"""
    )
    after = site.state.now_ns()

    assert before is not None
    assert after is not None
    assert before - room <= shown <= after + room
    assert room < 500e6
    expect(page.locator(".digits")).to_have_text(re.compile(r"^\d\d:\d\d:\d\d\.\d\d$"))
    expect(page.locator(".own")).to_contain_text(re.compile(r"This screen's own clock is (ahead|behind) by \d+ d ± "))


PLAN = """async ([now]) => {
  const { readPlan, standingOf } = await import('./plan.js');
  const { segments, problem } = readPlan('5m; Boarding; 30s, 1m\\n\\n1:30; Crossing');
  const at = (seconds) => {
    const where = standingOf(segments, now * 1e6, now * 1e6 + seconds * 1e9);
    return [where.phase, where.index, where.left / 1e9, where.warned];
  };
  const moments = [-10, 0, 239, 240, 270, 299, 300, 389, 391].map(at);
  return [problem, moments, readPlan('x; y').problem, readPlan('5m; y; soon').problem];
}"""


def test_a_countdown_goes_through_its_segments_with_their_warnings(page: Page, site: Site) -> None:
    show(page, site.address, "#/time")
    now_ms = (site.state.now_ns() or 0) // 10**6
    told = page.evaluate(PLAN, [now_ms])

    assert told[0] == ""
    assert told[1] == [
        ["before", -1, 10, 0],
        ["running", 0, 300, 0],
        ["running", 0, 61, 0],
        ["running", 0, 60, 1],
        ["running", 0, 30, 2],
        ["running", 0, 1, 2],
        ["running", 1, 90, 0],
        ["running", 1, 1, 0],
        ["over", 2, -1, 0],
    ]
    assert told[2] == "Line 1: “x” is no length of time; write 90s, 5m or 1:30."
    assert told[3] == "Line 1: “soon” are no warning times; write 1m, 30s."


def test_a_countdown_is_started_from_the_form_and_kept_in_the_address(page: Page, site: Site) -> None:
    show(page, site.address, "#/time")
    page.locator("details.settings summary").click()
    page.get_by_label("Instant or length").fill("20m")
    page.get_by_label("What happens then").fill("Departure")
    page.get_by_label("Warn before it").fill("30m, 1m")
    page.locator("form").filter(has_text="Count down to an instant").get_by_role("button", name="Start").click()

    expect(page.locator(".countdown h2")).to_have_text("Departure")
    expect(page.locator(".count-digits")).to_have_text(re.compile(r"^(20:00|19:5\d)$"))
    expect(page.locator(".count-says")).to_have_text("Warning: less than 30:00 left")
    page.reload()
    expect(page.locator(".countdown h2")).to_have_text("Departure")
    page.get_by_label("One a line").evaluate("element => element.closest('details').open = true")
    page.get_by_label("Start", exact=True).fill("yesterday")
    page.get_by_label("One a line").fill("5m; Boarding")
    page.locator("form").filter(has_text="Go through segments").get_by_role("button", name="Start").click()
    expect(page.locator(".problem")).to_contain_text("Write the start as an instant with its zone")

"""The page in a real Chromium, over a fleet that was simulated and estimated by the real pipeline.

Accessibility is judged by axe-core (its rules for WCAG 2.2 A and AA and its best practices); numbers in words are held
to those of the command line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from http_server import web_serving
from page_site import BUDGETS, Site, Witness, browser, page, show, site, witness
from playwright.sync_api import Browser, Page, expect
from simulated_fleet import simulated_fleet

from noonmark.collector.budgets import BudgetRule, Budgets, parse_budget
from noonmark.collector.estimate import FleetEstimate
from noonmark.collector.history import open_history
from noonmark.collector.http_fleet import fleet_document
from noonmark.collector.present import format_drift, format_duration, format_limits, format_offset
from noonmark.collector.state import State
from noonmark.collector.view_estimate import fleet_view

__all__ = ["browser", "page", "site", "witness"]
pytestmark = [pytest.mark.sockets, pytest.mark.browser]
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
MOST_BYTES = 300_000


VIEWS = ("fleet", "host", "pair", "paths", "references", "findings", "time")


@pytest.mark.parametrize("view", VIEWS)
def test_a_view_shows_without_a_complaint_and_asks_only_its_own_origin(
    site: Site, page: Page, witness: Witness, view: str
) -> None:
    show(page, site.address, site.views[view])

    expect(page.locator("#views a[aria-current=page]")).to_have_count(1)
    expect(page.locator("main h1")).not_to_be_empty()
    page.wait_for_timeout(100)
    assert witness.requests
    assert [url for url in witness.requests if not url.startswith(site.address + "/")] == []
    assert witness.complaints == []


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (1280, "dark"), (390, "light")])
def test_axe_finds_no_violation(site: Site, page: Page, view: str, width: int, scheme: Any) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
    show(page, site.address, site.views[view])
    if view == "time":
        page.locator("details.settings summary").click()
    if view in ("host", "pair"):
        page.locator("details.numbers summary").click()

    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": RULES}})

    assert found.response["violations"] == [], found.generate_report()


def test_the_fleet_is_listed_worst_first_in_words_with_a_verdict(site: Site, page: Page) -> None:
    show(page, site.address)

    view = fleet_view(site.latest, labels={h: (f.zone, f.role) for h, f in site.fleet.facts.items()}, paths=False)
    expected = fleet_document(view, BUDGETS, {}, sequence=1, limit=100)
    expect(page.locator(".verdict.out")).to_contain_text("out of budget: ")
    expect(page.locator(".reference-standing.good")).to_have_text("All 3 references are locked and agree.")
    newest = max((one for one in site.latest.findings if one.host), key=lambda finding: finding.at_ns)
    assert newest.kind == "step"
    expect(page.locator(".newest-finding a")).to_contain_text(newest.text)
    expect(page.locator(".mark-word")).to_have_text("reference")
    rows = page.locator(".hosts .rows-body .row")
    shown = rows.locator("a").all_text_contents()
    assert shown == [host["host"] for host in expected["hosts"]][: len(shown)]
    worst = expected["hosts"][0]
    told = format_offset(worst["offset_ns"], worst["uncertainty_ns"])
    word = "ahead" if worst["offset_ns"] > 0 else "behind"
    assert rows.first.locator(".clock").text_content() == f"{word} by {told}"
    assert rows.first.locator(".certain").text_content() == format_limits(worst["lower_ns"], worst["upper_ns"])
    assert rows.first.locator("svg").get_attribute("aria-label") == "out of budget"


def test_search_and_choice_narrow_the_rows_and_stay_in_the_address(site: Site, page: Page) -> None:
    show(page, site.address)
    page.get_by_label("Hosts whose name, zone or role contains").fill("booking")
    page.locator("button.tile.within").click()

    page.wait_for_url("**/#/fleet?matching=booking&only=within")
    names = page.locator(".hosts .rows-body a").all_text_contents()
    assert names
    assert all("booking" in name for name in names)
    expect(page.locator(".shown")).to_contain_text(f"{len(names)} of 40 hosts")
    page.reload()
    expect(page.locator(".hosts .rows-body a")).to_have_text(names)
    page.get_by_label("Hosts whose name, zone or role contains").fill("nowhere")
    expect(page.locator(".notice")).to_contain_text("No host matches")


def test_the_keyboard_alone_leads_to_a_host_and_along_its_course(site: Site, page: Page) -> None:
    show(page, site.address)
    page.locator("#skip").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    first = page.locator(".hosts .rows-body a").first
    name = first.text_content()
    for _ in range(12):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.textContent") == name:
            break
    page.keyboard.press("Enter")
    expect(page.locator("main h1")).to_have_text(name or "")
    plot = page.locator(".plot")
    expect(plot.locator("canvas")).to_have_count(1)
    plot.focus()
    page.keyboard.press("Home")
    at_start = page.locator(".readout").text_content() or ""
    page.keyboard.press("End")
    at_end = page.locator(".readout").text_content() or ""
    assert re.match(r"2026-01-01 00:01:00\.000 UTC: (ahead|behind) by .* ± .*; certain ", at_start)
    assert at_end.startswith("2026-01-01 00:02:30.000 UTC: ")


def test_a_hosts_course_shows_the_step_on_its_axis_in_words_and_in_numbers(site: Site, page: Page) -> None:
    show(page, site.address, site.views["host"])

    expect(page.locator(".sentence")).to_contain_text(f"{site.fleet.stepped} is ahead of the reference by ")
    step = page.locator(".findings li").filter(has_text="step")
    expect(step).to_contain_text("says that its clock was set forward by 5 ms")
    page.locator("details.numbers summary").click()
    rows = page.locator("details.numbers tbody tr")
    expect(rows).to_have_count(7)
    assert "ahead by 5.0" in (rows.first.text_content() or "")
    # The canvas is not blank: it holds the colours of the estimate, the budget and the finding.
    assert page.evaluate(COLOURS) >= 6


COLOURS = """() => {
  const canvas = document.querySelector('.plot canvas');
  const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
  const seen = new Map();
  for (let n = 0; n < data.length; n += 4) {
    if (data[n + 3] < 200) continue;
    const key = [data[n], data[n + 1], data[n + 2]].join();
    seen.set(key, (seen.get(key) ?? 0) + 1);
  }
  return [...seen.values()].filter((count) => count > 20).length;
}"""


def test_zooming_into_a_course_goes_into_the_address(site: Site, page: Page) -> None:
    show(page, site.address, site.views["host"])
    box = page.locator(".plot .u-over").bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] * 0.8, box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.95, box["y"] + 60, steps=4)
    page.mouse.up()

    page.wait_for_url(re.compile(r"since=20\d\d-.*&until=20\d\d-"))
    zoomed = page.url
    page.reload()
    page.wait_for_selector("main[data-ready=host]")
    assert page.url == zoomed
    assert page.get_by_label("From (UTC").input_value().startswith("20")


def test_two_hosts_are_compared_and_swapped(site: Site, page: Page) -> None:
    show(page, site.address, "#/pair")
    expect(page.locator(".notice")).to_contain_text("Choose two hosts")
    page.get_by_label("Clock of").fill(site.fleet.stepped)
    page.get_by_label("against").fill("quay-booking-1")
    page.get_by_role("button", name="Compare").click()
    expect(page.locator(".sentence")).to_contain_text(f"{site.fleet.stepped} is ahead of quay-booking-1 by ")
    page.get_by_role("button", name="Swap").click()
    expect(page.locator(".sentence")).to_contain_text(f"quay-booking-1 is behind {site.fleet.stepped} by ")
    assert f"a=quay-booking-1&b={site.fleet.stepped}" in page.url


def test_paths_tell_their_losses_and_who_never_answers(site: Site, page: Page) -> None:
    show(page, site.address, site.views["paths"])

    expect(page.locator("h1.verdict")).to_contain_text("gives no answer at all.")
    expect(page.locator("h1.verdict")).to_contain_text("1 path loses more than 2 % of the packets.")
    first = page.locator(".paths .rows-body .row").first
    assert first.locator(".state").text_content() == "no probe comes back"
    assert first.locator(".loss").text_content() == "100 %"
    page.get_by_label("Paths of hosts whose name contains").fill("quay-booking")
    page.wait_for_url("**host=quay-booking")
    losses = page.locator(".paths .rows-body .row .loss").all_text_contents()
    assert losses
    assert all(re.fullmatch(r"[\d.]+ %( / [\d.]+ %)?", text) for text in losses), losses


def test_an_unknown_host_gets_the_reason(site: Site, page: Page) -> None:
    show(page, site.address, "#/host?a=quay-gate-77")

    expect(page.locator(".sentence")).to_contain_text("is not known: no host named quay-gate-77 is known; did you mean")
    expect(page.locator(".notice")).to_contain_text("Nothing to draw")


def test_a_new_estimate_shows_without_a_reload(browser: Browser, page: Page, tmp_path: Path) -> None:
    fleet, state = simulated_fleet(), State()
    ticks = list(fleet.ticks(30.0))
    with (
        open_history(tmp_path / "history") as history,
        web_serving(state, history, Budgets((BudgetRule(parse_budget("4ms")),))) as address,
    ):
        for estimate in ticks[:2]:
            history.append(estimate)
            state.publish(estimate, fleet.facts)
        show(page, address)
        expect(page.locator("h1.verdict")).not_to_contain_text(fleet.stepped)
        history.append(ticks[-1])
        state.publish(ticks[-1], fleet.facts)

        expect(page.locator("h1.verdict.out")).to_contain_text(
            f"2 hosts are out of budget: worst is {fleet.stepped}, ahead by 5."
        )
        expect(page.locator("h1.verdict")).to_contain_text(", since 2026-01-01 00:02:30 UTC")
        expect(page.locator("#live")).to_contain_text("Live: estimate less than 10 s old")


def test_before_the_first_estimate_it_says_so_and_then_comes_alive(page: Page, site: Site) -> None:
    state = State()
    with web_serving(state) as address:
        show(page, address)
        expect(page.locator(".notice.error")).to_contain_text("Nothing measured yet")
        state.publish(site.latest)
        expect(page.locator(".notice.error")).to_have_count(0)
        expect(page.locator("h1.verdict")).to_contain_text("No budget is set. Furthest off is")


def test_a_collector_that_went_away_is_told_and_the_numbers_stay(page: Page, site: Site) -> None:
    state = State()
    state.publish(site.latest)
    with web_serving(state) as address:
        show(page, address)
        rows = page.locator(".hosts .rows-body a").count()
    expect(page.locator("#live.lost")).to_contain_text("The collector does not answer")
    assert page.locator(".hosts .rows-body a").count() == rows > 5


def test_an_estimate_that_nothing_has_followed_is_told_as_old(page: Page, site: Site) -> None:
    now_ns = [0]
    state = State(monotonic_ns=lambda: now_ns[0])
    state.publish(site.latest)
    with web_serving(state, None, BUDGETS) as address:
        show(page, address)
        expect(page.locator(".under")).not_to_contain_text("Nothing has been measured")
        now_ns[0] += 10 * 60 * 10**9
        page.reload()
        expect(page.locator("h1.verdict")).to_contain_text("Nothing has been measured for 10 min. Before that: ")
        expect(page.locator(".under")).to_contain_text("Nothing has been measured since 2026-01-01 ")


def test_without_a_history_the_present_is_there_and_the_course_says_why_not(page: Page, site: Site) -> None:
    state = State()
    state.publish(site.latest)
    with web_serving(state) as address:
        show(page, address, f"#/host?a={site.fleet.stepped}")
        expect(page.locator(".sentence")).to_contain_text("is ahead of the reference by ")
        expect(page.locator(".notice.error")).to_contain_text("this collector keeps no history")
        expect(page.locator(".findings")).to_contain_text("set forward by 5 ms")


SIZES = [0, 1, 7, 29, 30, 94, 100, 999, 1000, 1499, 1500, 2500, 9_949, 9_950, 99_950, 123_456, 999_499, 999_500]
SIZES += [n * 10**6 + k for n in (1, 2, 35, 999, 7_200, 86_400, 604_800) for k in (0, 49_999, 50_000, 123_457)]
SIZES += [-size for size in SIZES if size] + [
    12 * 3600 * 10**9 + 5,
    -3 * 86_400 * 10**9,
    90 * 10**9,
    119 * 10**9,
    125 * 10**9,
]
UNCERTAINTIES = [0, 1, 14, 15, 147, 148, 2_600, 9_000, 123_456, 5_000_000, 10**9, 77 * 10**9]


def in_page(page: Page, function: str, rows: Sequence[Sequence[int | float | None]]) -> list[str]:
    script = (
        f"async (rows) => {{ const m = await import('./format.js'); return rows.map((row) => m.{function}(...row)); }}"
    )
    told: list[str] = page.evaluate(script, rows)
    return told


def test_numbers_in_words_are_those_of_the_command_line(page: Page, site: Site) -> None:
    show(page, site.address)
    pairs = [(size, u) for size in SIZES for u in UNCERTAINTIES]
    spans = [(low, low + width) for low in SIZES for width in (0, 1, 20, 999, 30_000, 4 * 10**6, 61 * 10**9)]
    drifts = [(d, u) for d in (0.0, 0.004, -0.26, 12.0, 99.96, 100.0, -7_123.0, 250_000.0) for u in (0.001, 0.3, 50.0)]

    assert in_page(page, "duration", [(size,) for size in SIZES]) == [format_duration(size) for size in SIZES]
    assert in_page(page, "offset", pairs) == [format_offset(*pair) for pair in pairs]
    assert in_page(page, "limits", spans) == [format_limits(*span) for span in spans]
    assert in_page(page, "limits", [(None, 5), (-7, None), (None, None)]) == [
        format_limits(None, 5),
        format_limits(-7, None),
        "none",
    ]
    assert in_page(page, "drift", drifts) == [format_drift(d * 1e-9, u * 1e-9) for d, u in drifts]


@pytest.fixture(scope="module")
def thousand() -> Iterator[tuple[str, FleetEstimate]]:
    fleet, state = simulated_fleet(1_000, 60.0, seed=1), State()
    estimate = next(iter(fleet.ticks(60.0)))
    state.publish(estimate, fleet.facts)
    with web_serving(state, None, BUDGETS) as address:
        yield address, estimate


def test_a_thousand_hosts_weigh_little(page: Page, witness: Witness, thousand: tuple[str, FleetEstimate]) -> None:
    address, _ = thousand
    with page.expect_response("**/uplot.js"):  # it comes last, when the first view stands
        show(page, address)
    page.wait_for_timeout(300)

    finished = [reply for reply in witness.replies if "/updates" not in reply.url]
    weight = sum(
        reply.request.sizes()["responseBodySize"] + reply.request.sizes()["responseHeadersSize"] for reply in finished
    )
    assert any(reply.url.endswith("uplot.js") for reply in finished)
    assert any("api/v1/fleet" in reply.url for reply in finished)
    assert weight <= MOST_BYTES


def test_of_a_thousand_hosts_only_those_in_sight_have_rows(page: Page, thousand: tuple[str, FleetEstimate]) -> None:
    address, estimate = thousand
    show(page, address)
    rows = page.locator(".hosts .rows-body .row")
    expect(page.get_by_role("table")).to_have_attribute("aria-rowcount", "1001")
    assert rows.count() < 60
    page.evaluate("window.scrollTo(0, document.body.scrollHeight)")
    expect(page.locator(".rows-body [aria-rowindex='1001']")).to_be_in_viewport()
    assert rows.count() < 60
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert rows.count() == len(estimate.hosts) == 1_000
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert rows.count() < 60


def test_a_theme_is_chosen_and_remembered(page: Page, site: Site) -> None:
    show(page, site.address)
    background = "getComputedStyle(document.body).backgroundColor"
    light = page.evaluate(background)
    page.get_by_role("button", name="Theme: system").click()
    page.get_by_role("button", name="Theme: light").click()
    expect(page.get_by_role("button", name="Theme: dark")).to_be_visible()
    dark = page.evaluate(background)
    assert dark != light
    page.reload()
    assert page.evaluate(background) == dark

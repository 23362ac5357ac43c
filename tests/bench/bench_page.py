"""What the page costs with a large fleet: bytes, time to the first view, work of an update, frames while scrolling.

    python tests/bench/bench_page.py [--hosts 1000] [--loads 5]

Each load is a new browser context, so nothing comes from a cache. The server and the browser share this machine.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "support"))

from browser import chromium
from http_server import web_serving
from playwright.sync_api import Browser, CDPSession
from simulated_fleet import simulated_fleet

from noonmark.collector.budgets import BudgetRule, Budgets, parse_budget
from noonmark.collector.state import State

READY = "main[data-ready=fleet] .rows-body .row"
FIRST = "performance.getEntriesByName('shown fleet')[0].startTime"
SHOWN = "performance.getEntriesByName('shown fleet').at(-1).startTime"
UPDATE = """async () => {
  const frames = [];
  let last = performance.now();
  let going = true;
  const tick = (now) => { frames.push(now - last); last = now; if (going) requestAnimationFrame(tick); };
  requestAnimationFrame(tick);
  for (let n = 0; n < 60; n++) {
    window.scrollBy(0, 137);
    await new Promise((done) => requestAnimationFrame(done));
  }
  going = false;
  return frames.slice(2);
}"""


def first_view(browser: Browser, address: str) -> tuple[float, int]:
    """Seconds from the start of navigation until rows are there, and bytes received."""
    with browser.new_context(viewport={"width": 1280, "height": 800}) as context:
        page = context.new_page()
        replies = []
        page.on("response", lambda reply: replies.append(reply))
        page.goto(address + "/", wait_until="commit")
        page.wait_for_selector(READY)
        seconds = page.evaluate(FIRST) / 1e3
        page.wait_for_timeout(800)
        sizes = [reply.request.sizes() for reply in replies if "/updates" not in reply.url]
        return seconds, sum(size["responseBodySize"] + size["responseHeadersSize"] for size in sizes)


def metrics(session: CDPSession) -> dict[str, float]:
    """Seconds spent so far in the page's own work, by kind."""
    told = {one["name"]: one["value"] for one in session.send("Performance.getMetrics")["metrics"]}
    return {name: told[name] for name in ("ScriptDuration", "LayoutDuration", "RecalcStyleDuration")}


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hosts", type=int, default=1_000)
    parser.add_argument("--loads", type=int, default=5)
    given = parser.parse_args()
    fleet, state = simulated_fleet(given.hosts, 60.0, seed=1), State()
    estimate = next(iter(fleet.ticks(60.0)))
    state.publish(estimate, fleet.facts)
    budgets = Budgets((BudgetRule(parse_budget("1ms")),))
    with (
        tempfile.TemporaryDirectory() as scratch,
        web_serving(state, None, budgets) as address,
        chromium(Path(scratch)) as browser,
    ):
        loads = [first_view(browser, address) for _ in range(given.loads)]
        seconds = [load[0] for load in loads]
        print(f"hosts               {given.hosts}")
        print(f"bytes of first view {loads[0][1]}")
        print(
            f"first view          {statistics.median(seconds):.3f} s median, {min(seconds):.3f} to {max(seconds):.3f} s"
        )
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        page.goto(address + "/")
        page.wait_for_selector(READY)
        session = page.context.new_cdp_session(page)
        session.send("Performance.enable")
        before = metrics(session)
        frames = sorted(page.evaluate(UPDATE))
        work = {name: value - before[name] for name, value in metrics(session).items()}
        late = frames[int(len(frames) * 0.95)]
        print(f"frame in scrolling  {statistics.median(frames):.1f} ms median, {late:.1f} ms at 95 %")
        parts = ", ".join(f"{name} {1e3 * value / len(frames):.2f} ms" for name, value in work.items())
        print(f"work in a frame     {parts}")
        drawn = page.evaluate(SHOWN)
        started = time.perf_counter()
        state.publish(estimate, fleet.facts)
        while page.evaluate(SHOWN) == drawn and time.perf_counter() - started < 20:
            time.sleep(0.002)
        print(f"estimate to page    {time.perf_counter() - started:.3f} s until it is drawn")


if __name__ == "__main__":
    main()

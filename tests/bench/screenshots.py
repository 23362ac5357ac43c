"""Pictures of every view of the page, at 1280x800 and at a phone's width, of a simulated fleet; to be looked at.

    python tests/bench/screenshots.py FOLDER [--hosts 120] [--only fleet,host] [--dark] [--small]

Needs the dev extra and Chromium.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "support"))

from browser import chromium
from http_server import web_serving
from PIL import Image
from simulated_fleet import lived, simulated_fleet

from noonmark.collector.budgets import BudgetRule, Budgets, parse_budget
from noonmark.collector.instants import format_instant
from noonmark.collector.state import State

SIZES = {"wide": (1280, 800), "phone": (390, 844)}
BUDGETS = Budgets((BudgetRule(parse_budget("gates:2ms"), "role", "ticket gate"), BudgetRule(parse_budget("1ms"))))


def views(stepped: str, other: str, start_ns: int) -> dict[str, str]:
    """Each view's address."""
    begin = format_instant(start_ns + 60 * 10**9, digits=3)
    plan = f"start={begin}&plan=4m%3B+Boarding%3B+1m%2C+30s%0A20m%3B+Crossing%3B+2m"
    return {
        "fleet": "#/fleet",
        "host": f"#/host?a={stepped}&since=-3m",
        "pair": f"#/pair?a={stepped}&b={other}&since=-3m",
        "paths": "#/paths",
        "references": "#/references",
        "findings": "#/findings?since=-15m",
        "time": "#/time",
        "countdown": f"#/time?{plan}",
        "wall": "#/time?wall=1",
    }


def main() -> None:
    """Make the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--hosts", type=int, default=120)
    parser.add_argument("--only", default="")
    parser.add_argument("--dark", action="store_true")
    parser.add_argument("--small", action="store_true", help="few colours, for pictures that are kept")
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    # The collector's time runs slowly, so that all pictures show an estimate of just now.
    start_ns = time.time_ns() - 190 * 10**9
    fleet, state = simulated_fleet(given.hosts, start_ns=start_ns), State(lambda: time.monotonic_ns() // 20)
    other = next(name for name in fleet.probes.hosts if "booking" in name)
    chosen = {
        name: where for name, where in views(fleet.stepped, other, start_ns).items() if given.only in ("", name)
    } or {name: where for name, where in views(fleet.stepped, other, start_ns).items() if name in given.only.split(",")}
    with (
        tempfile.TemporaryDirectory() as scratch,
        lived(fleet, Path(scratch), state) as history,
        web_serving(state, history, BUDGETS) as site,
        chromium(Path(scratch) / "cache") as browser,
    ):
        for size, (width, height) in SIZES.items():
            page = browser.new_page(
                viewport={"width": width, "height": height}, color_scheme="dark" if given.dark else "light"
            )
            page.on("console", lambda message: print(message.type, message.text))
            page.on("pageerror", lambda error: print("error", error))
            for name, where in chosen.items():
                page.goto(f"{site}/{where}")
                page.reload()
                page.wait_for_selector(f"main[data-ready={where[2:].split('?')[0]}]")
                page.wait_for_timeout(900)
                path = given.folder / f"{name}-{size}{'-dark' if given.dark else ''}.png"
                page.screenshot(path=path)
                if given.small:
                    Image.open(path).convert("RGB").quantize(
                        256, Image.Quantize.MAXCOVERAGE, dither=Image.Dither.NONE
                    ).save(path, optimize=True)
            page.close()


if __name__ == "__main__":
    main()

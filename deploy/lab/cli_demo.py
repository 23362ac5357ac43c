"""`noonmark demo`: a whole fleet on this machine, its clocks wrong by known amounts and held to the truth. Rim."""

from __future__ import annotations

import importlib.util
import json
import math
import shutil
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from types import FrameType
from typing import IO

import click

from noonmark.collector.present import WIDTH
from noonmark.collector.present_tables import finding_lines, headline, host_table, wrapped
from noonmark.collector.query_client import QueryClient
from noonmark.collector.query_errors import NobodyThere, NoData, Refused
from noonmark.collector.views import FleetView
from noonmark.lab import scene_jammed
from noonmark.lab.demo_fleet import ChildEnded, DemoFleet
from noonmark.lab.demo_verdict import demo_json, judge, verdict_lines
from noonmark.lab.harbours import DemoHost, make_harbours
from noonmark.lab.receivers import DemoReceiver

# The programs it starts need these; better to say so here, where the root command turns it into one clear line.
for _library in ("numpy", "scipy", "aiohttp", "grpc_health"):
    if importlib.util.find_spec(_library) is None:
        raise ModuleNotFoundError(f"No module named {_library!r}", name=_library)

SECONDS_BETWEEN_LOOKS = 1.0
SECONDS_BETWEEN_NOTES = 10.0
"""Where there is no terminal to draw on."""
SECONDS_TO_START = 20.0
SECONDS_FOR_FIRST_ESTIMATE = 60.0
"""After these the demo gives up, even where it was to stay up."""


class NothingMeasured(click.ClickException):
    """The fleet gave no estimate."""

    exit_code = 3


class Screen:
    """A table drawn over and over on a terminal; elsewhere a line of progress now and then."""

    def __init__(self, stream: IO[str]) -> None:
        self._stream = stream
        self._live = stream.isatty()
        self._drawn = 0
        self._noted_at = float("-inf")

    @property
    def width(self) -> int:
        """Columns to draw in."""
        return shutil.get_terminal_size((WIDTH, 24)).columns if self._live else WIDTH

    def show(self, progress: str, lines: list[str], now: float) -> None:
        """Draw the lines under the line of progress, in place of what was drawn before."""
        if self._live:
            self.clear()
            size = shutil.get_terminal_size((WIDTH, 24))
            # A line that wrapped would make the cursor return to the wrong place.
            drawn = [line[: size.columns] for line in (progress, *lines)][: size.lines - 2]
            self._stream.write("".join(f"{line}\n" for line in drawn))
            self._drawn = len(drawn)
        elif now - self._noted_at >= SECONDS_BETWEEN_NOTES:
            self._stream.write(f"{progress}\n")
            self._noted_at = now
        self._stream.flush()

    def clear(self) -> None:
        """Take away what was drawn (cursor up, erase to the end of the screen: ECMA-48)."""
        if self._drawn:
            self._stream.write(f"\x1b[{self._drawn}A\x1b[J")
            self._drawn = 0


@click.command()
@click.option("--seconds", type=click.FloatRange(1, 86_400), default=None, metavar="S",
              help="End so long after the first estimate  [default: stay up until Ctrl-C].")  # fmt: skip
@click.option("--seed", type=click.IntRange(0), default=None, metavar="N",
              help="The same seed makes the same clock errors  [default: another each time].")  # fmt: skip
@click.option("--scene", type=click.Choice([scene_jammed.NAME]), default=None,
              help="Show something: `jammed`, one harbour's receiver loses its fix for a while.")  # fmt: skip
@click.option("--json", "as_json", is_flag=True, help="Print the estimate and the truth as JSON at the end.")
def demo(seconds: float | None, seed: int | None, scene: str | None, as_json: bool) -> None:
    """Run a whole fleet with known clock errors on this machine.

    A collector and fifteen agents of a ferry line's three harbours, Quay, Skerry and Holm, probe each other over
    loopback, each at its own address. Every agent's clock is wrong by an amount that only the demo knows; at the end
    the estimate is shown beside it. The machine's own clock is not touched. Exit code 1 if a truth lies outside its
    certain limits, 3 if nothing could be measured.

    In the scene `jammed` each reference has a satellite receiver. Quay's loses its fix: its reference goes to holdover,
    what is declared of its clock grows, the other harbours carry the fleet; then the fix returns. It takes two minutes
    unless --seconds says otherwise. Exit code 1 also if that was not to be seen.
    """
    hosts = make_harbours(time.time_ns() if seed is None else seed, time.time_ns())
    staged = None
    if scene is not None:
        hosts = scene_jammed.hosts_of(hosts)
        staged = scene_jammed.Course(hosts)
        seconds = seconds or scene_jammed.USUAL_SECONDS
    screen = Screen(sys.stderr if as_json else sys.stdout)
    try:
        with _told_to_stop(), ExitStack() as stack:
            receivers = _receivers(stack, hosts) if staged else {}
            fleet = stack.enter_context(DemoFleet(hosts, {name: one.place for name, one in receivers.items()}))
            click.echo("\n".join(_greeting(fleet)), err=as_json)
            stage = Stage(staged, receivers[staged.reference], seconds or 0.0) if staged else None
            view = _watch(fleet, screen, seconds, stage)
    except ChildEnded as error:
        screen.clear()
        raise click.ClickException(str(error)) from error
    except OSError as error:
        raise NothingMeasured(f"the fleet cannot be started: {error}") from error
    screen.clear()
    if view is None:
        raise NothingMeasured("no estimate came: give it more time with --seconds")
    sys.exit(_report(view, hosts, as_json, staged))


def _receivers(stack: ExitStack, hosts: tuple[DemoHost, ...]) -> dict[str, DemoReceiver]:
    """A receiver a reference, by the reference's name."""
    return {
        host.name: stack.enter_context(DemoReceiver(host.zone, host.address)) for host in hosts if host.is_reference
    }


@dataclass(frozen=True, slots=True)
class Stage:
    """A scene, and the receiver that it is played with."""

    course: scene_jammed.Course
    receiver: DemoReceiver
    seconds: float

    def play(self, view: FleetView | None, elapsed: float) -> str:
        """Jam or free the receiver, take the look in; what is going on."""
        self.receiver.fix = not scene_jammed.jammed(elapsed, self.seconds)
        if view is not None:
            self.course.look(view)
        return scene_jammed.note(self.course, elapsed, self.seconds)


@contextmanager
def _told_to_stop() -> Iterator[None]:
    """Make SIGTERM and SIGHUP end the demo as Ctrl-C does, children included."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = {number: signal.signal(number, stop) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _greeting(fleet: DemoFleet) -> list[str]:
    names = ", ".join(sorted({host.zone.capitalize() for host in fleet.hosts}))
    first = fleet.hosts[0]
    return [
        f"A ferry line with harbours {names}: {len(fleet.hosts)} agents and a collector, on this machine.",
        f"  page       {fleet.page}",
        f"  metrics    {fleet.page}metrics",
        f"             http://{first.address}:{fleet.agent_ports[first.name]}/metrics (agent of {first.name})",
        f"  questions  noonmark fleet --collector {fleet.collector}",
        "",
    ]


def _watch(fleet: DemoFleet, screen: Screen, seconds: float | None, stage: Stage | None = None) -> FleetView | None:
    """Show the fleet until the time is over or someone stops it; the last estimate, with paths.

    Time counts from the first estimate on, as machines differ in how long sixteen programs take to start; yet from
    SECONDS_TO_START at the latest. A scene's counts from when all its references have locked.
    """
    patience = SECONDS_TO_START if stage is None else SECONDS_TO_START + scene_jammed.SECONDS_TO_LOCK
    launched = time.monotonic()
    began: float | None = None
    view = None
    try:
        while True:
            fleet.check()
            view = _ask(fleet.collector) or view
            now = time.monotonic()
            if began is None and (_ready(view, stage) or now - launched > patience):
                began = now
            elapsed = 0.0 if began is None else now - began
            if elapsed >= (SECONDS_FOR_FIRST_ESTIMATE if view is None and seconds is None else seconds or math.inf):
                break
            lines = [] if view is None else _live_lines(view, screen.width)
            if stage is not None and began is not None:
                lines = [stage.play(view, elapsed), "", *lines]
            screen.show(_progress(view, elapsed, seconds), lines, now)
            time.sleep(min(SECONDS_BETWEEN_LOOKS, math.inf if seconds is None else seconds - elapsed))
    except KeyboardInterrupt:
        pass
    return _ask(fleet.collector) or view


def _ready(view: FleetView | None, stage: Stage | None) -> bool:
    return view is not None and (stage is None or stage.course.ready(view))


def _ask(collector: str) -> FleetView | None:
    """The present estimate, if there is any; by a new connection each time: one that was refused would wait in vain."""
    try:
        with QueryClient(collector, timeout_seconds=5.0) as client:
            view = client.fleet(paths=True)
    except (NobodyThere, NoData, Refused):
        return None
    return view if any(host.known for host in view.hosts) else None


def _live_lines(view: FleetView, width: int) -> list[str]:
    return [*wrapped(headline(view), width=width), "", *host_table(view, width=width)]


def _progress(view: FleetView | None, elapsed: float, seconds: float | None) -> str:
    end = "Ctrl-C ends" if seconds is None else f"of {seconds:.0f} s"
    known = 0 if view is None else sum(host.known for host in view.hosts)
    what = "programs are starting" if view is None else f"{known} of {len(view.hosts)} hosts measured"
    return f"{elapsed:4.0f} s {end}: {what}"


def _report(
    view: FleetView, hosts: tuple[DemoHost, ...], as_json: bool, staged: scene_jammed.Course | None = None
) -> int:
    verdict = judge(view, hosts)
    if as_json:
        document = demo_json(view, hosts) | ({"scene": scene_jammed.course_json(staged)} if staged else {})
        click.echo(json.dumps(document, ensure_ascii=False, indent=1))
    else:
        click.echo("\n".join(verdict_lines(verdict)))
        if staged is not None:
            click.echo("\n".join(["", *scene_jammed.course_lines(staged)]))
        if view.findings:
            click.echo("\n".join(["", *finding_lines(view.findings)]))
    if not verdict.errors_ns:
        return 3
    return 0 if verdict.certain and (staged is None or staged.good) else 1

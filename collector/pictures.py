"""Pictures for reports, drawn from views with matplotlib: a fleet at one moment, a host or a pair over time.

Rules: a direction is told in words, not by colour; whatever colour says, shape or text says too (and the colours are
those of Okabe and Ito, made for the colour-blind); what is not known is left blank and shaded as such, never joined by
a line; positive is ahead. Nothing here asks anybody or reads a clock.
"""

from __future__ import annotations

import itertools
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import IO, Any

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import NullFormatter

from noonmark.collector.budgets import COVERAGE_FACTOR, Budget, Fitness, host_budget
from noonmark.collector.instants import format_instant
from noonmark.collector.present import Unit, direction, fitting_unit, format_duration, format_offset, shortened
from noonmark.collector.present_tables import headline, worst_first
from noonmark.collector.views import FindingView, FleetView, HostView, PairView

MOST_HOSTS = 40
"""A picture with more rows cannot be read."""
MOST_MARKS = 12
NOTE_LINE_INCHES = 9 * 1.35 / 72
LEGEND_LINE_INCHES = 0.24
LONGEST_STEP_NS = 60 * 10**9
"""Two points of a course no further apart than this have no gap between them."""
DPI = 100
BLUE, SKY, ORANGE, VERMILION, GREEN, PURPLE, GREY = (
    "#0072B2", "#56B4E9", "#E69F00", "#D55E00", "#009E73", "#CC79A7", "#7F7F7F",
)  # fmt: skip
STYLE: Any = {
    "font.family": ["DejaVu Sans", "sans-serif"],
    "font.size": 10,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "grid.alpha": 0.3,
    "grid.linewidth": 0.6,
    "svg.fonttype": "none",
    "svg.hashsalt": "noonmark",
    "figure.facecolor": "white",
}
KINDS: dict[str, dict[str, str | None]] = {
    ".png": {"Software": "noonmark"},
    ".svg": {"Creator": "noonmark", "Date": None},
    ".pdf": {"Creator": "noonmark", "CreationDate": None},
}
"""Kinds of files, and what each is told of its making: no date, so that the same data give the same file."""
MARKS = {
    Fitness.WITHIN: ("o", BLUE, "within budget"),
    Fitness.OUT: ("X", VERMILION, "out of budget"),
    Fitness.CANNOT_BE_SHOWN: ("s", ORANGE, "cannot be shown"),
}


@dataclass(frozen=True, slots=True)
class Size:
    """In pixels; a vector picture has the same proportions."""

    width: int = 1280
    height: int = 800

    @property
    def inches(self) -> tuple[float, float]:
        """As matplotlib counts."""
        return self.width / DPI, self.height / DPI


def write_picture(figure: Figure, place: Path | IO[bytes], kind: str) -> None:
    """Write a picture as one of `KINDS`. Raises OSError."""
    with mpl.rc_context(STYLE):
        figure.savefig(place, format=kind.lstrip("."), metadata=KINDS[kind])


def fleet_picture(view: FleetView, *, budget: Budget | None = None, size: Size | None = None) -> Figure:
    """Every host with a known clock, worst first: error, expanded uncertainty, certain limits and budget."""
    with mpl.rc_context(STYLE):
        shown = [host for host in worst_first(view.hosts) if host.known]
        rows = shown[:MOST_HOSTS]
        figure = Figure(figsize=(size or Size()).inches, dpi=DPI)
        axes = figure.subplots()
        unit = fitting_unit(_widest(rows, budget))
        handles = _draw_hosts(axes, rows, unit, budget)
        lines = [headline(view), f"At {format_instant(view.at_ns, digits=0)} (reference time)."]
        notes = []
        if len(shown) > len(rows):
            most = max(abs(host.offset_ns or 0) for host in shown[len(rows) :])
            notes.append(f"{len(shown) - len(rows)} more hosts are off by no more than {format_duration(most)}")
        if len(shown) < len(view.hosts):
            unknown = [host.host for host in view.hosts if not host.known]
            named = ", ".join(unknown[:5]) + (" and others" if len(unknown) > 5 else "")
            notes.append(f"not known: {named}")
        _frame(figure, "Clocks of the fleet, worst first", lines, notes, handles)
        return figure


def _widest(rows: Sequence[HostView], budget: Budget | None) -> float:
    sizes = [abs(host.offset_ns or 0) + COVERAGE_FACTOR * (host.uncertainty_ns or 0) for host in rows]
    return max([*sizes, budget.tolerance_ns if budget else 0, 1])


def _draw_hosts(axes: Axes, rows: Sequence[HostView], unit: Unit, budget: Budget | None) -> list[Any]:
    """Rows of hosts; returns the legend's handles."""
    scale = unit.size_ns
    used = set()
    for place, host in enumerate(rows):
        offset = (host.offset_ns or 0) / scale
        spread = COVERAGE_FACTOR * (host.uncertainty_ns or 0) / scale
        if host.lower_ns is not None and host.upper_ns is not None:
            axes.barh(
                place, (host.upper_ns - host.lower_ns) / scale, 0.62, host.lower_ns / scale, color=SKY, alpha=0.35
            )
        axes.plot(
            [offset - spread, offset + spread], [place, place], color="black", linewidth=2.2, solid_capstyle="butt"
        )
        answer = host_budget(host, budget).fitness if budget else Fitness.WITHIN
        used.add(answer)
        marker = MARKS[answer][0]
        axes.plot(offset, place, marker, markersize=8, zorder=3, **_face(answer))
    axes.set_yticks(range(len(rows)), [_label(host) for host in rows])
    axes.set_ylim(len(rows) - 0.3, -0.7)
    axes.axvline(0, color="black", linewidth=0.8)
    handles: list[Any] = []
    if budget:
        tolerance = budget.tolerance_ns / scale
        axes.axvspan(-tolerance, tolerance, color=GREEN, alpha=0.09, zorder=0)
        for edge in (-tolerance, tolerance):
            axes.axvline(edge, color=GREEN, linewidth=1.2, linestyle=(0, (5, 3)))
        for answer, (marker, _, text) in MARKS.items():
            if answer in used:
                handles.append(Line2D([], [], marker=marker, linestyle="", label=text, **_face(answer)))
        handles.append(Patch(color=GREEN, alpha=0.25, label=f"budget ±{format_duration(budget.tolerance_ns)}"))
    else:
        handles.append(Line2D([], [], marker="o", color=BLUE, linestyle="", label="time error, estimated"))
    handles.append(Line2D([], [], color="black", linewidth=2.2, label="expanded uncertainty (k=2)"))
    handles.append(Patch(color=SKY, alpha=0.35, label="certain limits"))
    axes.set_xlabel(f"time error against the reference: behind ← {unit.name} → ahead")
    axes.grid(axis="y", visible=False)
    _fit_scale(axes, rows, scale)
    return handles


def _face(answer: Fitness) -> dict[str, Any]:
    """Filled where something is shown, hollow where nothing is."""
    colour = MARKS[answer][1]
    if answer is Fitness.CANNOT_BE_SHOWN:
        return {"color": colour, "markerfacecolor": "white", "markeredgewidth": 1.5}
    return {"color": colour, "markeredgecolor": "white", "markeredgewidth": 0.5}


def _label(host: HostView) -> str:
    note = {"reference": " (reference)", "stale": " (silent)"}.get(host.state, "")
    return shortened(host.host, 34) + note


def _fit_scale(axes: Axes, rows: Sequence[HostView], scale: int) -> None:
    """Logarithmic on both sides of zero where a few hosts are so far off that the rest could not be told apart."""
    axes.margins(x=0.03)  # else the outermost marks are cut in half
    sizes = sorted(abs(host.offset_ns or 0) / scale for host in rows)
    if not sizes or sizes[-1] <= 30 * max(sizes[len(sizes) // 2], 1 / scale):
        return
    widths = sorted((host.uncertainty_ns or 0) / scale for host in rows)
    least = max(widths[len(widths) // 2] * COVERAGE_FACTOR, sizes[-1] / 1e6)
    axes.set_xscale("symlog", linthresh=10 ** math.ceil(math.log10(least)))
    axes.xaxis.set_major_formatter(lambda value, _: f"{value:g}")


def course_picture(
    points: Sequence[PairView],
    findings: Sequence[FindingView] = (),
    *,
    budget: Budget | None = None,
    size: Size | None = None,
) -> Figure:
    """A host against the reference, or a pair, over time, and below how sure that is.

    `points` in order of time, at least one of them known.
    """
    points = with_gaps(points)
    known = [point for point in points if point.known]
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(size or Size()).inches, dpi=DPI)
        axes, below = figure.subplots(2, sharex=True, height_ratios=(4, 1))
        unit = fitting_unit(max([abs(point.offset_ns) for point in known] + [budget.tolerance_ns if budget else 1]))
        _draw_course(axes, points, unit, budget)
        _draw_sureness(below, points)
        notes = _mark_findings(axes, findings, points)
        a, b = points[0].a, points[0].b
        furthest, last = max(known, key=lambda point: abs(point.offset_ns)), known[-1]
        lines = [f"{word}: {_told(point)}" for word, point in (("Furthest", furthest), ("Last", last))]
        axes.set_ylabel(f"behind ← {unit.name} → ahead")
        below.set_ylabel("how sure")
        below.set_xlabel("reference time (UTC)")
        _frame(figure, _title(a, b), lines, notes, _named(axes) + _named(below))
        return figure


def _title(a: str, b: str | None) -> str:
    return f"{a}'s clock minus the reference" if b is None else f"{a}'s clock minus {b}'s"


def _told(point: PairView) -> str:
    moment = format_instant(point.at_ns, digits=0)
    return f"{format_offset(point.offset_ns, point.uncertainty_ns)} {direction(point.offset_ns)}, {moment}."


def with_gaps(points: Sequence[PairView]) -> list[PairView]:
    """The points, and an unknown one within each gap: where two are much further apart than they usually are."""
    steps = sorted(later.at_ns - before.at_ns for before, later in itertools.pairwise(points))
    longest = max(LONGEST_STEP_NS, 3 * steps[len(steps) // 2]) if steps else 0
    filled = list(points[:1])
    for before, later in itertools.pairwise(points):
        if later.at_ns - before.at_ns > longest:
            filled.append(PairView(later.a, later.b, (before.at_ns + later.at_ns) // 2, False, "nothing was kept"))
        filled.append(later)
    return filled


def _draw_course(axes: Axes, points: Sequence[PairView], unit: Unit, budget: Budget | None) -> None:
    scale = unit.size_ns
    times = [_date(point.at_ns) for point in points]
    offset = [point.offset_ns / scale if point.known else math.nan for point in points]
    spread = [COVERAGE_FACTOR * point.uncertainty_ns / scale for point in points]
    lower = [point.lower_ns / scale if point.known and point.lower_ns is not None else math.nan for point in points]
    upper = [point.upper_ns / scale if point.known and point.upper_ns is not None else math.nan for point in points]
    low = [value - around for value, around in zip(offset, spread, strict=True)]
    high = [value + around for value, around in zip(offset, spread, strict=True)]
    axes.fill_between(times, lower, upper, color=SKY, alpha=0.3, linewidth=0, label="certain limits")
    axes.fill_between(times, low, high, color=BLUE, alpha=0.45, linewidth=0, label="expanded uncertainty U (k=2)")
    few = sum(point.known for point in points) < 60
    axes.plot(times, offset, color="black", linewidth=1.3, marker="o" if few else "", markersize=3, label="estimated")
    for since, until in _unknown(points):
        shade: dict[str, Any] = {"color": GREY, "alpha": 0.25, "hatch": "//", "linewidth": 0}
        axes.axvspan(_date(since), _date(until), label="not known", **shade)
    axes.axhline(0, color="black", linewidth=0.8)
    if budget:
        tolerance = budget.tolerance_ns / scale
        label = f"budget ±{format_duration(budget.tolerance_ns)}"
        for edge in (-tolerance, tolerance):
            axes.axhline(edge, color=GREEN, linewidth=1.4, linestyle=(0, (5, 3)), label=label)
    locator = AutoDateLocator(tz=UTC, minticks=4)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=UTC))  # type: ignore[no-untyped-call]
    axes.set_xlim(times[0], times[-1] if times[-1] > times[0] else times[0] + 1 / 86_400)
    axes.margins(y=0.08)


def _draw_sureness(axes: Axes, points: Sequence[PairView]) -> None:
    """Half the limits' width and U over time: at the scale of the error itself they often cannot be seen."""
    times = [_date(point.at_ns) for point in points]
    nothing = math.nan
    half = [
        (point.upper_ns - point.lower_ns) / 2
        if point.known and point.lower_ns is not None and point.upper_ns is not None and point.upper_ns > point.lower_ns
        else nothing
        for point in points
    ]
    spread = [COVERAGE_FACTOR * point.uncertainty_ns if point.known else nothing for point in points]
    axes.plot(times, half, color=SKY, linewidth=1.4, linestyle=(0, (4, 1.5)), label="half the limits' width")
    axes.plot(times, [value or nothing for value in spread], color=BLUE, linewidth=1.4, label="U")
    values = [value for value in (*half, *spread) if value > 0]
    if values:
        axes.set_yscale("log")
        axes.set_ylim(min(values) / 2, max(values) * 2)
    axes.yaxis.set_major_formatter(lambda value, _: format_duration(value, digits=1))
    axes.yaxis.set_minor_formatter(NullFormatter())


def _unknown(points: Sequence[PairView]) -> list[tuple[int, int]]:
    """Stretches without an answer, each from the last known moment before it to the first after it."""
    stretches = []
    began: int | None = None
    for before, point in zip([None, *points], points, strict=False):
        if not point.known and began is None:
            began = before.at_ns if before else point.at_ns
        if point.known and began is not None:
            stretches.append((began, point.at_ns))
            began = None
    if began is not None:
        stretches.append((began, points[-1].at_ns))
    return stretches


def _mark_findings(axes: Axes, findings: Sequence[FindingView], points: Sequence[PairView]) -> list[str]:
    """Numbered marks above the axis; returns the texts, in order of time."""
    within = [finding for finding in findings if points[0].at_ns <= finding.at_ns <= points[-1].at_ns]
    chosen = sorted(within, key=lambda finding: finding.at_ns)[-MOST_MARKS:]
    for number, finding in enumerate(chosen, start=1):
        moment = _date(finding.at_ns)
        axes.axvline(moment, color=PURPLE, linewidth=1.1, linestyle=":")
        axes.annotate(
            str(number), (moment, 1), xycoords=("data", "axes fraction"), xytext=(0, -4), textcoords="offset points",
            ha="center", va="top", fontsize=9, color="white", fontweight="bold",
            bbox={"boxstyle": "circle,pad=0.25", "facecolor": PURPLE, "edgecolor": "none"},
        )  # fmt: skip
    texts = [
        f"({number}) {format_instant(finding.at_ns, digits=0)[11:]}  {finding.text}"
        for number, finding in enumerate(chosen, start=1)
    ]
    if len(within) > len(chosen):
        texts.append(f"and {len(within) - len(chosen)} earlier findings")
    return texts


def _date(at_ns: int) -> float:
    """Days since 1970, as matplotlib counts; to the microsecond, and a picture needs no more."""
    return at_ns / 86_400e9


def _named(axes: Axes) -> list[Any]:
    """What an axes' legend should tell, each once."""
    return list({handle.get_label(): handle for handle in axes.get_legend_handles_labels()[0]}.values())


def _frame(figure: Figure, title: str, lines: Sequence[str], notes: Sequence[str], handles: Sequence[Any]) -> None:
    """Title and sentences above, the legend and notes below, each wrapped to the picture's width."""
    pixels = figure.get_figwidth() * DPI
    head = [text for line in lines for text in _wrapped(line, int(pixels / 7.7))]
    foot = [text for note in notes for text in _wrapped(note, int(pixels / 7))]
    # Two texts at one place: the title on top, blank lines under it for the sentences.
    figure.suptitle(title + "\n" * len(head), x=0.01, ha="left", fontsize=14, fontweight="bold", linespacing=1.25)
    figure.text(0.01, 0.985 - 0.28 / figure.get_figheight(), "\n".join(head), ha="left", va="top", linespacing=1.35)
    columns = min(len(handles), max(1, int(pixels // 235)))
    noted = (len(foot) * NOTE_LINE_INCHES + 0.05) / figure.get_figheight() if foot else 0.0
    bottom = noted + math.ceil(len(handles) / columns) * LEGEND_LINE_INCHES / figure.get_figheight()
    figure.text(0.01, 0.005, "\n".join(foot), ha="left", va="bottom", fontsize=9, color="#333333", linespacing=1.35)
    figure.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.0, noted), ncols=columns, frameon=False)
    figure.set_layout_engine(ConstrainedLayoutEngine(rect=(0, bottom, 1, 1 - bottom)))


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width) or [""]

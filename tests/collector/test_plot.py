"""Pictures: what is written in them, what is left blank, and how the command ends. How they look was looked at."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pytest
from builders import SECOND_NS, START_NS, Host, build, unknown
from click.testing import CliRunner, Result
from courses import FERRY, TICK_NS, estimate_of
from matplotlib.figure import Figure

from noonmark.collector.budgets import parse_budget
from noonmark.collector.cli import main
from noonmark.collector.estimate import Finding, FindingKind
from noonmark.collector.history import open_history
from noonmark.collector.pictures import MOST_HOSTS, Size, course_picture, fleet_picture, with_gaps, write_picture
from noonmark.collector.view_estimate import fleet_view
from noonmark.collector.views import FindingView, PairView

MS = 10**6


def texts(figure: Figure) -> str:
    """All text of a picture, by way of SVG, whose text stays text."""
    page = io.BytesIO()
    write_picture(figure, page, ".svg")
    found = re.findall(r"<text[^>]*>(.*?)</text>", page.getvalue().decode(), re.S)
    return "\n".join(re.sub(r"<[^>]+>", "", text).strip() for text in found)


def point(second: float, offset_ns: int = 0, *, known: bool = True) -> PairView:
    at_ns = START_NS + round(second * SECOND_NS)
    return PairView("quay-gate-1", None, at_ns, known, "", offset_ns, 1_000, offset_ns - 9_000, offset_ns + 9_000)


def test_the_fleet_is_told_worst_first_with_its_budget_by_shape_and_text() -> None:
    hosts = [
        Host("holm-fit", 100_000),
        Host("quay-out", 9 * MS),
        Host("skerry-wide", -MS, below_ns=5 * MS, above_ns=5 * MS),
    ]
    figure = fleet_picture(fleet_view(build([*hosts, unknown("holm-lost")])), budget=parse_budget("2ms"))

    words = texts(figure)
    assert [label.get_text() for label in figure.axes[0].get_yticklabels()] == ["quay-out", "skerry-wide", "holm-fit"]
    for text in ("within budget", "out of budget", "cannot be shown", "budget ±2 ms", "behind ← ms → ahead"):
        assert text in words
    assert "not known: holm-lost" in words
    markers = {line.get_marker() for line in figure.axes[0].lines} & {"o", "X", "s"}
    assert markers == {"o", "X", "s"}, "never by colour alone"


def test_a_large_fleet_shows_its_worst_and_tells_of_the_rest() -> None:
    hosts = [Host(f"h{number:03}", 1_000 * number) for number in range(MOST_HOSTS + 30)]
    figure = fleet_picture(fleet_view(build(hosts)))

    assert len(figure.axes[0].get_yticklabels()) == MOST_HOSTS
    assert "30 more hosts are off by no more than 29 µs" in texts(figure)


def test_few_far_off_hosts_do_not_hide_the_rest() -> None:
    close = [Host(f"h{number}", 1_000 * number) for number in range(9)]
    drawn = fleet_picture(fleet_view(build(close))).axes[0]
    assert drawn.get_xscale() == "linear"
    left, right = drawn.get_xlim()
    places = [float(x) for line in drawn.lines for x in line.get_xdata()]
    assert left < min(places), "no mark is cut by the edge"
    assert max(places) < right
    far = fleet_picture(fleet_view(build([*close, Host("far", 10**10)])))
    assert far.axes[0].get_xscale() == "symlog"


def test_a_gap_is_left_blank_and_said_to_be_not_known() -> None:
    points = [point(5 * number, 1_000_000) for number in range(40) if not 10 <= number < 30]
    filled = with_gaps(points)

    assert [place.at_ns for place in filled if not place.known] == [START_NS + round(97.5 * SECOND_NS)]
    figure = course_picture(points)
    line = next(line for line in figure.axes[0].lines if line.get_label() == "estimated")
    drawn = np.asarray(line.get_ydata(), float)
    assert np.isnan(drawn).sum() == 1
    assert np.nanmax(drawn) == pytest.approx(1.0)
    assert "not known" in texts(figure)


def test_even_points_have_no_gap_however_far_apart() -> None:
    assert with_gaps([point(600 * number) for number in range(5)]) == [point(600 * number) for number in range(5)]
    assert with_gaps([point(0)]) == [point(0)]


def test_a_course_tells_who_is_ahead_of_whom_and_numbers_its_findings() -> None:
    findings = [
        FindingView("step", START_NS + 30 * SECOND_NS, "was set forward by 5 ms", "quay-gate-1"),
        FindingView("step", START_NS + 9_999 * SECOND_NS, "much later", "quay-gate-1"),
    ]
    figure = course_picture([point(0, -MS), point(30, 4 * MS), point(60, 4 * MS)], findings, budget=parse_budget("2ms"))

    words = texts(figure)
    assert "quay-gate-1's clock minus the reference" in words
    assert "4.0000 ms ± 0.0020 ms ahead" in words
    assert "(1) 06:55:33Z  was set forward by 5 ms" in words
    assert "much later" not in words
    assert "budget ±2 ms" in words


def test_the_picture_is_as_large_as_asked() -> None:
    page = io.BytesIO()
    write_picture(course_picture([point(0), point(5)], size=Size(640, 480)), page, ".png")
    assert page.getvalue()[:8] == b"\x89PNG\r\n\x1a\n"
    assert (int.from_bytes(page.getvalue()[16:20]), int.from_bytes(page.getvalue()[20:24])) == (640, 480)


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("history") / "history"
    random = np.random.default_rng(4)
    step = Finding(FindingKind.STEP, START_NS + 200 * SECOND_NS, "was set 7 ns on", FERRY[3].name, size_ns=7)
    with open_history(path) as store:
        for number in range(60):
            store.append(
                estimate_of(FERRY, START_NS + number * TICK_NS, random, findings=[step] if number > 40 else [])
            )
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(main, ["plot", *map(str, arguments)])


@pytest.mark.parametrize("names", [(), ("quay-gate-1",), ("quay-gate-1", "holm-db-1")])
def test_the_command_writes_pictures_of_a_history(history: Path, tmp_path: Path, names: tuple[str, ...]) -> None:
    once, again = tmp_path / "once.svg", tmp_path / "again.svg"
    for place in (once, again):
        result = run(*names, "-o", place, "--history", history, "--budget", "database")
        assert result.exit_code == 0, result.output
    assert "quay-gate-1" in once.read_text()
    assert once.read_bytes() == again.read_bytes(), "the same data, the same file"
    assert run(*names, "-o", tmp_path / "a.png", "--history", history, "--size", "640x480").exit_code == 0
    assert (tmp_path / "a.png").read_bytes()[:4] == b"\x89PNG"


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("-o", "a.gif"), 2, ".png, .svg, .pdf"),
        (("-o", "a.png", "--since", "-1h"), 2, "name one"),
        (("gate", "-o", "a.png", "--at", "-1h"), 2, "--since"),
        (("-o", "a.png", "--budget", "dinner"), 2, "dinner"),
        (("-o", "a.png", "--size", "big"), 2, "1280x800"),
        (("nobody", "-o", "a.png"), 3, "nobody"),
        (("-o", "no/such/folder/a.png"), 2, "cannot be written"),
    ],
)
def test_what_cannot_be_drawn_is_told_in_one_line(
    history: Path, arguments: tuple[str, ...], code: int, words: str
) -> None:
    result = run(*arguments, "--history", history)
    assert result.exit_code == code, result.output
    assert words in result.stderr
    assert "Traceback" not in result.output

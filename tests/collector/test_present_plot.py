from __future__ import annotations

from builders import START_NS
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.present_plot import HEIGHT, plot
from noonmark.collector.views import PairView

SECOND_NS = 10**9


def point(seconds: float, offset: int, *, below: int | None = 500, above: int | None = 500) -> PairView:
    lower = None if below is None else offset - below
    upper = None if above is None else offset + above
    return PairView("a", "b", START_NS + round(seconds * SECOND_NS), True, "", offset, 100, lower, upper)


def drawn(points: list[PairView], length: int = 60, width: int = 80) -> list[str]:
    return plot(points, since_ns=START_NS, until_ns=START_NS + length * SECOND_NS, width=width)


def test_a_rising_offset_rises_from_left_to_right() -> None:
    lines = drawn([point(second, 1_000 * second) for second in range(60)])

    rows = [line.split("│")[1] for line in lines[1 : HEIGHT + 1]]
    places = [row.index("•") for row in rows if "•" in row]
    assert places == sorted(places, reverse=True)
    assert lines[0].startswith("µs ahead (negative: behind)   ")
    assert lines[0].endswith("   • estimate  ┊ within certain limits")
    assert len(lines[0]) == 80
    assert drawn([point(0, 0)], width=40)[0] == "ns ahead (negative: behind)"
    assert lines[-1].split() == ["2026-11-25T06:55:03Z", "2026-11-25T06:56:03Z"]


def test_limits_surround_the_estimate() -> None:
    lines = drawn([point(5, 0, below=5_000, above=5_000), point(6, 100, below=5_000, above=5_000)])

    assert sum("┊" in line for line in lines[1:]) >= 6


def test_far_limits_do_not_flatten_the_estimates() -> None:
    lines = drawn([point(second, 100 * second, below=10**12, above=None) for second in range(60)])

    assert sum("•" in line for line in lines[1:]) == HEIGHT


def test_a_gap_stays_empty() -> None:
    lines = drawn([point(2, 0), point(50, 0)], width=60)

    marks = "".join(line.split("│")[1] for line in lines[1 : HEIGHT + 1])
    assert marks.count("•") == 2


def test_nothing_known_is_said() -> None:
    assert drawn([PairView("a", None, START_NS, False, "lost")]) == ["nothing is known in this time"]


def test_plain_is_ascii() -> None:
    lines = plot([point(1, 5)], since_ns=START_NS, until_ns=START_NS + SECOND_NS * 9, plain=True)

    assert "\n".join(lines).replace("µ", "u").isascii()


@given(
    st.lists(
        st.tuples(st.floats(0, 59), st.integers(-(10**15), 10**15), st.none() | st.integers(0, 10**15)), min_size=1
    ),
    st.integers(40, 200),
)
def test_every_line_fits(values: list[tuple[float, int, int | None]], width: int) -> None:
    lines = drawn([point(second, offset, below=below) for second, offset, below in values], width=width)

    assert max(map(len, lines[1:-1])) <= width
    assert len(lines) == HEIGHT + 2

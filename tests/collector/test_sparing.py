"""A log that nobody can fill."""

from __future__ import annotations

from noonmark.collector.sparing import Sparing


def test_the_first_are_told_and_then_one_says_how_many_were_not() -> None:
    sparing = Sparing(most=3, within=60.0)
    assert [sparing.left_out(1.0) for _ in range(5)] == [0, 0, 0, None, None]
    assert sparing.left_out(60.9) is None
    assert [sparing.left_out(61.0) for _ in range(4)] == [3, 0, 0, None]
    assert sparing.left_out(1e6) == 1

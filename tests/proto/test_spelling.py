"""Suggestions for words that are not known."""

from __future__ import annotations

from noonmark.proto.spelling import did_you_mean

HOSTS = ("holm-booking", "quay-gate-2", "quay-gate-1", "quay-reference")


def test_the_nearest_are_suggested_and_nothing_far() -> None:
    assert did_you_mean("holm-bookng", HOSTS) == "did you mean holm-booking?"
    assert did_you_mean("quay-gat-1", HOSTS) == "did you mean quay-gate-1 or quay-gate-2?"
    assert did_you_mean("elsewhere", HOSTS) == ""
    assert did_you_mean("quay", ()) == ""

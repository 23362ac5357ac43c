"""What is said of the reference in the first five seconds."""

from __future__ import annotations

import pytest

from noonmark.collector.reference_standing import Standing, standing

LOCKED, HOLDOVER, FREE, UNTOLD = ("locked", None), ("holdover", 720.0), ("free-run", None), ("unknown", None)


@pytest.mark.parametrize(
    ("locks", "silent", "at_odds", "state", "text"),
    [
        ([LOCKED], 0, 0, "good", "The reference is locked."),
        ([LOCKED] * 3, 0, 0, "good", "All 3 references are locked and agree."),
        ([UNTOLD], 0, 0, "unknown", "The reference does not say whether it is locked to its source."),
        ([UNTOLD] * 2, 0, 0, "unknown", "No reference says whether it is locked to its source."),
        ([HOLDOVER], 0, 0, "lost", "The reference is not locked; ref-0 is in holdover for 12 min."),
        (
            [LOCKED, HOLDOVER, LOCKED],
            0,
            0,
            "doubtful",
            "2 of 3 references are locked; ref-1 is in holdover for 12 min.",
        ),
        (
            [HOLDOVER, FREE],
            0,
            0,
            "lost",
            "None of 2 references is locked; ref-0 is in holdover for 12 min, ref-1 is in free-run.",
        ),
        ([LOCKED, UNTOLD], 0, 0, "doubtful", "1 of 2 references is locked."),
        ([LOCKED], 1, 0, "doubtful", "Not heard: ref-1. 1 of 2 references is locked."),
        (
            [LOCKED] * 3,
            0,
            1,
            "doubtful",
            "References disagree: ref-0 against the others. All 3 references are locked.",
        ),
        ([], 1, 0, "doubtful", "Not heard: ref-0."),
        ([], 0, 0, "none", "No reference is declared: errors are told against the fleet's mean."),
    ],
)
def test_the_reference_in_a_word_and_a_sentence(
    locks: list[tuple[str, float | None]], silent: int, at_odds: int, state: str, text: str
) -> None:
    names = [f"ref-{number}" for number in range(len(locks) + silent)]
    assert standing(names, dict(zip(names, locks, strict=False)), names[:at_odds]) == Standing(state, text)

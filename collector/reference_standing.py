"""Is the reference good? One word and one or two sentences, from what each reference says and is found to be. Pure,
free of numpy.

*good*: every declared reference is heard, locked, and contradicted by no other. *doubtful*: some are. *lost*: none is
locked, and some say so. *unknown*: none says. *none*: no host is declared as the reference.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from noonmark.collector.present import format_age

Lock = tuple[str, float | None]
"""State of a reference's source (locked, holdover, free-run, unknown), and for how many seconds it is without one."""


@dataclass(frozen=True, slots=True)
class Standing:
    """The answer."""

    state: str
    text: str


def standing(named: Sequence[str], locks: Mapping[str, Lock], at_odds: Sequence[str] = ()) -> Standing:
    """`named`: every declared reference; `locks`: of those that are heard; `at_odds`: whom the others contradict."""
    if not named:
        return Standing("none", "No reference is declared: errors are told against the fleet's mean.")
    silent = [host for host in named if host not in locks]
    locked = [host for host, (state, _) in locks.items() if state == "locked"]
    untold = all(state == "unknown" for state, _ in locks.values())
    parts = [f"References disagree: {_joined(at_odds)} against the others."] if at_odds else []
    if silent:
        parts.append(f"Not heard: {_joined(silent)}.")
    if len(locked) == len(named):
        agree = "" if at_odds else " and agree"
        parts.append(
            "The reference is locked." if len(named) == 1 else f"All {len(named)} references are locked{agree}."
        )
    elif locks and untold:
        one = "The reference does not say" if len(locks) == 1 else "No reference says"
        parts.append(f"{one} whether it is locked to its source.")
    elif locks:
        count = f"{len(locked) or 'None'} of {len(named)} references {'is' if len(locked) < 2 else 'are'} locked"
        parts.append(f"{'The reference is not locked' if len(named) == 1 else count}{_without_source(locks)}.")
    return Standing(_state(bool(at_odds or silent), len(named), len(locked), untold), " ".join(parts))


def _state(trouble: bool, named: int, locked: int, untold: bool) -> str:
    if locked == named and not trouble:
        return "good"
    if locked or trouble:
        return "doubtful"
    return "unknown" if untold else "lost"


def _without_source(locks: Mapping[str, Lock]) -> str:
    told = []
    for host, (state, seconds) in locks.items():
        if state in ("holdover", "free-run"):
            since = "" if seconds is None else f" for {format_age(round(seconds * 1e9))}"
            told.append(f"{host} is in {state}{since}")
    return f"; {', '.join(told[:3])}{' and others too' if told[3:] else ''}" if told else ""


def _joined(names: Sequence[str]) -> str:
    return ", ".join(names[:3]) + (f" and {len(names) - 3} more" if names[3:] else "")

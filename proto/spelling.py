"""Which known words somebody may have meant who wrote an unknown one. Pure."""

from __future__ import annotations

from collections.abc import Iterable

LIKENESS = 0.7
"""Least ratio of common letters (difflib's), so that what is suggested is a slip of the keyboard away."""


def did_you_mean(word: str, known: Iterable[str], *, most: int = 2) -> str:
    """``did you mean quay-gate-1 or quay-gate-2?``, the likeliest first; empty where nothing is near."""
    import difflib  # only here: it is seldom needed, and the agent is to stay small

    near = difflib.get_close_matches(word, sorted(set(known)), n=most, cutoff=LIKENESS)
    return f"did you mean {' or '.join(near)}?" if near else ""


def no_such_host(host: str, hosts: Iterable[str]) -> str:
    """A reason that helps: that no host has this name, and the nearest names that there are."""
    near = did_you_mean(host, hosts, most=3)
    return f"no host named {host} is known{'; ' + near if near else ''}"

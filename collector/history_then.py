"""Pairs at one past moment: what is asked of it is read when it is first needed, and once. Pure."""

from __future__ import annotations

import functools
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from noonmark.collector import history_answers as answers
from noonmark.collector.estimate import PairEstimate
from noonmark.collector.history_interpolation import Interpolated

if TYPE_CHECKING:
    from noonmark.collector.history_mesh import PastMesh


@dataclass(frozen=True, slots=True)
class Asked:
    """One host at one moment: in words, and in columns (C, 1), if it was ever kept."""

    told: PairEstimate
    number: int = -1
    columns: Interpolated | None = None


class Then:
    """Pairs at one past moment; the paths are read once, and each host once."""

    def __init__(
        self,
        at_ns: int,
        hosts: Callable[[], tuple[str, ...]],
        mesh: Callable[[], PastMesh | None],
        own: Callable[[str], Asked],
    ) -> None:
        self.at_ns = at_ns
        self.hosts = functools.cache(hosts)
        self._mesh = functools.cache(mesh)
        self._own = functools.cache(own)

    def pair(self, a: str, b: str) -> PairEstimate:
        """See `History.pair_at`."""
        one, other = self._own(a), self._own(b)
        found = answers.difference(one.told, other.told, caution=answers.OWN_LIMITS)
        if one.columns is not None and other.columns is not None and (mesh := self._mesh()) is not None:
            through = mesh.between(a, b, (one.number, other.number), (one.columns, other.columns))
            found = found if through is None else answers.surest(found, through)
        findings = (*one.told.findings, *other.told.findings)
        near = {(each.kind, each.host, each.path, each.at_ns): each for each in findings}
        return replace(found, findings=tuple(sorted(near.values(), key=lambda finding: finding.at_ns)))

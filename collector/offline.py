"""Answers for the command line from a history at hand, without a collector: the same views as `QueryClient` gives.

"Now" is the newest moment kept: nothing later is known here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from types import TracebackType

from noonmark.collector.history import NEAR_NS, History, open_history
from noonmark.collector.instants import format_instant
from noonmark.collector.query_errors import NoData
from noonmark.collector.view_estimate import finding_view, fleet_view, pair_view
from noonmark.collector.views import FindingView, FleetView, PairView, Span


class OfflineSource:
    """Asks one store, opened for reading only. Raises NoData where there is nothing, HistoryError if it cannot read."""

    def __init__(self, location: str) -> None:
        self._history: History = open_history(location, read_only=True)
        self.history = self._history
        """The store itself, for whoever needs many numbers at once."""
        self.address = location

    def __enter__(self) -> OfflineSource:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._history.close()

    def span(self) -> Span:
        """From when to when there is an answer; "now" is not told, since nobody here knows it."""
        first_ns, last_ns = self._history.span() or (None, None)
        return Span(None, first_ns, last_ns, self._history.hosts())

    def fleet(self, at_ns: int | None = None, *, paths: bool = False) -> FleetView:
        """Every host then; None: at the newest moment kept."""
        moment = self._moment(at_ns)
        estimate = self._history.estimate_at(moment)
        if estimate is None:
            first_ns = self._span()[0]
            raise NoData(f"no estimate at {format_instant(moment)}: the history begins at {format_instant(first_ns)}")
        found = self._history.findings(moment - NEAR_NS, moment + NEAR_NS)
        return fleet_view(estimate, labels=self._history.places(moment), paths=paths, findings=found)

    def offset(self, a: str, b: str | None = None, at_ns: int | None = None) -> PairView:
        """a's clock minus b's then."""
        return pair_view(self._history.pair_at(a, b, self._moment(at_ns)))

    def then(self, at_ns: int) -> Callable[[str, str], PairView]:
        """Several pairs at one moment: a function of two hosts."""
        then = self._history.then(at_ns)
        return lambda a, b: pair_view(then.pair(a, b))

    def others(self, a: str, at_ns: int | None = None) -> Iterator[PairView]:
        """a against every other host then."""
        return map(pair_view, self._history.pairs_at(a, self._moment(at_ns)))

    def course(self, a: str, b: str | None, since_ns: int, until_ns: int, *, step_ns: int = 0) -> Iterator[PairView]:
        """The pair over a stretch of time."""
        return map(pair_view, self._history.course(a, b, since_ns, until_ns, step_ns=step_ns))

    def findings(self, since_ns: int, until_ns: int, host: str | None = None) -> list[FindingView]:
        """What was found in a stretch of time."""
        return [finding_view(finding) for finding in self._history.findings(since_ns, until_ns, host)]

    def _span(self) -> tuple[int, int]:
        span = self._history.span()
        if span is None:
            raise NoData(f"{self.address}: the history is empty")
        return span

    def _moment(self, at_ns: int | None) -> int:
        return self._span()[1] if at_ns is None else at_ns

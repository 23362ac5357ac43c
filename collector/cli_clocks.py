"""What the commands that order events know of clocks: from a collector, a history, one estimate in a file, or nothing.

The sources are those of `cli_options`; here they are made to answer for arrays, and a question that a source cannot
answer (a moment before its history begins) becomes an unknown answer instead of an end.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, TypeVar

import click
import numpy as np

from noonmark.collector import cli_options
from noonmark.collector.cli_options import Source, WrongUse
from noonmark.collector.clock_knowledge import ClockKnowledge
from noonmark.collector.clock_lines import ClockKnots
from noonmark.collector.clock_table import ClockTable, NoKnowledge
from noonmark.collector.estimate import UNBOUNDED_NS
from noonmark.collector.known_clocks import KnownClocks
from noonmark.collector.offline import OfflineSource
from noonmark.collector.query_errors import NoData, Refused
from noonmark.collector.views import FindingView, PairView
from noonmark.proto.spelling import no_such_host

Command = TypeVar("Command", bound=Callable[..., Any])
USED = ("offset_ns", "uncertainty_ns", "lower_ns", "upper_ns")


def correction_options(command: Command) -> Command:
    """`--estimate` and `--raw`, beside the reading options, for commands that put times in order."""
    return estimate_option(
        click.option("--raw", is_flag=True, help="Correct nothing: take the stamps as they are.")(command)
    )


def estimate_option(command: Command) -> Command:
    """`--estimate`, in the place of a collector or a history."""
    return click.option(
        "--estimate",
        "estimate_file",
        metavar="FILE",
        help="One estimate for the whole time: the JSON document of 'noonmark solve' or 'noonmark fleet'.",
    )(command)


class Forgiving:
    """A source whose refusals are unknown answers."""

    def __init__(self, source: Source) -> None:
        self._source = source

    def offset(self, a: str, b: str | None = None, at_ns: int | None = None) -> PairView:
        """See `ClockSource`."""
        try:
            return self._source.offset(a, b, at_ns)
        except (NoData, Refused) as error:
            return PairView(a, b, at_ns or 0, False, str(error))

    def then(self, at_ns: int) -> Callable[[str, str], PairView]:
        """See `ClockSource`."""
        if isinstance(self._source, OfflineSource):
            return self._source.then(at_ns)
        return lambda a, b: self.offset(a, b, at_ns)

    def course(self, a: str, b: str | None, since_ns: int, until_ns: int, *, step_ns: int = 0) -> Iterable[PairView]:
        """See `ClockSource`."""
        try:
            yield from self._source.course(a, b, since_ns, until_ns, step_ns=step_ns)
        except (NoData, Refused):
            return

    def findings(self, since_ns: int, until_ns: int, host: str | None = None) -> Iterable[FindingView]:
        """See `ClockSource`."""
        try:
            return list(self._source.findings(since_ns, until_ns, host))
        except (NoData, Refused):
            return []


@contextmanager
def clock_knowledge(
    hosts: Sequence[str], *, collector: str, history: str | None, timeout: float, estimate_file: str | None, raw: bool
) -> Iterator[ClockKnowledge]:
    """What the options let be known of some hosts."""
    if sum([raw, estimate_file is not None, history is not None]) > 1:
        raise WrongUse("--raw, --estimate and --history are three ways: use one")
    if raw:
        yield NoKnowledge()
    elif estimate_file is not None:
        yield read_estimate(estimate_file)
    else:
        with cli_options.opened(collector, history, timeout) as source:
            known = source.span().hosts  # whether anybody is there is told before any output is begun
            try:
                yield KnownClocks(Forgiving(source), hosts)
            finally:  # behind the output, where it is seen, and before an error that it may be the cause of
                for host in hosts:
                    if host not in known:
                        click.echo(no_such_host(host, known), err=True)


def read_estimate(path: str) -> ClockTable:
    """One estimate from its JSON document. Raises WrongUse, naming what is wrong."""
    try:
        document = json.loads(Path(path).read_bytes())
        at_ns, hosts = int(document["at_ns"]), list(document["hosts"])
        rows = [row for row in hosts if all(row.get(name) is not None for name in USED[:2])]
        names = [str(row["host"]) for row in rows]
        columns = {name: [row.get(name) for row in rows] for name in (*USED, "drift_ppb")}
    except OSError as error:
        raise WrongUse(f"--estimate {path}: {error.strerror or error}") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise WrongUse(
            f"--estimate {path}: not the JSON document of 'noonmark solve' or 'noonmark fleet' ({error})"
        ) from error

    def column(name: str, absent: float, kind: type) -> np.ndarray[Any, Any]:
        return np.array([[absent if value is None else value] for value in columns[name]], kind)

    return ClockTable(
        names,
        ClockKnots(
            at_ns=np.array([at_ns]),
            offset_ns=column("offset_ns", 0, np.int64),
            drift=column("drift_ppb", 0.0, np.float64) / 1e9,
            uncertainty_ns=column("uncertainty_ns", np.inf, np.float64),
            drift_uncertainty=np.zeros((len(names), 1)),
            lower_ns=column("lower_ns", -UNBOUNDED_NS, np.int64),
            upper_ns=column("upper_ns", UNBOUNDED_NS, np.int64),
            gap=np.zeros(0, np.bool_),
        ),
    )

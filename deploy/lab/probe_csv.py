"""A simulation as files: probes as CSV that `noonmark solve` reads, the truth as JSON. Rim: writes to an open file.

CSV columns are src,dst,t1_ns,t2_ns,t3_ns,t4_ns, one row an exchange, whole nanoseconds. The optional extra columns
tell what an agent knows besides: `stamps` (who took t1..t4, one letter each: h network card, k kernel, u program),
`src_epoch` and `dst_epoch` (clock epochs, 0 not told) and `measuring` (1 for the measuring packet of a pair).
"""

from __future__ import annotations

import gzip
import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any, cast

import numpy as np
import pyarrow as pa
from pyarrow import csv

from noonmark.collector.estimate import ProbeColumns
from noonmark.lab.faults import Event, FaultKind
from noonmark.lab.truth import Truth
from noonmark.proto.records import MEASURING_BIT

ROWS_AT_ONCE = 500_000
STAMP_LETTERS = "hku"
"""Of StampSource 0, 1, 2."""
_STAMP_WORDS = np.array(
    ["".join(STAMP_LETTERS[flags >> shift & 3] if flags >> shift & 3 < 3 else "?" for shift in (0, 2, 4, 6))
     for flags in range(256)]
)  # fmt: skip


@contextmanager
def open_for_writing(name: str, standard_output: IO[bytes]) -> Iterator[IO[bytes]]:
    """A file to write to; compressed if its name ends in .gz, standard output for '-'. Raises OSError."""
    if name == "-":
        yield standard_output
        standard_output.flush()
    elif name.endswith(".gz"):
        # No name and no time inside, so that equal simulations make equal files.
        with (
            Path(name).open("wb") as raw,
            gzip.GzipFile(filename="", mode="wb", fileobj=raw, compresslevel=3, mtime=0) as packed,
        ):
            yield cast(IO[bytes], packed)
    else:
        with Path(name).open("wb") as raw:
            yield raw


def write_probes(stream: IO[bytes], probes: ProbeColumns, *, extra: bool = False) -> None:
    """Write all rows in their order, with a header; `extra` adds the optional columns."""
    names = pa.array(probes.hosts)
    writer = None
    for begin in range(0, max(1, len(probes)), ROWS_AT_ONCE):
        batch = _batch(probes, names, slice(begin, begin + ROWS_AT_ONCE), extra)
        if writer is None:
            writer = csv.CSVWriter(
                stream, batch.schema, write_options=csv.WriteOptions(include_header=False, quoting_style="none")
            )
            stream.write((",".join(batch.schema.names) + "\n").encode())
        writer.write_batch(batch)
    if writer is not None:
        writer.close()


def _batch(probes: ProbeColumns, names: Any, rows: slice, extra: bool) -> Any:
    columns = {
        "src": names.take(pa.array(probes.source[rows])),
        "dst": names.take(pa.array(probes.destination[rows])),
        "t1_ns": pa.array(probes.t1_ns[rows]),
        "t2_ns": pa.array(probes.t2_ns[rows]),
        "t3_ns": pa.array(probes.t3_ns[rows]),
        "t4_ns": pa.array(probes.t4_ns[rows]),
    }
    if extra:
        flags = probes.flags[rows]
        columns["stamps"] = pa.array(_STAMP_WORDS[flags & 255])
        columns["src_epoch"] = pa.array(probes.source_epoch[rows])
        columns["dst_epoch"] = pa.array(probes.destination_epoch[rows])
        columns["measuring"] = pa.array((flags & MEASURING_BIT != 0).astype(np.uint8))
    return pa.record_batch(columns)


def truth_to_json(truth: Truth, at_ns: int) -> dict[str, Any]:
    """The truth at one instant of true time: whole nanoseconds, drifts in parts per billion.

    Offsets are errors against true time; a sole reference is true time itself.
    """
    offsets, drifts = truth.offsets_ns(at_ns).tolist(), (truth.drifts(at_ns) * 1e9).tolist()
    return {
        "kind": truth.kind,
        "seed": truth.seed,
        "at_ns": at_ns,
        "reference": truth.references[0].host,
        "references": [
            {"host": given.host, "uncertainty_ns": given.uncertainty_ns, "limit_ns": given.limit_ns}
            for given in truth.references
        ],
        "hosts": {
            host: {"offset_ns": offset, "drift_ppb": round(drift, 6), "zone": truth.zones[host]}
            for host, offset, drift in zip(truth.hosts, offsets, drifts, strict=True)
        },
        "events": [_event_to_json(event) for event in truth.events],
    }


def _event_to_json(event: Event) -> dict[str, Any]:
    drift = event.kind is FaultKind.FREQUENCY_CHANGE
    size = {"size_ppb": event.size * 1e9} if drift else {"size_ns": round(event.size)}
    what: dict[str, Any] = {"kind": event.kind.value, "at_ns": event.at_ns, **size}
    parts = (("host", event.host), ("path", event.path), ("detail", event.detail or None))
    return {**what, **dict(itertools.filterfalse(lambda part: part[1] is None, parts))}

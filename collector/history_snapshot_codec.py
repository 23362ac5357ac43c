"""All paths of one instant in one piece of bytes, with what a pair needs of their hosts. Pure.

Numbers are as fine as history_quantise.py says. A path's offset is kept as what its hosts' offsets leave of it, its
limits as their distances from the offset, its drift as what its hosts' drifts leave: small numbers, column by column as
bytes sorted by significance. So one instant is read without any other.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from noonmark.collector.estimate import Bool, FleetEstimate, Float64, Int64
from noonmark.collector.history_codec import Damaged, seal, unseal
from noonmark.collector.history_columns import (
    COLUMNS,
    DRIFT,
    EFFECT,
    LOWER,
    OFFSET,
    PATHS,
    ROUND_TRIP,
    UNBOUNDED,
    UNCERTAINTY,
    UPPER,
    to_femto,
    to_picoseconds,
)
from noonmark.collector.history_quantise import from_log, quantise, to_log

_HEAD = struct.Struct("<BqII")  # form, instant, hosts, paths
_FORM = 3
DRIFT_BITS = 19
"""A host's drift in steps of 5e-10."""
_SHARED_STEPS = [OFFSET, LOWER, ROUND_TRIP]
Ends = Callable[[Int64], Int64]
"""The numbers (2, P) of both hosts of paths numbered (P,): they never change."""


@dataclass(frozen=True, slots=True)
class Snapshot:
    """H hosts by number, rising, and P paths by number, rising, at one instant."""

    at_ns: int
    hosts: Int64
    host_offset_ns: Int64
    host_drift: Int64
    """In units of 1e-15."""
    host_own: Int64
    """Standard uncertainty that is each host's own, picoseconds; UNBOUNDED where it was not told."""
    paths: Int64
    first: Int64
    """(P,) places of each path's ends among the hosts."""
    second: Int64
    matrix: Int64
    """(C, P)"""


def pack_snapshot(snapshot: Snapshot) -> bytes:
    """As bytes, but for the paths' ends. What comes back is never surer than what was given."""
    steps, found = quantise(
        np.array([snapshot.at_ns]), snapshot.matrix[:, :, None], np.ones((len(snapshot.paths), 1), np.bool_), PATHS
    )
    codes = found[:, :, 0]
    drift = (snapshot.host_drift + (1 << DRIFT_BITS - 1)) >> DRIFT_BITS
    codes[DRIFT] = (snapshot.matrix[DRIFT] + (1 << DRIFT_BITS - 1)) >> DRIFT_BITS
    unbounded = np.abs(snapshot.matrix[[LOWER, UPPER]]) >= UNBOUNDED
    near = codes[OFFSET] << steps[OFFSET] >> steps[LOWER]
    codes[LOWER] = np.where(unbounded[0], 0, near - codes[LOWER])
    codes[UPPER] = np.where(unbounded[1], 0, codes[UPPER] - near)
    codes[OFFSET] -= _between(snapshot.host_offset_ns, snapshot) >> steps[OFFSET]
    left = codes[DRIFT] - _between(drift, snapshot)
    codes[DRIFT] = np.where(np.abs(left) <= 1, 0, left)  # what rounding both makes
    hosts = [_risen(snapshot.hosts), snapshot.host_offset_ns, drift, to_log(snapshot.host_own)]
    paths = [_risen(snapshot.paths), *codes, *steps[_SHARED_STEPS]]
    head = _HEAD.pack(_FORM, snapshot.at_ns, len(snapshot.hosts), len(snapshot.paths))
    return seal(b"".join([head, np.packbits(unbounded).tobytes(), *map(_packed, hosts), *map(_packed, paths)]))


def unpack_snapshot(body: bytes, ends: Ends) -> Snapshot:
    """Undo `pack_snapshot`. Raises Damaged."""
    plain = unseal(body)
    try:
        return _read(plain, ends)
    except (struct.error, ValueError, IndexError) as error:
        raise Damaged(f"stored bytes are damaged: {error}") from error


def _read(plain: bytes, ends: Ends) -> Snapshot:
    form, at_ns, host_count, count = _HEAD.unpack_from(plain)
    if form != _FORM:
        raise Damaged(f"stored bytes have the form {form}, which is unknown here")
    place = _HEAD.size + (2 * count + 7) // 8
    bits = np.frombuffer(plain, np.uint8, place - _HEAD.size, _HEAD.size)
    unbounded = np.unpackbits(bits, count=2 * count).reshape(2, count).view(np.bool_)

    def column(entries: int, into: Int64 | None = None) -> Int64:
        nonlocal place
        into = np.empty(entries, np.int64) if into is None else into
        width, least = _COLUMN.unpack_from(plain, place)
        place += _COLUMN.size + width * entries
        _unpacked(np.frombuffer(plain, np.uint8, width * entries, place - width * entries), width, least, into)
        return into

    hosts = np.cumsum(column(host_count)) - 1
    offset, drift = column(host_count), column(host_count)
    own = from_log(column(host_count))
    paths = np.cumsum(column(count)) - 1
    matrix = np.empty((COLUMNS, count), np.int64)
    for row in range(COLUMNS):
        column(count, matrix[row])
    steps = {row: column(count) for row in _SHARED_STEPS}
    first, second = placed(hosts, ends(paths))
    found = Snapshot(at_ns, hosts, offset, drift << DRIFT_BITS, own, paths, first, second, matrix)
    matrix[OFFSET] += _between(offset, found) >> steps[OFFSET]
    matrix[OFFSET] <<= steps[OFFSET]
    near = matrix[OFFSET] >> steps[LOWER]
    matrix[LOWER] = (near - matrix[LOWER]) << steps[LOWER]
    matrix[UPPER] = (near + matrix[UPPER]) << steps[LOWER]
    if unbounded.any():
        matrix[LOWER, unbounded[0]], matrix[UPPER, unbounded[1]] = -UNBOUNDED, UNBOUNDED
    matrix[DRIFT] += _between(drift, found)
    matrix[DRIFT] <<= DRIFT_BITS
    matrix[ROUND_TRIP] <<= steps[ROUND_TRIP]
    for row in (UNCERTAINTY, EFFECT):
        matrix[row] = from_log(matrix[row])
    return found


def placed(hosts: Int64, ends: Int64) -> Int64:
    """Places (2, P) of numbers (2, P) among `hosts`, which rise. Raises ValueError for one that is not there."""
    place = np.full(int(max(hosts.max(initial=0), ends.max(initial=0))) + 1, -1, np.int64)
    place[hosts] = np.arange(len(hosts))
    found = place[ends]
    if found.min(initial=0) < 0:
        raise ValueError("a path ends at a host that is not there")
    return np.asarray(found)


def _between(values: Int64, snapshot: Snapshot) -> Int64:
    return np.asarray(values[snapshot.second] - values[snapshot.first])


def _risen(numbers: Int64) -> Int64:
    return np.diff(numbers, prepend=-1)


_COLUMN = struct.Struct("<Bq")  # bytes of each number, the least of them


def _packed(values: Int64) -> bytes:
    """How far each is above the least."""
    least = int(values.min()) if len(values) else 0
    above = (values - least).view(np.uint64)
    width = (int(above.max(initial=0)).bit_length() + 7) // 8
    return _COLUMN.pack(width, least) + above.view(np.uint8).reshape(-1, 8)[:, :width].T.tobytes()


def _unpacked(octets: NDArray[np.uint8], width: int, least: int, into: Int64) -> None:
    """Undo `_packed`."""
    entries = len(into)
    if width == 0:
        into[:] = least
        return
    low = octets[:entries]
    if width == 1:
        np.add(low, np.int64(least), out=into)
        return
    into[:] = octets[(width - 1) * entries :]
    for place in range(width - 2, -1, -1):
        into <<= 8
        into |= octets[place * entries : (place + 1) * entries]
    into += least


def snapshot_of(
    estimate: FleetEstimate, host_numbers: Int64, path_numbers: Int64, turned: Bool, matrix: Int64
) -> Snapshot:
    """An estimate's paths by number: columns (C, P) as kept, some of them `turned` against the estimate's."""
    order = np.argsort(host_numbers, kind="stable")
    place = np.empty(len(order), np.int64)
    place[order] = np.arange(len(order))
    first, second = place[estimate.paths.first], place[estimate.paths.second]
    first, second = np.where(turned, second, first), np.where(turned, first, second)
    drift = to_femto(np.where(np.isfinite(estimate.drift), estimate.drift, 0.0))
    told = np.full(len(order), np.inf) if estimate.own_ns is None else estimate.own_ns
    by_path = np.argsort(path_numbers, kind="stable")
    return Snapshot(
        at_ns=estimate.at_ns,
        hosts=host_numbers[order],
        host_offset_ns=estimate.offset_ns[order],
        host_drift=drift[order],
        host_own=to_picoseconds(told)[order],
        paths=path_numbers[by_path],
        first=first[by_path],
        second=second[by_path],
        matrix=matrix[:, by_path],
    )


def snapshot_of_paths(at_ns: int, paths: Int64, ends: Int64, matrix: Int64) -> Snapshot:
    """Paths numbered (P,), rising, of whose hosts nothing else is known: these stand as a tree of the paths says."""
    hosts = np.unique(ends)
    first, second = placed(hosts, ends)
    offset, drift = _along_a_tree(len(hosts), first, second, matrix[[OFFSET, DRIFT]])
    return Snapshot(at_ns, hosts, offset, drift, np.full(len(hosts), UNBOUNDED), paths, first, second, matrix)


def _along_a_tree(nodes: int, first: Int64, second: Int64, rise: Int64) -> Int64:
    """Levels (R, V) that rise by `rise` (R, E) from first to second along some tree of the edges; 0 at its roots."""
    neighbours: list[list[tuple[int, int, int]]] = [[] for _ in range(nodes)]
    for edge, (a, b) in enumerate(zip(first.tolist(), second.tolist(), strict=True)):
        neighbours[a].append((b, edge, 1))
        neighbours[b].append((a, edge, -1))
    level = np.zeros((len(rise), nodes), np.int64)
    seen = bytearray(nodes)
    for root in range(nodes):
        queue = [] if seen[root] else [root]
        seen[root] = 1
        for node in queue:
            for other, edge, sign in neighbours[node]:
                if not seen[other]:
                    seen[other] = 1
                    level[:, other] = level[:, node] + sign * rise[:, edge]
                    queue.append(other)
    return level


def own_of_hosts(hosts: Int64, snapshots: Sequence[Snapshot]) -> Float64 | None:
    """What of the uncertainty of each of the hosts (H,) is its own, ns: the greatest that the snapshots tell; NaN where
    none tells it."""
    own = np.full(int(hosts.max(initial=-1)) + 1, np.nan)
    for snapshot in snapshots:
        inside = snapshot.hosts < len(own)
        numbers, kept = snapshot.hosts[inside], snapshot.host_own[inside]
        own[numbers] = np.fmax(own[numbers], np.where(kept >= UNBOUNDED, np.nan, kept / 1e3))
    found = own[hosts]
    return None if np.isnan(found).any() else found

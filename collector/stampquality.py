"""What is known of the stamps themselves: how finely a clock ticks, and who took them. Pure.

Both are errors that all of a host's paths share, so no mesh can average them out or even see them.
"""

from __future__ import annotations

import numpy as np

from noonmark.collector.estimate import Float64, Int32, Int64, ProbeColumns
from noonmark.proto.records import StampSource, pack_flags

SAMPLE = 200_000
FEWEST = 8
STAMP_UNCERTAINTY_NS = {StampSource.HARDWARE: 10.0, StampSource.KERNEL: 50.0, StampSource.USER: 4_000.0}
"""Half the difference between how late a receipt and how early a sending is stamped at best (k = 1), measured on Linux:
kernel stamps on loopback and virtual Ethernet err by 0.1 to 0.3 µs, least-delay user-space stamps by some µs."""

_UNIFORM = {pack_flags((source,) * 4, False): source for source in StampSource}


def granularity(probes: ProbeColumns) -> Int64:
    """The tick of each host's clock, ns (H,): the largest power of ten that divides all its stamps, 1 if unknown.

    Judged from a sample; a host with fewer than eight stamps is taken to tick in nanoseconds.
    """
    hosts = len(probes.hosts)
    every = max(1, len(probes) // SAMPLE)
    host, stamp = _stamps_of_hosts(probes, slice(None, None, every))
    tick = np.ones(hosts, dtype=np.int64)
    open_ = np.bincount(host, minlength=hosts) >= FEWEST
    for power in range(1, 10):
        fine = np.bincount(host, stamp % 10**power != 0, hosts) > 0
        open_ &= ~fine
        if not open_.any():
            break
        tick[open_] = 10**power
    return tick


def _stamps_of_hosts(probes: ProbeColumns, rows: slice) -> tuple[Int32, Int64]:
    source, destination = probes.source[rows], probes.destination[rows]
    host = np.concatenate([source, destination, destination, source])
    stamp = np.concatenate([probes.t1_ns[rows], probes.t2_ns[rows], probes.t3_ns[rows], probes.t4_ns[rows]])
    return host, stamp


def stamp_uncertainty(probes: ProbeColumns) -> Float64:
    """Standard uncertainty (ns, (H,)) that a host's way of stamping gives its offset.

    A host counts as stamped by the best source that took at least a tenth both of its sendings and of its receipts.
    """
    hosts = len(probes.hosts)
    told = probes.flags & 255
    if int(told[0]) in _UNIFORM and (told == told[0]).all():
        return np.full(hosts, STAMP_UNCERTAINTY_NS[_UNIFORM[int(told[0])]])
    kinds = np.flatnonzero(np.bincount(told, minlength=256))
    place = np.zeros(256, dtype=np.int64)
    place[kinds] = np.arange(len(kinds))
    asked, answered = (
        np.bincount(host * np.int64(len(kinds)) + place[told], minlength=hosts * len(kinds)).reshape(hosts, len(kinds))
        for host in (probes.source, probes.destination)
    )
    total = asked.sum(axis=1) + answered.sum(axis=1)
    takers = [(kinds >> shift) & 3 for shift in (0, 2, 4, 6)]
    sent, received = ((takers[0], takers[2]), (takers[3], takers[1]))
    out = np.full(hosts, STAMP_UNCERTAINTY_NS[StampSource.USER])
    for source in (StampSource.KERNEL, StampSource.HARDWARE):
        good = np.ones(hosts, dtype=bool)
        for of_source, of_destination in (sent, received):
            by = asked @ (of_source <= source).astype(np.int64) + answered @ (of_destination <= source).astype(np.int64)
            good &= by >= 0.1 * total
        out[good] = STAMP_UNCERTAINTY_NS[source]
    return out

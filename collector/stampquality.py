"""What is known of the stamps themselves: how finely a clock ticks, and who took them. Pure.

Both are errors that all of a host's paths share, so no mesh can average them out or even see them.

A host that stamps its receipts r late at best and its sendings s early seems ahead by c = (r - s) / 2. Of a difference
of two hosts stamped alike only what differs in c is left. A host's part of its round trips is r + s, and whatever is
unlike in the roads to it; over hosts whose r and s have nothing to do with each other, var(c) = (var(r) + var(s)) / 4 =
var(r + s) / 4; where what makes a host slow makes both late, it is less. So half the spread of round trips from host
to host bounds the spread of c, and where they are more alike than stamps of that kind are known to be, that is learned.
"""

from __future__ import annotations

import numpy as np
from scipy.special import erfcx

from noonmark.collector.estimate import Bool, Float64, Int32, Int64, ProbeColumns
from noonmark.collector.fleet import PRIOR_FREEDOM
from noonmark.proto.records import StampSource, pack_flags

SAMPLE = 200_000
"""So many probes, or paths, teach as much as all."""
FEWEST = 8
STAMP_UNCERTAINTY_NS = {StampSource.HARDWARE: 10.0, StampSource.KERNEL: 50.0, StampSource.USER: 4_000.0}
"""Half the difference between how late a receipt and how early a sending is stamped at best (k = 1), measured on Linux:
kernel stamps on loopback and virtual Ethernet err by 0.1 to 0.3 µs, least-delay user-space stamps by some µs."""

MOST_UNLIKE = 3.0
"""Programs on a fleet's hosts may stamp so much less alike than is known of one program. Common practice, no source."""

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


def stamp_shares(
    uncertainty_ns: Float64,
    exact: Bool,
    anchored: bool,
    first: Int64,
    second: Int64,
    round_trip_ns: Float64,
    group: Int64,
) -> tuple[Float64, Float64]:
    """(each host's own part, each host against the reference), standard uncertainties in ns, (H,) each.

    `uncertainty_ns` (H,) is what each host's way of stamping gives; `exact` (H,) which host is the reference itself,
    `anchored` whether there is any reference; for the paths (P,) see `stamp_spread`. Where all are stamped alike the
    reference is but one of them: two hosts then differ by no more than one differs from the reference, so that each has
    its share of the variance, a half, and so has the reference. Where they are not, what all of a kind share does not
    cancel, and each keeps the whole.
    """
    if (uncertainty_ns != uncertainty_ns[0]).any():
        whole = np.where(exact, 0.0, uncertainty_ns)
        return whole, whole
    share = uncertainty_ns / np.sqrt(2.0)
    learned = stamp_spread(float(share[0]), first, second, round_trip_ns, group, len(share))
    # Of kernels' stamps it is the roads that differ; programs differ by more than is known of one of them.
    most = MOST_UNLIKE if uncertainty_ns[0] == STAMP_UNCERTAINTY_NS[StampSource.USER] else 1.0
    share = np.minimum(most * share, learned)
    # Of a mean of the fleet itself nothing is left but each host's own part.
    against = np.where(exact, 0.0, share * np.sqrt(2.0)) if anchored else share
    return share, against


def stamp_spread(
    known_ns: float, first: Int64, second: Int64, round_trip_ns: Float64, group: Int64, hosts: int
) -> float:
    """How unlike hosts stamped alike are in c, ns (k = 1), by the least round trips of P paths.

    `known_ns` is what it would be by what is known of such stamps; `group` (P,) numbers paths that are long alike, -1
    for those within a site. Less their group's mean, two paths of one host have the host's part in common and nothing
    else: the mean product of all such couples is the parts' variance. By chance it may be below 0, where no variance
    is: so it is taken for the middle of a normal law that is cut off there (every variance as likely beforehand), whose
    mean counts. The root is shrunk, in logarithm, towards what is known, as if that were PRIOR_FREEDOM hosts.
    """
    every = 1 + len(first) // SAMPLE
    if every > 1:
        # All paths of some first hosts: couples of paths are what counts.
        some = first % every == 0
        first, second, round_trip_ns, group = first[some], second[some], round_trip_ns[some], group[some]
    usual = np.bincount(group + 1, round_trip_ns) / np.maximum(np.bincount(group + 1), 1)
    excess = round_trip_ns - usual[group + 1]
    ends, twice = np.concatenate([first, second]), np.concatenate([excess, excess])
    degree = np.bincount(ends, minlength=hosts)
    couples = float((degree * (degree - 1.0)).sum())
    freedom = int((degree > 1).sum()) - 1
    if couples == 0.0 or freedom < 1:
        return known_ns
    found = float((np.bincount(ends, twice, hosts) ** 2 - np.bincount(ends, twice**2, hosts)).sum()) / couples
    chance = float((excess**2).mean()) * np.sqrt(2.0 / couples)
    chance = max(float(np.hypot(chance, max(found, 0.0) * np.sqrt(2.0 / freedom))), 1.0)
    spread = np.sqrt(found + chance * _above_zero(found / chance)) / 2.0
    return float(np.exp((PRIOR_FREEDOM * np.log(known_ns) + freedom * np.log(spread)) / (PRIOR_FREEDOM + freedom)))


def _above_zero(z: float) -> float:
    """How far the mean of a normal law of standard deviation 1 is moved by cutting it off z below its mean."""
    # By the scaled complementary error function, which stays exact far down the tail.
    return float(np.sqrt(2.0 / np.pi) / erfcx(-z / np.sqrt(2.0)))

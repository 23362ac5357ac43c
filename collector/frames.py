"""Rough clocks, so that exact ones can be sought in small numbers. Pure.

Stamps of hosts that are hours or years apart must become float64 without losing a nanosecond, and the instant of a
probe must be known in *reference* time: a path drifting by 30 ppm, dated 20 ms wrong, is 0.6 µs wrong. A frame is
a straight line a host that is good to microseconds; stamps minus frame are small, and dated in reference time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_array
from scipy.sparse.csgraph import breadth_first_order, connected_components, minimum_spanning_tree

from noonmark.collector.estimate import Float64, Int32, Int64

NS = 1e9
FASTEST = 5e-4
"""Rate by which an honest clock may be off: what adjtimex(2) allows."""


@dataclass(frozen=True, slots=True)
class Frames:
    """H straight lines x_i(t) = offset + drift (t - epoch), t being reference time."""

    epoch_ns: int
    offset_ns: Int64
    drift: Float64

    def relative(self, host: Int32, stamp_ns: Int64) -> Float64:
        """Reference time of each stamp by its host's frame, in ns since `epoch_ns` (exact to 0.01 ns within a day).

        From stamp = t + offset + drift (t - epoch) follows t - epoch = (stamp - epoch - offset) / (1 + drift).
        """
        elapsed = (stamp_ns - self.offset_ns[host] - self.epoch_ns).astype(np.float64)
        if self.drift.any():
            elapsed /= 1.0 + self.drift[host]
        return elapsed

    def at(self, instant_ns: int) -> Int64:
        """Each host's frame offset (H,) at an instant of reference time, whole ns."""
        moved = np.rint(self.drift * float(instant_ns - self.epoch_ns)).astype(np.int64)
        return np.asarray(self.offset_ns + moved, dtype=np.int64)

    def moved(self, offset_ns: Float64, drift: Float64) -> Frames:
        """Frames corrected by a residual offset (ns) and drift found relative to them, at the same epoch.

        A residual drift d on top of a frame of drift f is a clock of rate (1 + f)(1 + d).
        """
        whole = np.rint(offset_ns).astype(np.int64)
        return Frames(self.epoch_ns, self.offset_ns + whole, (1.0 + self.drift) * (1.0 + drift) - 1.0)


def rough_offsets(
    hosts: int, first: Int32, second: Int32, difference_ns: Int64, round_trip_ns: Int64, roots: Int64
) -> tuple[Int64, Int32]:
    """Clock offsets (H,) along a tree of shortest round trips, and each host's component (H,).

    `difference_ns` (P,) is x_second - x_first of each pair. Each component hangs on its first host of `roots`, else on
    its lowest-numbered host, whose offset is 0.
    """
    weight = np.maximum(round_trip_ns.astype(np.float64), 1.0)
    tree = minimum_spanning_tree(coo_array((weight, (first, second)), shape=(hosts, hosts)).tocsr())
    count, component = connected_components(tree, directed=False)
    anchor = np.unique(component, return_index=True)[1].astype(np.int64)
    anchor[component[roots[::-1]]] = roots[::-1]
    # One virtual host above all anchors makes a single tree of the forest.
    links = coo_array((np.ones(count), (np.full(count, hosts), anchor)), shape=(hosts + 1, hosts + 1)).tocsr()
    branches = tree.tocoo()
    forest = coo_array((branches.data, (branches.row, branches.col)), shape=(hosts + 1, hosts + 1)).tocsr()
    _, parents = breadth_first_order(forest + links, hosts, directed=False)
    parent = np.asarray(parents[:hosts], dtype=np.int64)
    step = _steps_to_parents(hosts, first, second, difference_ns, parent)
    return _sum_to_root(parent, step), component.astype(np.int32)


def _steps_to_parents(hosts: int, first: Int32, second: Int32, difference_ns: Int64, parent: Int64) -> Int64:
    """x_host - x_parent for each host; 0 for those that hang on the virtual host."""
    child_is_second = parent[second] == first
    child_is_first = parent[first] == second
    step = np.zeros(hosts, dtype=np.int64)
    step[second[child_is_second]] = difference_ns[child_is_second]
    step[first[child_is_first]] = -difference_ns[child_is_first]
    return step


def _sum_to_root(parent: Int64, step: Int64) -> Int64:
    """Sum `step` along each host's way to the root, by doubling the reach each round."""
    hosts = len(parent)
    reach = np.append(np.where(parent >= hosts, hosts, parent), hosts)
    total = np.append(step, 0)
    while (reach != hosts).any():
        total = total + total[reach]
        reach = reach[reach]
    return np.asarray(total[:hosts])

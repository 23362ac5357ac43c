"""Against what a fleet without a reference is measured: the mean of its own clocks, part by part. Pure.

Every probe tells a difference; a fleet that names no reference has no other zero than itself. The mean is over the
clocks that stay together: one that is hours off would drag it along, and has no say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Float64, Int64
from noonmark.collector.limits import constraints, reversed_constraints, shortest
from noonmark.collector.network import Solution

STRAY = 5.0
"""Clocks further from the median than so many times the median distance have no say in the mean."""
LEAST_STRAY_NS = 1_000.0
ALL_PAIRS = 300
"""Up to so many hosts, limits against the mean come from every host's own shortest paths; above, from one host's."""


@dataclass(frozen=True, slots=True)
class Mean:
    """Weights (H,) of each host in its component's mean, summing to 1 there; components (H,)."""

    weight: Float64
    component: Int64

    def of(self, values: Float64) -> Float64:
        """Each host's component's mean of some values (H,) or (H, k), as (H,) or (H, k)."""
        columns = values[:, None] if values.ndim == 1 else values
        count = int(self.component.max(initial=0)) + 1
        means = np.stack([np.bincount(self.component, self.weight * column, count) for column in columns.T], axis=1)
        out = means[self.component]
        return np.asarray(out[:, 0] if values.ndim == 1 else out)


def mean_of_fleet(offset_ns: Float64, component: Int64) -> Mean:
    """Equal weights for the clocks of each component that stay together."""
    weight = np.zeros(len(offset_ns))
    for part in np.unique(component):
        members = np.flatnonzero(component == part)
        away = np.abs(offset_ns[members] - np.median(offset_ns[members]))
        together = members[away <= STRAY * np.median(away) + LEAST_STRAY_NS]
        weight[together] = 1.0 / len(together)
    return Mean(weight, component)


def variance_to_mean(solution: Solution, mean: Mean) -> Float64:
    """Variance of each host's unknown minus its component's mean, (H,)."""
    hosts = len(mean.weight)
    if solution.covariance is not None:
        inside = solution.covariance[:hosts, :hosts]
        across = np.where(mean.component[:, None] == mean.component[None, :], inside, 0.0)
        to_mean = across @ mean.weight
        return np.maximum(np.diag(inside) - 2.0 * to_mean + mean.of(to_mean), 0.0)
    assert solution.samples is not None
    samples = solution.samples[:hosts].astype(np.float64)
    return np.asarray(((samples - mean.of(samples)) ** 2).mean(axis=1))


def limits_to_mean(mean: Mean, first: Int64, second: Int64, lower: Float64, upper: Float64) -> tuple[Float64, Float64]:
    """Certain limits (H,) of each host's clock against its component's mean.

    x_i - mean is the mean of x_i - x_k over the hosts k of the mean, each limited by a shortest path; where the limits
    contradict each other there is none. In a large fleet the way leads through one host for all, which is looser.
    """
    hosts = len(mean.weight)
    least, most = np.full(hosts, -np.inf), np.full(hosts, np.inf)
    arcs = constraints(hosts, first, second, lower, upper)
    back = reversed_constraints(arcs)
    for part in np.unique(mean.component):
        members = np.flatnonzero(mean.component == part)
        voters = members[mean.weight[members] > 0]
        if len(members) <= ALL_PAIRS:
            ahead = [shortest(arcs, int(voter)) for voter in voters]
            behind = [shortest(back, int(voter)) for voter in voters]
            if not all(way.consistent for way in (*ahead, *behind)):
                continue
            most[members] = np.mean([way.distance[members] for way in ahead], axis=0)
            least[members] = -np.mean([way.distance[members] for way in behind], axis=0)
            continue
        forth, home = shortest(arcs, int(voters[0])), shortest(back, int(voters[0]))
        if forth.consistent and home.consistent:
            most[members] = forth.distance[members] + np.mean(home.distance[voters])
            least[members] = -home.distance[members] - np.mean(forth.distance[voters])
    return least, most

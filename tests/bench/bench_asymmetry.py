"""What can a mesh learn of routes that are unequal there and back, and how honest is it where it cannot?

Zones whose pairs share an asymmetry that no probe shows: only loops over three zones and more do, of which Z zones
close (Z - 1) (Z - 2) / 2. Where there are few, what is usual elsewhere counts as much as two of them
(`fleet.PRIOR_RATIO`), and is right for some networks and not for others. By hand:
python tests/bench/bench_asymmetry.py [--fleets 12]. A row for each number of zones and size of asymmetry, of pairs of
hosts in unlike zones: what their uncertainty is, what their errors are, the share within 2u, and of events called 95 %
likely the share that comes out right: each pair counting once, and as often as gaps spread evenly make it be called so.

The last differs from the first wherever an uncertainty is learned from little: who was told much too large a one is
called likely more often. Of one loop and no other knowledge the exact probability is Student's t with one degree of
freedom, and of gaps spread evenly 99.4 % of what it calls 95 % is right; with two degrees 98.1 %, six 96.3 %, twenty
95.4 % (printed last).
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from scipy import stats

from noonmark.collector.pairs import ends_of, mesh_of
from noonmark.collector.pipeline import step
from noonmark.lab.scenarios import KINDS
from noonmark.lab.simulate import simulate

PAIRS = 60
LIKELY = 0.95


def deviations(zones: int, routers: int, unequal_ns: float, fleets: int) -> tuple[np.ndarray, np.ndarray]:
    """Errors and standard uncertainties, ns, of pairs in unlike zones."""
    kind = KINDS["three-zones"]
    network = replace(kind.network, zones=zones, routers_a_zone_pair=routers, router_asymmetry_ns=unequal_ns)
    error, uncertainty = [], []
    for seed in range(1, fleets + 1):
        random = np.random.default_rng(seed)
        probes, truth = simulate(replace(kind, network=network), hosts=6 * zones, seconds=61, seed=seed)
        estimate = step(probes, references=truth.references)
        off = estimate.offset_ns - truth.offsets_ns(estimate.at_ns)
        paired = mesh_of(estimate)
        rows = random.permuted(np.tile(np.arange(len(off)), (PAIRS, 1)), axis=1)[:, :2]
        through = paired.mesh.variances(*paired.mesh.graph.node[rows].T)
        own = np.array([[end.own_ns or 0.0 for end in ends_of(estimate, a, b)] for a, b in rows.tolist()])
        told = np.sqrt(through + (own**2).sum(axis=1))
        across = through > through.max() / 10
        error.append((off[rows[:, 0]] - off[rows[:, 1]])[across])
        uncertainty.append(told[across])
    return np.concatenate(error), np.concatenate(uncertainty)


def exact_share(freedom: int, draws: int = 1_000_000) -> float:
    """Share right, of gaps spread evenly, of what a scale learned from so many degrees of freedom calls likely."""
    scale = np.sqrt(np.random.default_rng(freedom).chisquare(freedom, draws) / freedom)
    right = stats.norm.cdf(stats.t.ppf(LIKELY, freedom) * scale)
    return float((scale * right).sum() / scale.sum())


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--fleets", type=int, default=12)
    given = parser.parse_args()
    reach = stats.norm.ppf(LIKELY)
    print(
        f"{'zones':>5}{'loops':>6}{'routes':>7}{'unequal':>9}{'u':>9}{'error':>9}{'<= 2u':>8}{'once':>8}{'by gaps':>9}"
    )
    for zones in (3, 5, 8):
        for routers, unequal_ns in ((4, 20e3), (4, 60e3), (1, 20e3), (1, 60e3), (1, 180e3), (1, 400e3)):
            error, uncertainty = deviations(zones, routers, unequal_ns, given.fleets)
            ratio = np.abs(error) / uncertainty
            # An error of either sign makes one of the pair's two orders wrong.
            wrong = (ratio > reach) / 2
            print(
                f"{zones:>5}{(zones - 1) * (zones - 2) // 2:>6}{routers:>7}{unequal_ns / 1e3:>6.0f} us"
                f"{np.median(uncertainty) / 1e3:>6.1f} us{np.sqrt((error**2).mean()) / 1e3:>6.1f} us"
                f"{(ratio <= 2).mean():>8.1%}{1 - wrong.mean():>8.1%}"
                f"{1 - (wrong * uncertainty).sum() / uncertainty.sum():>9.1%}",
                flush=True,
            )
    shares = ", ".join(f"{freedom}: {exact_share(freedom):.1%}" for freedom in (1, 2, 3, 6, 20))
    print(f"by gaps, exact, of a scale known from so many degrees of freedom alone: {shares}")


if __name__ == "__main__":
    main()

"""The references' own error, as far as all clocks of the fleet share it. Pure.

Offsets against the reference host are known as well as the mesh measures them; against true time they are off by what
the reference is off, every host by the same. Taken into the fit as an edge to true time, a large such error would
spoil the small numbers beside it; added afterwards it is exact, and differences between hosts do not see it. Several
references are in the fit, each by an edge of its own; what their rates have in common is still common to all hosts.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from noonmark.collector.estimate import UNBOUNDED_NS, FleetEstimate, Float64, HostState, Int64, Reference

LEAST_DRIFT_PPB = 1.0
"""A reference that is only declared true within an uncertainty may drift by this much within it."""
FREE_RUN_DRIFT_PPB = 50_000.0
"""Standard uncertainty of the rate of a clock of which nothing is known: a server's quartz; common practice, no
source."""
_RELATIVE = frozenset({HostState.REFERENCE, HostState.MEASURED, HostState.STALE})


def leaning_on(estimate: FleetEstimate, reference: Reference) -> FleetEstimate:
    """The estimate against an exact reference, as one against true time.

    Hosts that no chain of probes joins to the reference stay as they are. An infinite limit leaves none to any host.
    """
    leans = np.array([state in _RELATIVE for state in estimate.state], dtype=np.bool_)
    estimate = replace(estimate, references=(reference,))
    drift = common_drift(estimate)
    return replace(
        estimate,
        uncertainty_ns=_where(
            leans, np.hypot(estimate.uncertainty_ns, reference.uncertainty_ns), estimate.uncertainty_ns
        ),
        drift_uncertainty=_where(leans, np.hypot(estimate.drift_uncertainty, drift), estimate.drift_uncertainty),
        lower_ns=_widened(estimate.lower_ns, leans, -reference.limit_ns),
        upper_ns=_widened(estimate.upper_ns, leans, reference.limit_ns),
    )


def with_rate_unknown(estimate: FleetEstimate) -> FleetEstimate:
    """An only reference's rate against the fleet is told by no path: said of it, that is said of all hosts alike."""
    (reference,) = estimate.references
    rate = max(reference.drift_uncertainty_ppb, FREE_RUN_DRIFT_PPB)
    return replace(estimate, references=(replace(reference, drift_uncertainty_ppb=rate),))


def common_drift(estimate: FleetEstimate) -> float:
    """Standard uncertainty, s/s, of what the references' rates add to every host's own alike; 0 of an only, exact
    one."""
    return shared_drift(estimate.references)


def shared_drift(references: tuple[Reference, ...]) -> float:
    """The same of references by themselves.

    Every host's rate is a mean of the references' with weights that sum to 1. So its error is that of the references'
    best mean, whose variance is the inverse of the sum of their inverse variances, and a rest that has nothing to do
    with that: the covariance of the two is the best mean's own variance, whatever the weights.
    """
    if not references or references == (Reference(references[0].host),):
        return 0.0
    rates = [max(reference.drift_uncertainty_ppb, LEAST_DRIFT_PPB) * 1e-9 for reference in references]
    return math.sqrt(1.0 / sum(rate**-2 for rate in rates))


def _where(leans: np.typing.NDArray[np.bool_], then: Float64, otherwise: Float64) -> Float64:
    return np.asarray(np.where(leans, then, otherwise), dtype=np.float64)


def _widened(limit: Int64, leans: np.typing.NDArray[np.bool_], by_ns: float) -> Int64:
    """Limits moved by so much, rounded outward; past the greatest number there is none."""
    moved = int(np.ceil(abs(by_ns))) if abs(by_ns) < UNBOUNDED_NS else UNBOUNDED_NS
    known = leans & (np.abs(limit) < UNBOUNDED_NS - moved)
    widened = np.where(known, limit + (moved if by_ns > 0 else -moved), UNBOUNDED_NS if by_ns > 0 else -UNBOUNDED_NS)
    return np.asarray(np.where(leans, widened, limit), dtype=np.int64)

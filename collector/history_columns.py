"""An estimate as columns of integers, the form in which it is kept, and back again. Pure.

A *series* is one host, or one path. A moment of a series is a handful of int64 numbers; its first five mean the same
for hosts and paths, so that everything after this file treats both alike: offset, lower limit, upper limit, standard
uncertainty, drift. Matrices have one row a column (C) and one column a series or a moment (S or T).

Uncertainties are kept in picoseconds and drifts in units of 1e-15, both rounded, an uncertainty upwards. A number that
says "none" is `UNBOUNDED`, with its sign for a limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import (
    UNBOUNDED_NS,
    Bool,
    FleetEstimate,
    Float64,
    HostState,
    Int64,
    Paths,
    PathState,
)

UNBOUNDED = UNBOUNDED_NS
OFFSET, LOWER, UPPER, UNCERTAINTY, DRIFT = range(5)
COMMON = 5
DRIFT_UNCERTAINTY, NEWEST, STATE, COMPONENT = range(5, 9)
EFFECT, ROUND_TRIP, PROBES, FLAGS = range(5, 9)
COLUMNS = 9
"""Both kinds of series have as many."""
JOINED = 1 << 30
"""Set in a host's STATE or a path's FLAGS: a straight line leads from this moment to the next one kept."""

HOST_STATES = tuple(HostState)
PATH_STATES = tuple(PathState)
_HOST_CODE = {state: code for code, state in enumerate(HOST_STATES)}
_PATH_CODE = {state: code for code, state in enumerate(PATH_STATES)}
KNOWN_CODES = np.array([state in (HostState.REFERENCE, HostState.MEASURED, HostState.STALE) for state in HOST_STATES])


@dataclass(frozen=True, slots=True)
class Kind:
    """Hosts or paths: what tells them apart in storage."""

    name: str
    flags: int
    """The column that carries JOINED."""
    clocks: int
    """How many clocks may leave their line: a limit widens at this many times the drift limit."""


HOSTS = Kind("host", STATE, 1)
PATHS = Kind("path", FLAGS, 2)


def to_picoseconds(value_ns: Float64) -> Int64:
    """Rounded up; infinite becomes UNBOUNDED."""
    value = np.minimum(np.ceil(value_ns * 1e3), float(UNBOUNDED))
    return np.where(np.isfinite(value_ns), value, float(UNBOUNDED)).astype(np.int64)


def from_picoseconds(value: Int64) -> Float64:
    """Undo `to_picoseconds`, to within its rounding."""
    return np.where(value >= UNBOUNDED, np.inf, value / 1e3)


def to_femto(ratio: Float64) -> Int64:
    """A ratio in units of 1e-15, nearest; infinite becomes UNBOUNDED."""
    return np.where(np.isfinite(ratio), np.rint(np.clip(ratio, -4e3, 4e3) * 1e15), float(UNBOUNDED)).astype(np.int64)


def from_femto(value: Int64) -> Float64:
    """Undo `to_femto`."""
    return np.where(np.abs(value) >= UNBOUNDED, np.inf, value / 1e15)


def host_columns(estimate: FleetEstimate) -> Int64:
    """(C, H) of every host."""
    matrix = np.empty((COLUMNS, len(estimate.hosts)), np.int64)
    matrix[OFFSET] = estimate.offset_ns
    matrix[LOWER] = estimate.lower_ns
    matrix[UPPER] = estimate.upper_ns
    matrix[UNCERTAINTY] = to_picoseconds(estimate.uncertainty_ns)
    matrix[DRIFT] = to_femto(np.where(np.isfinite(estimate.drift), estimate.drift, 0.0))
    matrix[DRIFT_UNCERTAINTY] = to_femto(estimate.drift_uncertainty)
    matrix[NEWEST] = estimate.newest_ns
    matrix[STATE] = [_HOST_CODE[state] for state in estimate.state]
    matrix[COMPONENT] = estimate.component
    return matrix


def path_columns(estimate: FleetEstimate) -> Int64:
    """(C, P) of every path; its drift is that of second minus first."""
    paths = estimate.paths
    matrix = np.empty((COLUMNS, len(paths.first)), np.int64)
    drift = np.where(np.isfinite(estimate.drift), estimate.drift, 0.0)
    matrix[OFFSET] = paths.base_ns + np.rint(paths.offset_ns).astype(np.int64)
    matrix[LOWER] = paths.lower_ns
    matrix[UPPER] = paths.upper_ns
    matrix[UNCERTAINTY] = to_picoseconds(np.sqrt(paths.variance_ns2))
    matrix[DRIFT] = to_femto(drift[paths.second] - drift[paths.first])
    effect = paths.effect_ns2 if len(paths.effect_ns2) else np.zeros(len(paths.first))
    matrix[EFFECT] = to_picoseconds(np.sqrt(effect))
    matrix[ROUND_TRIP] = paths.min_round_trip_ns
    matrix[PROBES] = paths.probes
    state = np.array([_PATH_CODE[state] for state in paths.state], np.int64)
    matrix[FLAGS] = paths.asked[:, 0] + 2 * paths.asked[:, 1] + 4 * state
    return matrix


def paths_from_columns(matrix: Int64, first: Int64, second: Int64, offset_ns: Int64) -> Paths:
    """Paths again; `first` and `second` (P,) index the hosts whose offsets are `offset_ns` (H,)."""
    flags = matrix[FLAGS] & ~JOINED
    effect = from_picoseconds(matrix[EFFECT])
    residual = matrix[OFFSET] - (offset_ns[second] - offset_ns[first])
    return Paths(
        first=first.astype(np.int32),
        second=second.astype(np.int32),
        probes=matrix[PROBES].copy(),
        asked=np.stack([flags & 1, flags >> 1 & 1], axis=1).astype(np.bool_),
        min_round_trip_ns=matrix[ROUND_TRIP].copy(),
        offset_ns=np.zeros(matrix.shape[1]),
        base_ns=matrix[OFFSET].copy(),
        variance_ns2=from_picoseconds(matrix[UNCERTAINTY]) ** 2,
        lower_ns=matrix[LOWER].copy(),
        upper_ns=matrix[UPPER].copy(),
        residual_ns=residual.astype(np.float64),
        state=tuple(PATH_STATES[code] for code in (flags >> 2).tolist()),
        effect_ns2=effect**2 if effect.any() else np.zeros(0),
    )


def host_states(matrix: Int64) -> tuple[HostState, ...]:
    """State of every host or moment."""
    return tuple(HOST_STATES[code] for code in (matrix[STATE] & ~JOINED).tolist())


def known(matrix: Int64, kind: Kind) -> Bool:
    """Which moments tell an offset at all."""
    finite = matrix[UNCERTAINTY] < UNBOUNDED
    if kind is PATHS:
        return np.asarray(finite)
    return np.asarray(finite & KNOWN_CODES[matrix[STATE] & ~JOINED])

"""How fine a kept number is worth keeping: an estimate's columns to coarser integers that pack well, and back. Pure.

An offset is kept to a sixty-fourth of its least standard uncertainty (paths: a thirty-second), a limit to a 128th of
the least width between limits and always outwards, an uncertainty upwards to 2.2 %, the age of a newest probe upwards
to 0.134 s. What comes back is never surer than what was kept; doing it again changes nothing more.
Matrices are (C, S, T): columns, series, moments.
"""

from __future__ import annotations

import numpy as np

from noonmark.collector.estimate import Bool, Int64
from noonmark.collector.history_columns import (
    DRIFT,
    DRIFT_UNCERTAINTY,
    EFFECT,
    HOSTS,
    LOWER,
    NEWEST,
    OFFSET,
    PATHS,
    ROUND_TRIP,
    UNBOUNDED,
    UNCERTAINTY,
    UPPER,
    Kind,
)

LOG_STEPS = 32
"""Steps an octave for uncertainties: 2.2 % each."""
OFFSET_SHARE = {HOSTS.name: 32, PATHS.name: 16}
"""An offset's step is at most this part of the least standard uncertainty of its series, and so of the least width."""
LIMIT_SHARE, DRIFT_SHARE, ROUND_TRIP_SHARE = 128, 8, 64
AGE_NS = 1 << 27
PATH_DRIFT_STEP = 1 << 20
"""1e-9: a path's drift only carries its limits from one snapshot to the next."""


def quantise(at_ns: Int64, matrix: Int64, present: Bool, kind: Kind) -> tuple[Int64, Int64]:
    """(exponents of the steps (C, S), codes (C, S, T)); moments that are not `present` (S, T) count for nothing."""
    steps = np.ones(matrix.shape[:2], np.int64)
    bounded = (np.abs(matrix[LOWER]) < UNBOUNDED) & (np.abs(matrix[UPPER]) < UNBOUNDED) & present
    width = np.where(bounded, matrix[UPPER] - matrix[LOWER], 0)
    share = OFFSET_SHARE[kind.name]
    fine = np.minimum(
        _least(np.where(present, matrix[UNCERTAINTY], 0), 1000 * share), _least(width, share, otherwise=1 << 40)
    )
    tight = (bounded & (width <= 0)).any(axis=-1)  # a limit that leaves no room leaves none for rounding
    steps[OFFSET] = np.where(tight, 1, fine)
    steps[LOWER] = steps[UPPER] = _least(width, LIMIT_SHARE)
    if kind is HOSTS:
        steps[DRIFT] = _least(np.where(present, matrix[DRIFT_UNCERTAINTY], 0), DRIFT_SHARE)
    else:
        steps[DRIFT] = PATH_DRIFT_STEP
        steps[ROUND_TRIP] = _least(np.where(present, matrix[ROUND_TRIP], 0), ROUND_TRIP_SHARE)
    exponents = _exponent(steps)
    shift = exponents[:, :, None]
    codes = matrix >> shift
    for row in (OFFSET, DRIFT):
        codes[row] = (matrix[row] + (steps[row] // 2)[:, None]) >> shift[row]
    told = codes[OFFSET] << shift[OFFSET]  # rounding must not carry an offset out of its own limits
    codes[OFFSET] -= (told > matrix[UPPER]) & (matrix[OFFSET] <= matrix[UPPER])
    codes[OFFSET] += (told < matrix[LOWER]) & (matrix[OFFSET] >= matrix[LOWER])
    codes[UPPER] = -((-matrix[UPPER]) >> shift[UPPER])
    codes[UNCERTAINTY] = to_log(matrix[UNCERTAINTY])
    if kind is HOSTS:
        codes[DRIFT_UNCERTAINTY] = to_log(matrix[DRIFT_UNCERTAINTY])
        age = np.maximum(-((matrix[NEWEST] - at_ns) // AGE_NS), 0)
        codes[NEWEST] = np.where(matrix[NEWEST] == 0, -1, age)
    else:
        codes[EFFECT] = to_log(matrix[EFFECT])
    return exponents, codes


def restore(at_ns: Int64, exponents: Int64, codes: Int64, kind: Kind) -> Int64:
    """Undo `quantise`, to within its steps; in place."""
    logs = {row: from_log(codes[row]) for row in (UNCERTAINTY, DRIFT_UNCERTAINTY if kind is HOSTS else EFFECT)}
    newest = np.where(codes[NEWEST] < 0, 0, at_ns - codes[NEWEST] * AGE_NS) if kind is HOSTS else None
    matrix = codes
    matrix <<= exponents[:, :, None]
    for row, values in logs.items():
        matrix[row] = values
    if newest is not None:
        matrix[NEWEST] = newest
    return matrix


def _exponent(steps: Int64) -> Int64:
    return np.log2(steps.astype(np.float64)).astype(np.int64)


def _least(values: Int64, share: int, *, otherwise: int = 1) -> Int64:
    """(S,) the largest power of two not above that share of the least of a series' values that say something."""
    useful = np.where((values > 0) & (values < UNBOUNDED), values, UNBOUNDED).min(axis=-1, initial=UNBOUNDED)
    step = np.left_shift(1, _exponent(np.maximum(useful // share, 1)))
    return np.where(useful >= UNBOUNDED, otherwise, step)


def to_log(values: Int64) -> Int64:
    """Positive integers to the number of the first log step that is not below them; 0 to 0, UNBOUNDED to -1."""
    code = np.ceil(np.log2(np.maximum(values, 1).astype(np.float64)) * LOG_STEPS).astype(np.int64)
    for _ in range(2):  # floating point may be one step off either way
        code = np.where((code > 0) & (_STEPS[np.maximum(code - 1, 0)] >= values), code - 1, code)
        code = np.where(_STEPS[code] < values, code + 1, code)
    return np.where(values >= UNBOUNDED, -1, np.where(values <= 0, 0, code + 1))


def from_log(code: Int64) -> Int64:
    """Undo `to_log`, upwards to its step."""
    return np.asarray(_VALUES[code + 1])


_STEPS: Int64 = np.floor(np.exp2(np.arange(62 * LOG_STEPS + 3) / LOG_STEPS).clip(max=float(UNBOUNDED))).astype(np.int64)
_VALUES: Int64 = np.concatenate([[UNBOUNDED, 0], _STEPS])
"""Of the codes from -1 on."""

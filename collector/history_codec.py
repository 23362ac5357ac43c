"""Integer matrices to compact bytes and back. Pure.

Two steps. *Quantising* decides how fine a number is worth keeping: an offset to a sixty-fourth of its least standard
uncertainty, a limit to a 128th of the least width between limits and always outwards, an uncertainty upwards to 2.2 %.
*Packing* is lossless: of each row of a matrix the differences of that order (0, 1 or 2) that are smallest, less their
median, as little-endian bytes sorted by significance, then Zstandard. A checksum (CRC-32) comes first, so that bytes
which a disk has changed are never taken for numbers.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
import zstandard

from noonmark.collector.estimate import Int64, UInt8
from noonmark.collector.history_columns import (
    DRIFT,
    DRIFT_UNCERTAINTY,
    EFFECT,
    FLAGS,
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

FORMAT = 1
LEVEL = 6
_HEAD = struct.Struct("<BHI")  # format, rows, columns
_ROW = np.dtype([("order", "u1"), ("width", "u1"), ("first", "<i8"), ("second", "<i8"), ("centre", "<i8")])
LOG_STEPS = 32
"""Steps an octave for uncertainties: 2.2 % each."""
OFFSET_SHARE = {HOSTS.name: 32, PATHS.name: 16}
"""An offset's step is at most this part of the least standard uncertainty in the chunk, and so of the least width."""
LIMIT_SHARE, DRIFT_SHARE, ROUND_TRIP_SHARE = 128, 8, 64
AGE_NS = 1 << 27
"""The age of a newest probe is kept in steps of 0.134 s, upwards."""
MAX_BYTES = 1 << 31


class Damaged(ValueError):  # noqa: N818 - named for what was found
    """Bytes that were not written by `pack`, or not as they are now."""


def _zigzag(values: Int64) -> np.ndarray[tuple[int, ...], np.dtype[np.uint64]]:
    return ((values << 1) ^ (values >> 63)).view(np.uint64)


def _unzigzag(values: np.ndarray[tuple[int, ...], np.dtype[np.uint64]]) -> Int64:
    return ((values >> np.uint64(1)) ^ (~(values & np.uint64(1)) + np.uint64(1))).view(np.int64)


def _sealed(body: bytes) -> bytes:
    return zlib.crc32(body).to_bytes(4, "little") + body


def _opened(sealed: bytes) -> bytes:
    body = sealed[4:]
    if zlib.crc32(body).to_bytes(4, "little") != sealed[:4]:
        raise Damaged("stored bytes are damaged: their checksum is wrong")
    return body


def pack(matrix: Int64, *, level: int = LEVEL, ordered: bool = True) -> bytes:
    """A matrix of int64 (rows, columns) as bytes, without loss; not `ordered`: neighbours have nothing in common."""
    return _sealed(_packed(matrix, level, ordered))


def unpack(body: bytes) -> Int64:
    """Undo `pack`. Raises Damaged."""
    return _unpacked(_opened(body))


def _packed(matrix: Int64, level: int, ordered: bool = True) -> bytes:
    """As `pack`, without the checksum; arithmetic wraps around where a difference does not fit."""
    rows, columns = matrix.shape
    heads = np.zeros(rows, _ROW)
    planes: list[bytes] = []
    for number, row in enumerate(np.ascontiguousarray(matrix)):
        order, differences = _least_differences(row) if ordered else (0, row)
        heads["order"][number] = order
        heads["first"][number] = row[0] if order and columns else 0
        with np.errstate(over="ignore"):
            heads["second"][number] = row[1] - row[0] if order == 2 else 0
        centre = int(np.partition(differences, len(differences) // 2)[len(differences) // 2]) if len(differences) else 0
        heads["centre"][number] = centre
        with np.errstate(over="ignore"):
            folded = _zigzag(differences - np.int64(centre))
        width = (int(folded.max()).bit_length() + 7) // 8 if len(folded) else 0
        heads["width"][number] = width
        planes.append(folded.view(np.uint8).reshape(-1, 8)[:, :width].T.tobytes())
    compressor = zstandard.ZstdCompressor(level=level, write_checksum=False, write_content_size=True)
    return _HEAD.pack(FORMAT, rows, columns) + compressor.compress(heads.tobytes() + b"".join(planes))


def _least_differences(row: Int64) -> tuple[int, Int64]:
    """The order of differences (0, 1, 2) that costs the fewest bits about its median, and the differences."""
    candidates = [row]
    with np.errstate(over="ignore"):
        if len(row) > 2:
            candidates.append(np.diff(row))
            candidates.append(np.diff(candidates[1]))
        costs = [_bits(values) for values in candidates]
    order = costs.index(min(costs))
    return order, candidates[order]


def _bits(values: Int64) -> float:
    if len(values) == 0:
        return 0.0
    middle = np.partition(values, len(values) // 2)[len(values) // 2]
    return float(np.log2(np.abs((values - middle).astype(np.float64)) + 1.0).sum())


def _unpacked(body: bytes) -> Int64:
    try:
        version, rows, columns = _HEAD.unpack_from(body)
        if version != FORMAT:
            raise Damaged(f"its form {version} is unknown here")
        plain = zstandard.ZstdDecompressor().decompress(body[_HEAD.size :], max_output_size=MAX_BYTES)
        heads = np.frombuffer(plain, _ROW, rows)
        matrix = np.empty((rows, columns), np.int64)
        start = rows * _ROW.itemsize
        for number, (order, width, first, second, centre) in enumerate(heads.tolist()):
            count = max(0, columns - order)
            size = count * width
            planes: UInt8 = np.zeros((count, 8), np.uint8)
            planes[:, :width] = np.frombuffer(plain, np.uint8, size, start).reshape(width, count).T
            start += size
            values = _unzigzag(planes.reshape(-1).view(np.uint64))
            values += np.int64(centre)
            matrix[number] = _summed(values, order, first, second)
    except (struct.error, zstandard.ZstdError, ValueError) as error:
        raise Damaged(f"stored bytes are damaged: {error}") from error
    return matrix


def _summed(values: Int64, order: int, first: int, second: int) -> Int64:
    for start in (second, first)[2 - order :]:
        whole = np.empty(len(values) + 1, np.int64)
        whole[0] = start
        whole[1:] = values
        values = np.cumsum(whole)
    return values


def _step(share_of: int) -> int:
    """The largest power of two not above, at least 1."""
    return 1 << max(0, int(share_of).bit_length() - 1)


def _least(values: Int64, share: int) -> int:
    """Step for a share of the least of those values that are neither zero nor unbounded."""
    useful = values[(values > 0) & (values < UNBOUNDED)]
    return _step(int(useful.min()) // share) if len(useful) else 1


def _to_log(values: Int64) -> Int64:
    """Positive integers to the number of the first log step that is not below them; 0 to 0, UNBOUNDED to -1."""
    positive = np.maximum(values, 1).astype(np.float64)
    code = np.ceil(np.log2(positive) * LOG_STEPS).astype(np.int64)
    for _ in range(2):  # floating point may be one step off either way
        code = np.where((code > 0) & (_log_value(code - 1) >= values), code - 1, code)
        code = np.where(_log_value(code) < values, code + 1, code)
    return np.where(values >= UNBOUNDED, -1, np.where(values <= 0, 0, code + 1))


def _log_value(code: Int64) -> Int64:
    return np.floor(np.exp2(np.maximum(code, 0) / LOG_STEPS)).astype(np.int64)


def _from_log(code: Int64) -> Int64:
    return np.where(code < 0, UNBOUNDED, np.where(code == 0, 0, _log_value(code - 1)))


def quantise(at_ns: Int64, matrix: Int64, kind: Kind) -> tuple[Int64, Int64]:
    """Coarser integers that pack well: (steps (C,), codes (C, T)); `restore` gives numbers no surer than these."""
    steps = np.ones(len(matrix), np.int64)
    bounded = (np.abs(matrix[LOWER]) < UNBOUNDED) & (np.abs(matrix[UPPER]) < UNBOUNDED)
    width = np.where(bounded, matrix[UPPER] - matrix[LOWER], 0)
    if (width[bounded] > 0).all():  # a limit that leaves no room leaves none for rounding
        share = OFFSET_SHARE[kind.name]
        steps[OFFSET] = _least(matrix[UNCERTAINTY], 1000 * share)
        steps[OFFSET] = min(steps[OFFSET], _least(width, share)) if bounded.any() else steps[OFFSET]
    steps[LOWER] = steps[UPPER] = _least(width, LIMIT_SHARE)
    codes = matrix.copy()
    codes[OFFSET] = (matrix[OFFSET] + steps[OFFSET] // 2) // steps[OFFSET]
    codes[LOWER] = matrix[LOWER] // steps[LOWER]
    codes[UPPER] = -(-matrix[UPPER] // steps[UPPER])
    codes[UNCERTAINTY] = _to_log(matrix[UNCERTAINTY])
    if kind is HOSTS:
        steps[DRIFT] = _least(matrix[DRIFT_UNCERTAINTY], DRIFT_SHARE)
        codes[DRIFT_UNCERTAINTY] = _to_log(matrix[DRIFT_UNCERTAINTY])
        never = matrix[NEWEST] == 0
        codes[NEWEST] = np.where(never, -1, np.maximum(-((matrix[NEWEST] - at_ns) // AGE_NS), 0))
    else:
        steps[DRIFT] = 1 << 20  # 1e-9: a path's drift only carries its limits from snapshot to snapshot
        codes[EFFECT] = _to_log(matrix[EFFECT])
        steps[ROUND_TRIP] = _least(matrix[ROUND_TRIP], ROUND_TRIP_SHARE)
        codes[ROUND_TRIP] = matrix[ROUND_TRIP] // steps[ROUND_TRIP]
    codes[DRIFT] = (matrix[DRIFT] + steps[DRIFT] // 2) // steps[DRIFT]
    return steps, codes


def restore(at_ns: Int64, steps: Int64, codes: Int64, kind: Kind) -> Int64:
    """Undo `quantise`, to within its steps."""
    matrix = codes * steps[:, None]
    matrix[UNCERTAINTY] = _from_log(codes[UNCERTAINTY])
    if kind is HOSTS:
        matrix[DRIFT_UNCERTAINTY] = _from_log(codes[DRIFT_UNCERTAINTY])
        matrix[NEWEST] = np.where(codes[NEWEST] < 0, 0, at_ns - codes[NEWEST] * AGE_NS)
    else:
        matrix[EFFECT] = _from_log(codes[EFFECT])
    return matrix


def pack_chunk(at_ns: Int64, matrix: Int64, kind: Kind, times: Int64 | None = None) -> bytes:
    """Moments (T,) of one series and their columns (C, T).

    With `times`, a list of instants kept elsewhere and shared by many series, only places in it are packed.
    """
    steps, codes = quantise(at_ns, matrix, kind)
    if times is None:
        clock = at_ns
    else:
        order = np.argsort(times, kind="stable")
        clock = order[np.minimum(np.searchsorted(times, at_ns, sorter=order), len(times) - 1)]
        if not np.array_equal(times[clock], at_ns):
            raise ValueError("an instant is missing from the shared list")
    shared = 0 if times is None else 1
    return _sealed(bytes([shared]) + _pack_steps(steps) + _packed(np.vstack([clock, codes]), LEVEL))


def unpack_chunk(body: bytes, kind: Kind, times: Int64 | None = None) -> tuple[Int64, Int64]:
    """Undo `pack_chunk`: (instants (T,) rising, columns (C, T)). Raises Damaged."""
    body = _opened(body)
    count = FLAGS + 1
    if len(body) <= count or body[0] > 1 or (body[0] == 1 and times is None):
        raise Damaged("stored bytes are damaged: they are too few, or their list of instants is missing")
    steps = np.int64(1) << np.frombuffer(body, np.uint8, count, 1).astype(np.int64)
    stacked = _unpacked(body[1 + count :])
    clock, codes = stacked[0], stacked[1:]
    if len(codes) != count or (body[0] == 1 and times is not None and clock.max(initial=0) >= len(times)):
        raise Damaged("stored bytes are damaged: they do not fit their place")
    at_ns = clock.copy() if body[0] == 0 or times is None else times[clock]
    matrix = restore(at_ns, steps, codes, kind)
    if (np.diff(at_ns) < 0).any():
        order = np.argsort(at_ns, kind="stable")
        at_ns, matrix = at_ns[order], matrix[:, order]
    return at_ns, matrix


def _pack_steps(steps: Int64) -> bytes:
    return bytes(int(step).bit_length() - 1 for step in steps.tolist())

"""Many numbers as decimal text at once: right-aligned in rows of one width, as views that begin where the digits do.
Pure.
"""

from __future__ import annotations

import numpy as np

from noonmark.collector.civil import FOUR_DIGITS
from noonmark.collector.estimate import Float64, Int64
from noonmark.collector.record_text import RecordTexts

_GROUPS = 6
"""Of four digits: 20 would be room for every 64-bit integer; before them there must be room for a sign."""
_WIDTH = 4 * _GROUPS
_POWERS = 10 ** np.arange(1, 19)
_MICRO = 1_000_000
_PLAIN_FROM = 100
"""Python writes numbers below 0.0001 with an exponent."""


def integers(values: Int64, after: bytes = b"") -> RecordTexts:
    """Digits of each, with something constant behind them. What is below -2^63 + 1 cannot be printed."""
    if len(values) and (values == values[0]).all():
        return RecordTexts.same(str(int(values[0])).encode() + after, len(values))
    rest = np.abs(values)
    lengths = np.searchsorted(_POWERS, rest, side="right") + 1
    rows = np.zeros(len(values), np.dtype([("digits", np.uint32, (_GROUPS,)), ("after", f"V{len(after)}")]))
    rows["after"] = np.void(after)
    most = int(lengths.max(initial=1))
    for group in range(_GROUPS - 1, _GROUPS - 1 - (most + 3) // 4, -2):  # eight digits at once: then 32 bits are enough
        higher = rest // 100_000_000
        eight = (rest - higher * 100_000_000).astype(np.int32)
        four = eight // 10_000
        rows["digits"][:, group] = FOUR_DIGITS.take(eight - four * 10_000)
        rows["digits"][:, group - 1] = FOUR_DIGITS.take(four)
        rest = higher
    negative = np.flatnonzero(values < 0)
    if len(negative):
        lengths[negative] += 1
        octets = rows.view(np.uint8).reshape(len(rows), -1)
        octets[negative, _WIDTH - lengths[negative]] = ord("-")
    return RecordTexts.of_rows(rows, _WIDTH - lengths)


def shares(values: Float64) -> RecordTexts:
    """`repr(round(value, 6))` of numbers from 0 to 1; NaN as null."""
    scaled = np.where(np.isnan(values), 0.0, values) * _MICRO
    micro = np.rint(scaled).astype(np.int64)
    rows = np.zeros((len(values), 8), np.uint8)
    rows[:, :2] = np.frombuffer(b"0.", np.uint8)
    rest = micro
    for place in range(7, 1, -1):
        higher = rest // 10
        rows[:, place] = rest - higher * 10 + ord("0")
        rest = higher
    lengths = np.full(len(values), 8)
    for zeros in range(1, 6):
        lengths[micro % 10**zeros == 0] = 8 - zeros
    found = RecordTexts.of_rows(rows.reshape(-1).view("V8"), None, lengths)
    # Where rounding hangs on the last bit, and where the form is another, Python itself is asked.
    near = np.abs(np.abs(scaled - np.floor(scaled)) - 0.5) < 1e-4
    odd = np.flatnonzero(near | (micro < _PLAIN_FROM) | (micro >= _MICRO) | np.isnan(values))
    if not len(odd):
        return found
    texts = [b"null" if value != value else repr(round(value, 6)).encode() for value in values[odd].tolist()]
    return found.replaced(odd, texts)

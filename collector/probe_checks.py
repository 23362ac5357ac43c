"""Which probe rows contradict themselves, and must be left out before anything is estimated. Pure.

A row is left out for one reason, the first that applies. A round trip below zero is allowed as far as the two clocks'
own ticks explain it (a clock that ticks in milliseconds reads up to a millisecond early), or their rates do over a
long turnaround.
"""

from __future__ import annotations

import enum

import numpy as np

from noonmark.collector.estimate import Bool, Int32, Int64
from noonmark.collector.probe_rows import OUT_OF_RANGE
from noonmark.collector.rows import allowed_below_zero_ns

NS = 1_000_000_000
MIN_STAMPS_FOR_TICK = 8
"""Fewer stamps than this may share a divisor by chance; the clock is then taken to tick in nanoseconds."""


class Reason(enum.StrEnum):
    """Why a row is left out."""

    OUT_OF_RANGE = "time out of range"
    """Before 1823 or after 2116: such numbers cannot be subtracted in 64 bits."""
    SAME_HOST = "source and destination are the same host"
    REPLY_BEFORE_RECEIPT = "t3 before t2"
    BACK_BEFORE_SENT = "t4 before t1"
    """Also where the source's clock was set back during the exchange, honestly."""
    NEGATIVE_ROUND_TRIP = "negative round trip"
    """t3 - t2 longer than t4 - t1, by more than the clocks' ticks: one of the two hosts' stamps is wrong."""
    DUPLICATE = "duplicate"


def row_faults(source: Int32, destination: Int32, times: tuple[Int64, Int64, Int64, Int64]) -> dict[Reason, Bool]:
    """Faults that a row shows by itself: for each reason that occurs, which rows it applies to first."""
    t1, t2, t3, t4 = times
    faults: dict[Reason, Bool] = {}
    beyond = np.zeros(len(t1), np.bool_)
    for column in times:
        if len(column) and (column.max() >= OUT_OF_RANGE or column.min() <= -OUT_OF_RANGE):
            beyond |= (column >= OUT_OF_RANGE) | (column <= -OUT_OF_RANGE)
    seen = beyond
    for reason, found in (
        (Reason.OUT_OF_RANGE, beyond),
        (Reason.SAME_HOST, source == destination),
        (Reason.REPLY_BEFORE_RECEIPT, t3 < t2),
        (Reason.BACK_BEFORE_SENT, t4 < t1),
    ):
        fresh = found & ~seen if reason is not Reason.OUT_OF_RANGE else found
        if fresh.any():
            faults[reason] = fresh
            seen = seen | fresh
    return faults


def ticks(hosts: int, host: Int32, stamps: Int64) -> Int64:
    """Tick of each host's clock in ns, (hosts,): the greatest common divisor of its stamps, from 1 ns to 1 s."""
    order = np.argsort(host, kind="stable")
    sorted_host = host[order]
    count = np.bincount(sorted_host, minlength=hosts)
    begin = (np.cumsum(count) - count)[count > 0]
    result = np.ones(hosts, np.int64)
    if len(begin):
        result[count > 0] = np.gcd.reduceat(stamps[order], begin)
    return np.where(count >= MIN_STAMPS_FOR_TICK, np.clip(result, 1, NS), 1)


def negative_round_trips(
    hosts: int, source: Int32, destination: Int32, times: tuple[Int64, Int64, Int64, Int64]
) -> Bool:
    """Which rows have a round trip below zero that ticks do not explain. Rows must be free of other faults."""
    t1, t2, t3, t4 = times
    round_trip = (t4 - t1) - (t3 - t2)
    negative = round_trip < 0
    if not negative.any():
        return negative
    suspect = np.zeros(hosts, np.bool_)
    suspect[source[negative]] = True
    suspect[destination[negative]] = True
    by_source, by_destination = suspect[source], suspect[destination]
    host = np.concatenate([source[by_source]] * 2 + [destination[by_destination]] * 2)
    stamps = np.concatenate([t1[by_source], t4[by_source], t2[by_destination], t3[by_destination]])
    tick = ticks(hosts, host, stamps)
    return round_trip < -allowed_below_zero_ns(tick[source] + tick[destination], t3 - t2)


def duplicates(source: Int32, destination: Int32, times: tuple[Int64, Int64, Int64, Int64]) -> Bool:
    """Which rows repeat an earlier row exactly."""
    mixed = _mix(source, destination, times)
    ordered = np.sort(mixed)
    twice = ordered[1:][ordered[1:] == ordered[:-1]]
    repeated = np.zeros(len(mixed), np.bool_)
    if not len(twice):
        return repeated
    rows = np.flatnonzero(np.isin(mixed, twice))
    table = np.stack([source[rows], destination[rows], *(column[rows] for column in times)])
    order = np.lexsort(table)  # stable: of equal rows, the earlier stays ahead
    same = (table[:, order[1:]] == table[:, order[:-1]]).all(axis=0)
    repeated[rows[order[1:][same]]] = True
    return repeated


def _mix(source: Int32, destination: Int32, times: tuple[Int64, Int64, Int64, Int64]) -> Int64:
    """One 64-bit number a row, equal for equal rows and hardly ever else (multiply and shift between columns)."""
    state = (source.astype(np.uint64) << np.uint64(32)) ^ destination.astype(np.uint64)
    for column in times:
        state ^= column.view(np.uint64)
        state *= np.uint64(0x9E3779B97F4A7C15)
        state ^= state >> np.uint64(29)
    return state.view(np.int64)

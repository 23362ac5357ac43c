"""How far a packet's stamp is from the instant at which the packet passed the wire, by who took the stamp. Pure.

Stamps err to one side: late on receipt, early on sending; so honest stamps never break a limit. Figures: measured on
Linux over loopback, virtual Ethernet and a bridge (kernel: 0.1 to 0.4 us median, 4 us at 95 % behind a bridge; user
space: 8 to 43 us even at best, 20 to 50 us median, and milliseconds when the scheduler is busy; a cold path's first
packet: 6.3 us median, 16 us at 99 %). Network cards: tens of nanoseconds, common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Bool, Float64, Int64
from noonmark.proto.records import StampSource

COLD_MEDIAN_NS = 6_300.0
COLD_SPREAD = 0.45
"""Standard deviation of the logarithm: 99 % lie below 2.9 times the median."""


@dataclass(frozen=True, slots=True)
class StampModel:
    """Errors of one stamp source, in ns: a floor, an exponential part, and now and then the scheduler's delay."""

    receive_floor_ns: float
    receive_mean_ns: float
    send_floor_ns: float
    send_mean_ns: float
    stall: float = 0.0
    """Share of stamps that wait for the scheduler."""
    stall_mean_ns: float = 0.0


STAMPS: dict[StampSource, StampModel] = {
    StampSource.HARDWARE: StampModel(0.0, 8.0, 0.0, 8.0),
    StampSource.KERNEL: StampModel(60.0, 350.0, 40.0, 150.0, stall=0.01, stall_mean_ns=4_000.0),
    StampSource.USER: StampModel(8_000.0, 22_000.0, 2_000.0, 6_000.0, stall=0.02, stall_mean_ns=1_500_000.0),
}


def _table(field: str) -> Float64:
    return np.array([getattr(STAMPS[source], field) for source in StampSource])


_RECEIVE = _table("receive_floor_ns"), _table("receive_mean_ns")
_SEND = _table("send_floor_ns"), _table("send_mean_ns")
_STALL = _table("stall"), _table("stall_mean_ns")


def stamp_error_ns(rng: np.random.Generator, source: Int64, *, receiving: bool, warm: Bool) -> Int64:
    """How late (receiving) or early (sending) each stamp is, whole ns >= 0.

    `source` holds values of StampSource. `warm` is false for the first packet after a pause, which errs more; only
    host-side stamps (kernel, user) feel that, and only on receipt.
    """
    floor, mean = _RECEIVE if receiving else _SEND
    error = floor[source] + mean[source] * rng.standard_exponential(len(source))
    stall, stall_mean = _STALL
    if receiving:
        stalled = np.flatnonzero(rng.random(len(source)) < stall[source])
        error[stalled] += stall_mean[source[stalled]] * rng.standard_exponential(len(stalled))
        cold = np.flatnonzero(~warm & (source != StampSource.HARDWARE))
        error[cold] += COLD_MEDIAN_NS * np.exp(COLD_SPREAD * rng.standard_normal(len(cold)))
    return np.ceil(error).astype(np.int64)

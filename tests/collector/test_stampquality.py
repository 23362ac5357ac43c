"""How finely clocks tick, and what the way of stamping adds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from stamped import Clock, all_pairs, stamped

from noonmark.collector.stampquality import STAMP_UNCERTAINTY_NS, granularity, stamp_uncertainty
from noonmark.proto.records import StampSource, pack_flags

H, K, U = StampSource.HARDWARE, StampSource.KERNEL, StampSource.USER


@pytest.mark.parametrize("order", [0, 1])
def test_granularity_is_the_tick_of_each_clock_whoever_asks(order: int) -> None:
    ticks = [1, 10, 1_000, 1_000_000, 10**9]
    clocks = [Clock(offset_ns=7, tick_ns=tick) for tick in ticks]
    pairs = [pair[:: 1 if order else -1] for pair in all_pairs(5)]
    assert granularity(stamped(clocks, pairs)).tolist() == ticks


def test_granularity_of_a_host_with_few_stamps_or_none_is_one() -> None:
    probes = stamped([Clock(tick_ns=1_000), Clock(), Clock()], [(0, 1)], exchanges=3)
    assert granularity(probes).tolist() == [1, 1, 1]
    assert granularity(stamped([Clock(tick_ns=1_000), Clock(), Clock()], [(0, 1)], exchanges=4)).tolist() == [
        1_000,
        1,
        1,
    ]


@pytest.mark.parametrize(
    ("stamps", "asker", "answerer"),
    [((H, H, H, H), H, H), ((K, K, K, K), K, K), ((U, U, U, U), U, U), ((H, K, K, H), H, K), ((H, K, K, U), U, K)],
)
def test_stamp_uncertainty_follows_who_took_the_worse_of_sendings_and_receipts(
    stamps: tuple[StampSource, ...], asker: StampSource, answerer: StampSource
) -> None:
    probes = stamped([Clock(), Clock()], [(0, 1)])
    probes = replace(probes, flags=np.full(len(probes), pack_flags(stamps, False), np.uint16))
    assert stamp_uncertainty(probes).tolist() == [STAMP_UNCERTAINTY_NS[asker], STAMP_UNCERTAINTY_NS[answerer]]


def test_a_host_is_as_good_as_a_tenth_of_its_stamps() -> None:
    probes = stamped([Clock(), Clock()], [(0, 1)], exchanges=20)
    good, bad = pack_flags((K, K, K, K), False), pack_flags((U, U, U, U), False)
    few = replace(probes, flags=np.where(np.arange(20) < 2, good, bad).astype(np.uint16))
    fewer = replace(probes, flags=np.where(np.arange(20) < 1, good, bad).astype(np.uint16))
    assert stamp_uncertainty(few).tolist() == [STAMP_UNCERTAINTY_NS[K]] * 2
    assert stamp_uncertainty(fewer).tolist() == [STAMP_UNCERTAINTY_NS[U]] * 2

"""What a merge gives out does not depend on where its blocks and stretches end."""

from __future__ import annotations

import numpy as np
import pytest
from clock_tables import table
from logs import laid_out, merged, opened

from noonmark.collector.civil import print_instant
from noonmark.collector.clock_lines import ClockKnots
from noonmark.collector.clock_table import ClockTable, NoKnowledge
from noonmark.collector.estimate import Int64
from noonmark.collector.merge_text import TextWriter
from noonmark.collector.order_logs import Hosts, merge_of

T0 = 1_795_589_703 * 10**9
MS = 10**6
SECONDS = 400
BATCHES = [(300, 1), (2_000, 100), (40_000, 2_000), (1 << 20, 1 << 20)]
"""Bytes of a block, records of a stretch: from a few lines to everything at once."""


class PairsByKnot:
    """Pairs are known better at some knots than at others."""

    def limits(self, a: int, b: int, knots: Int64) -> tuple[Int64, Int64]:
        width = (10 + 10 * (knots % 3)) * MS
        middle = 3 * MS * (b - a)
        return middle - width, middle + width

    def uncertainty(self, a: int, b: int, knot: int) -> float:
        return 2e6 * (1 + (knot + a + b) % 5)


def clocks() -> ClockTable:
    """Three hosts whose uncertainty changes from knot to knot, by a factor of up to twenty."""
    at_ns = T0 + np.arange(-600, SECONDS + 600, 20) * 10**9
    knots = len(at_ns)
    offset = np.repeat(np.array([[6 * MS], [3 * MS], [0]]), knots, axis=1)
    sigma = np.random.default_rng(3).uniform(1e6, 2e7, (3, knots))
    zeros = np.zeros((3, knots))
    knowledge = ClockKnots(
        at_ns=at_ns,
        offset_ns=offset,
        drift=zeros,
        uncertainty_ns=sigma,
        drift_uncertainty=zeros,
        lower_ns=offset - 60 * MS,
        upper_ns=offset + 60 * MS,
        gap=np.zeros(knots - 1, np.bool_),
    )
    return ClockTable(["h0", "h1", "h2"], knowledge, pairs=PairsByKnot())


def log_of(random: np.random.Generator, lines: int, step_us: int) -> bytes:
    """Lines at whole steps, many at the same; now and then one without a time, or with an older one than before it."""
    stamps = np.sort(random.integers(0, SECONDS * 1_000_000 // step_us, lines)) * step_us * 1000
    stamps -= np.where(random.random(lines) < 0.02, 300 * MS, 0)
    digits = 3 if step_us % 1000 == 0 else 6
    more = np.where(random.random(lines) < 0.05, "\n" + "  at the turnstile" * 9, "").tolist()
    return b"".join(
        f"{print_instant(T0 + stamp, digits)} passed {row}{more[row]}\n".encode()
        for row, stamp in enumerate(stamps.tolist())
    )


@pytest.mark.parametrize("seed", range(2))
def test_batches_of_any_size_give_the_same(seed: int) -> None:
    random = np.random.default_rng(seed)
    logs = {
        "h0": log_of(random, 3_000, 10_000),
        "h1": log_of(random, 4_000, 37),
        "h2": log_of(random, 600, 100_000),
        "s3": log_of(random, 200, 5_000),  # nothing is known of its clock
    }
    texts = [merged(logs, clocks(), block_bytes=size, stretch=stretch)[0] for size, stretch in BATCHES]
    marks = np.array([[*line[:2]] for line in texts[0].splitlines() if line[39:40] != b" "])
    firsts, inner = (np.count_nonzero(marks[:, 0] == ord(mark)) for mark in "/|")
    assert min(firsts, inner) > 50, "groups lie across borders"
    assert {*marks[:, 1].tolist()} == {*b" ~?"}
    for text in texts[1:]:
        assert text == texts[0]


@pytest.mark.parametrize("seed", range(2))
def test_batches_of_any_size_give_the_same_where_nothing_is_known(seed: int) -> None:
    random = np.random.default_rng(seed)
    logs = {name: log_of(random, 1_000, 1_000_000) for name in ("h0", "h1", "h2")}
    texts = {merged(logs, NoKnowledge(), block_bytes=size, stretch=stretch)[0] for size, stretch in BATCHES}
    assert len(texts) == 1


def test_records_of_one_place_come_in_the_order_of_their_logs() -> None:
    same = {name: b"2026-11-25T06:55:03Z tie %d\n" * 40 % tuple(range(40)) for name in ("h0", "h1", "h2")}
    still = table([0, 0, 0], [(0, 0)] * 3, [1.0] * 3)
    for size, stretch in BATCHES:
        lines = merged(same, still, block_bytes=size, stretch=stretch)[0].splitlines()
        assert [int(line.rsplit(b" ", 1)[1]) for line in lines] == [*range(40)] * 3
        assert [line[33:37].strip() for line in lines] == [b"h0"] * 40 + [b"h1"] * 40 + [b"h2"] * 40


def test_lines_later_than_the_window_are_placed_alike() -> None:
    """A log of several hosts; the window allows for a tenth of a second, some lines are later."""
    random = np.random.default_rng(9)
    stamps = np.sort(random.integers(0, 20_000, 1_500)) * MS - random.choice([0, 50, 90, 150], 1_500) * MS
    text = b"".join(
        b'{"ts":"%s","host":"h%d","n":%d}\n' % (print_instant(T0 + stamp, 3).encode(), row % 3, row)
        for row, stamp in enumerate(stamps.tolist())
    )
    found = []
    for size, stretch in BATCHES[1:]:
        known = clocks()
        hosts = Hosts(known)
        merge = merge_of([opened(text, None, block_bytes=size)], known, hosts, window_ns=100 * MS)
        merge.stretch = stretch
        found.append((laid_out(TextWriter(hosts.names).lay_out, merge), merge.sources[0].late))
    assert found[0][1] > 20
    assert found[1:] == found[:-1]


def test_blocks_are_let_go_once_their_lines_are_passed_on() -> None:
    random = np.random.default_rng(5)
    logs = [opened(log_of(random, 2_000, 1_000), name, block_bytes=1_000) for name in ("h0", "h1")]
    known = table([0, 0], [(0, 0)] * 2, [1.0] * 2)
    merge = merge_of(logs, known, Hosts(known))
    merge.stretch = 50
    blocks = [len(stretch.records.text.buffers) for stretch in merge.stretches()]
    assert len(blocks) > 50
    assert max(blocks) < 12

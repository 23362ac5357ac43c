"""Card stamps turned into the host's time, on clocks whose truth is known."""

from __future__ import annotations

import random

import pytest

from noonmark.agent.card_time import CardTime, Converted, judge_departure, judge_receipt
from noonmark.agent.hardware_clock import Comparison
from noonmark.proto.records import StampSource

SECOND = 1_000_000_000
MS = 1_000_000
START = 1_750_000_000 * SECOND
TAI = 37 * SECOND


class World:
    """A card's clock with a known error against the host's, and readings of it of a given width."""

    def __init__(self, *, ahead_ns: int = TAI, drift: float = 0.0, width_ns: int = 1_000, seed: int = 1) -> None:
        self.rng = random.Random(seed)
        self.ahead_ns, self.drift, self.width_ns = ahead_ns, drift, width_ns
        self.host_ns = START
        self.since_ns = START
        self.time = CardTime()

    def card(self, host_ns: int) -> int:
        return host_ns + self.ahead_ns + round(self.drift * (host_ns - self.since_ns))

    def set_drift(self, drift: float) -> None:
        self.ahead_ns = self.card(self.host_ns) - self.host_ns
        self.since_ns, self.drift = self.host_ns, drift

    def compare(self, part: float | None = None) -> None:
        """The card is read at an instant somewhere within the reading, or after that part of it."""
        at = self.host_ns + round(self.width_ns * (self.rng.random() if part is None else part))
        self.time.compared(Comparison(self.host_ns, self.card(at), self.host_ns + self.width_ns))
        self.host_ns += self.width_ns

    def run(self, rounds: int, step_ns: int = 250 * MS) -> list[tuple[int, Converted | None]]:
        """Stamps at random instants of each round, converted after a comparison: (truth, converted)."""
        out = []
        for _ in range(rounds):
            truths = [self.host_ns + self.rng.randrange(1, step_ns) for _ in range(5)]
            stamps = [self.card(truth) for truth in truths]
            self.host_ns += step_ns
            self.compare()
            out += [(truth, self.time.convert(stamp)) for truth, stamp in zip(truths, stamps, strict=True)]
        return out


def errors(pairs: list[tuple[int, Converted | None]]) -> list[tuple[int, int]]:
    return [(found.time_ns - truth, found.error_ns) for truth, found in pairs if found is not None]


@pytest.mark.parametrize("ahead_ns", [0, TAI, -START, 12_345_678_901])
@pytest.mark.parametrize("drift", [0.0, 1e-6, -80e-6])
def test_a_steady_card_is_told_within_the_bound_whatever_scale_it_counts(ahead_ns: int, drift: float) -> None:
    world = World(ahead_ns=ahead_ns, drift=drift)
    world.run(4)
    found = errors(world.run(100))
    assert len(found) == 500
    assert all(abs(error) <= bound for error, bound in found)
    assert max(bound for _, bound in found) < 3_000, "some widths of a reading"


def test_a_comparison_by_hardware_is_of_hardwares_class() -> None:
    world = World(drift=1e-6, width_ns=0)
    world.run(4)
    found = errors(world.run(50))
    assert all(abs(error) <= bound <= 17 for error, bound in found)
    assert len(found) == 250


def test_nothing_is_told_beyond_the_latest_comparison_or_before_a_rate_is_known() -> None:
    world = World()
    assert world.time.convert(world.card(START)) is None
    assert errors(world.run(2)) == []
    world.run(3)
    assert world.time.convert(world.card(world.host_ns + 1)) is None
    assert world.time.convert(world.card(START - SECOND)) is None


@pytest.mark.parametrize("size_ns", [300, -300, 5_000, -5_000, 200_000, -200_000, 5 * MS, -5 * MS, SECOND, -TAI, TAI])
@pytest.mark.parametrize("width_ns", [0, 1_000])
def test_a_step_of_the_card_never_makes_a_bound_wrong(size_ns: int, width_ns: int) -> None:
    for seed in range(20):
        world = World(drift=3e-6, width_ns=width_ns, seed=seed)
        world.run(8)
        at = world.host_ns + world.rng.randrange(1, 250 * MS)
        truths = [world.host_ns + world.rng.randrange(1, 250 * MS) for _ in range(10)]
        # Stamps of one fetch from before the step and after it.
        stamps = [world.card(truth) + (size_ns if truth >= at else 0) for truth in truths]
        world.ahead_ns += size_ns
        world.host_ns += 250 * MS
        world.compare()
        found = errors([(t, world.time.convert(s)) for t, s in zip(truths, stamps, strict=True)])
        assert all(abs(error) <= bound for error, bound in found)
        if abs(size_ns) >= 200_000:
            assert found == []
            assert world.time.jumps == 1
        later = errors(world.run(20))
        assert all(abs(error) <= bound for error, bound in later)
        assert len(later) >= 50, "it recovers"


def test_a_small_step_back_right_after_a_reading_is_held_by_the_bound() -> None:
    """The card shows the same times twice: a stamp after the step looks as if it were from before the reading."""
    world = World(width_ns=0)
    world.run(8)
    world.host_ns += SECOND
    world.compare()
    world.ahead_ns -= 40_000
    truth = world.host_ns + 5_000
    stamp = world.card(truth)
    world.host_ns += SECOND
    world.compare()
    found = world.time.convert(stamp)
    assert found is not None
    assert abs(found.time_ns - truth) <= found.error_ns


def test_a_step_that_the_readings_hide_is_held_by_the_bound() -> None:
    """Read at the ends of its readings, a card that was moved by their width seems to go on as before."""
    world = World(width_ns=10_000)
    for _ in range(60):
        world.host_ns += 500 * MS
        world.compare(part=0.0)
    truth = world.host_ns + 100
    world.ahead_ns -= 10_000
    stamp = world.card(truth)
    world.host_ns += 250 * MS
    world.compare(part=1.0)
    found = world.time.convert(stamp)
    if found is not None:
        assert abs(found.time_ns - truth) <= found.error_ns
    truth += 50_000
    found = world.time.convert(world.card(truth))
    assert found is not None
    assert abs(found.time_ns - truth) <= found.error_ns


def test_a_card_moved_while_its_rate_was_learned_is_not_believed_yet() -> None:
    world = World(width_ns=0)
    world.compare()
    for _ in range(2):  # by like amounts, so that a rate would explain them
        truth = world.host_ns + 240 * MS
        before, world.ahead_ns = world.card(truth), world.ahead_ns + 10_000
        world.host_ns += 250 * MS
        world.compare()
        found = world.time.convert(before)
        assert found is None or abs(found.time_ns - truth) <= found.error_ns


def test_steps_in_every_fifth_stretch_are_held_by_the_bound() -> None:
    told = 0
    for seed in range(150):
        rng = random.Random(seed)
        world = World(drift=rng.uniform(-1e-4, 1e-4), width_ns=rng.choice([0, 200, 1_000, 5_000]), seed=seed)
        world.run(4)
        for _ in range(15):
            step_ns = rng.choice([MS, 20 * MS, 250 * MS, 2 * SECOND])
            size_ns = round(rng.choice([0] * 8 + [1, -1]) * 10 ** rng.uniform(1, 8))
            at = world.host_ns + rng.choice([1, rng.randrange(1, step_ns - 500)])
            truths = [world.host_ns + rng.randrange(1, step_ns) for _ in range(6)] + [at + 1, at + 500]
            stamps = [world.card(truth) + (size_ns if truth >= at else 0) for truth in truths]
            world.ahead_ns += size_ns
            world.host_ns += step_ns
            world.compare(rng.choice([0.0, 1.0, None]))
            found = errors([(t, world.time.convert(s)) for t, s in zip(truths, stamps, strict=True)])
            assert all(abs(error) <= bound for error, bound in found)
            told += len(found)
    assert told > 5_000


def test_a_change_of_rate_widens_the_bound_or_silences() -> None:
    for change in (1e-7, 2e-6, 40e-6, 300e-6):
        world = World(drift=1e-6)
        world.run(20)
        world.host_ns += 1
        world.set_drift(1e-6 + change)
        assert all(abs(error) <= bound for error, bound in errors(world.run(40)))


def test_a_host_slewed_at_500_ppm_is_never_told_wrongly() -> None:
    world = World()
    world.run(20)
    world.set_drift(500e-6)
    during = errors(world.run(20))
    world.set_drift(0.0)
    after = errors(world.run(20))
    assert all(abs(error) <= bound for error, bound in during + after)
    assert len(after) >= 50


def test_long_silence_is_not_bridged() -> None:
    world = World()
    world.run(8)
    assert errors(world.run(1, step_ns=31 * SECOND)) == []


K = START
FOUND = Converted(K - 3_000, 500)


def test_a_receipt_is_moved_later_by_the_bound_and_never_beyond_the_kernels() -> None:
    assert judge_receipt(K, FOUND) == (K - 2_500, StampSource.KERNEL, "used")
    assert judge_receipt(K, Converted(K - 3_000, 17)) == (K - 2_983, StampSource.HARDWARE, "used")
    assert judge_receipt(K, Converted(K - 3_000, 3_000)) == (K, None, "no-better")
    assert judge_receipt(K, Converted(K + 400, 500)) == (K, None, "no-better")


def test_a_departure_is_moved_earlier_by_the_bound_and_never_before_the_kernels() -> None:
    assert judge_departure(K, Converted(K + 3_000, 500)) == (K + 2_500, StampSource.KERNEL, "used")
    assert judge_departure(K, Converted(K + 3_000, 17)) == (K + 2_983, StampSource.HARDWARE, "used")
    assert judge_departure(K, Converted(K + 3_000, 3_000)) == (K, None, "no-better")


@pytest.mark.parametrize("off_ns", [501, 11 * MS, -11 * MS])
def test_what_cannot_be_the_same_packet_is_not_believed(off_ns: int) -> None:
    assert judge_receipt(K, Converted(K + off_ns, 500)) == (K, None, "implausible")
    assert judge_departure(K, Converted(K - off_ns, 500)) == (K, None, "implausible")
    assert judge_receipt(K, None) == judge_departure(K, None) == (K, None, "not-compared")

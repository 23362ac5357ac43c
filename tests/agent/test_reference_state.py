from __future__ import annotations

import itertools
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent.reference import Observation
from noonmark.agent.reference_state import (
    TRANSITIONS,
    Event,
    Standing,
    StateSettings,
    advance,
    certainty,
    start,
    status,
)
from noonmark.proto.oscillators import CLASSES, OscillatorClass, holdover_uncertainty
from noonmark.proto.reference import ReferenceState

SECOND_NS = 1_000_000_000
FREE_RUN, HOLDOVER, LOCKED = ReferenceState.FREE_RUN, ReferenceState.HOLDOVER, ReferenceState.LOCKED
OCXO = CLASSES[OscillatorClass.OCXO]
SETTINGS = StateSettings(longest_holdover_ns=3600 * SECOND_NS, oscillator=OCXO)


class Life:
    """A reference looked at once a second."""

    def __init__(self) -> None:
        self.now = 0
        self.standing = start(now=0, host_ns=0)

    def seconds(self, count: int, offset_ns: int | None, **options: int) -> list[ReferenceState]:
        states = []
        for _ in range(count):
            self.now += SECOND_NS
            good = None if offset_ns is None else Observation("pps:a", "pps", 0, self.now, True, offset_ns, 100, 500)
            self.standing = advance(
                self.standing, good, now=self.now, host_ns=self.now + 7, settings=SETTINGS, **options
            )
            states.append(self.standing.state)
        return states

    def certainty(self) -> tuple[int | None, int | None]:
        return certainty(self.standing, OCXO, now=self.now)


def test_a_source_is_followed_only_after_it_was_good_for_long_enough() -> None:
    life = Life()
    assert life.seconds(12, 40).index(LOCKED) == 10
    assert life.standing.since_host_ns == 11 * SECOND_NS + 7
    assert life.certainty() == (108, 540), "hypot(40, 100); 40 + 500"


def test_a_source_that_flickers_is_never_followed() -> None:
    life = Life()
    for _ in range(10):
        assert set(life.seconds(9, 0)) == {FREE_RUN}
        assert set(life.seconds(1, None)) == {FREE_RUN}


def test_a_short_loss_is_no_loss() -> None:
    life = Life()
    life.seconds(12, 0)
    assert set(life.seconds(5, None)) == {LOCKED}
    assert set(life.seconds(1, 0)) == {LOCKED}
    assert set(life.seconds(5, None)) == {LOCKED}


def test_holdover_and_return() -> None:
    life = Life()
    life.seconds(12, 40)
    before = life.certainty()
    assert life.seconds(10, None)[-1] is HOLDOVER
    life.seconds(1000, None)
    uncertainty, limit = life.certainty()
    wandered = holdover_uncertainty(OCXO, 1010.0)
    assert uncertainty == pytest.approx((108**2 + wandered**2) ** 0.5, abs=1)
    assert limit == pytest.approx(540 + 5 * wandered, abs=1)
    assert life.seconds(12, -20)[-1] is LOCKED
    assert life.certainty() < before  # type: ignore[operator]


def test_uncertainty_grows_from_the_last_good_look_and_not_from_the_change_of_state() -> None:
    life = Life()
    life.seconds(12, 0)
    good = life.now
    life.seconds(3, None)
    assert life.standing.state is LOCKED
    assert life.standing.followed_ns == good
    assert life.certainty()[0] == pytest.approx((100**2 + holdover_uncertainty(OCXO, 3.0) ** 2) ** 0.5, abs=1)


def test_holdover_ends_when_it_has_lasted_as_long_as_it_may() -> None:
    life = Life()
    life.seconds(12, 0)
    states = life.seconds(3700, None)
    assert states[-1] is FREE_RUN
    assert states.index(FREE_RUN) == 3599
    assert life.certainty() == (None, None)
    assert life.seconds(12, 0)[-1] is LOCKED


def test_a_clock_set_in_holdover_keeps_nothing() -> None:
    life = Life()
    life.seconds(12, 0)
    life.seconds(10, None)
    assert life.seconds(1, None, moved_ns=1_000) == [FREE_RUN]
    assert life.certainty() == (None, None)


def test_a_clock_set_while_locked_is_off_by_as_much_until_it_is_seen_again() -> None:
    life = Life()
    life.seconds(12, 0)
    assert life.seconds(1, None, moved_ns=-2_000_000) == [LOCKED]
    uncertainty, limit = life.certainty()
    assert (uncertainty, limit) == pytest.approx((2_000_100, 2_000_500), abs=20)
    life.seconds(1, -2_000_000)
    assert life.standing.offset_ns == -2_000_000


def test_a_clock_that_free_runs_from_the_start_knows_nothing() -> None:
    life = Life()
    assert set(life.seconds(50, None)) == {FREE_RUN}
    assert life.certainty() == (None, None)


def test_the_table_never_skips_lock() -> None:
    """Nothing leads to holdover but a lost lock, and nothing to locked but an acquired source (ITU-T G.810)."""
    for state, event in itertools.product(ReferenceState, Event):
        then = TRANSITIONS.get((state, event), state)
        if then is HOLDOVER and state is not HOLDOVER:
            assert (state, event) == (LOCKED, Event.LOST)
        if then is LOCKED and state is not LOCKED:
            assert event is Event.ACQUIRED


def test_a_status_tells_it_all() -> None:
    life = Life()
    life.seconds(12, 40)
    told = status(life.standing, SETTINGS, now=life.now + 500_000_000)
    assert (told.state, told.source, told.oscillator) == (LOCKED, "pps:a", "ocxo")
    assert told.lasted_ns == SECOND_NS + 500_000_000
    assert told.offset_ns == 40


@given(st.lists(st.tuples(st.integers(1, 20), st.booleans(), st.sampled_from([0, 0, 0, 10**6])), max_size=30))
def test_uncertainty_falls_only_when_a_source_is_seen(stretches: list[tuple[int, bool, int]]) -> None:
    standing, now = start(now=0, host_ns=0), 0
    for count, good, moved in stretches:
        for step in range(count):
            now += SECOND_NS
            one = Observation("pps:a", "pps", 0, now, True, 0, 100, 500) if good else None
            before: Standing = standing
            was, _ = certainty(before, OCXO, now=now)
            standing = advance(standing, one, now=now, host_ns=now, settings=SETTINGS, moved_ns=0 if step else moved)
            then, limit = certainty(standing, OCXO, now=now)
            if not good and was is not None:
                assert then is None or then >= was
            if then is not None and limit is not None:
                assert limit >= then
            if replace(standing, turning_since_ns=None) != replace(before, turning_since_ns=None) and one is None:
                assert standing.state is not LOCKED or moved

"""Octets from outside, changed at random: refused as the callers expect, or harmless. The short part.

The long one: ``python tests/bench/fuzz.py``, with counts.
"""

from __future__ import annotations

import random

import pytest
from fuzz_targets import TARGETS, Target, mutated
from hypothesis import given
from hypothesis import strategies as st

EXECUTIONS = 1_500


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
def test_changed_octets_are_refused_or_harmless(target: Target) -> None:
    rng = random.Random(1)
    taken = 0
    for seed in target.seeds:
        target.execute(seed)
    for _ in range(EXECUTIONS):
        taken += target.execute(mutated(rng.choice(target.seeds), rng))
    assert taken < EXECUTIONS or not target.refuses_with, "nothing was ever refused: is this input looked at?"


@pytest.mark.parametrize("target", TARGETS, ids=lambda target: target.name)
@given(data=st.binary(max_size=300))
def test_any_octets_are_refused_or_harmless(target: Target, data: bytes) -> None:
    target.execute(data)

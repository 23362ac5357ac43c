"""A reference's live numbers, kept and told back: no limit, and a rate, survive; steady numbers begin no new era."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
from courses import Clock, estimate_of

from noonmark.collector.estimate import Reference
from noonmark.collector.history import open_history

SECOND_NS = 10**9
START_NS = 1_795_589_703 * SECOND_NS


def test_a_free_running_reference_is_told_back_without_a_limit(tmp_path: Path) -> None:
    random = np.random.default_rng(1)
    held = Reference("quay-ref", 1e6, 5e6, 300.0)
    free = Reference("quay-ref", 1e9, math.inf, 50_000.0)
    kept = open_history(tmp_path / "history.sqlite")
    try:
        for number in range(20):
            estimate = estimate_of([Clock("quay-ref"), Clock("gate")], START_NS + number * 5 * SECOND_NS, random)
            kept.append(replace(estimate, references=(held if number < 10 else free,)))
        early = kept.estimate_at(START_NS + 20 * SECOND_NS)
        late = kept.estimate_at(START_NS + 90 * SECOND_NS)
        assert early is not None
        assert late is not None
        assert (early.references, late.references) == ((held,), (free,))
    finally:
        kept.close()

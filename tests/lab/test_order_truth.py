"""Ordering by the collector's own estimates of simulated fleets, held to the truth; the bench does it at length."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

BENCH = Path(__file__).resolve().parent.parent / "bench/bench_order_truth.py"


@pytest.fixture(scope="module")
def bench() -> ModuleType:
    spec = importlib.util.spec_from_file_location("bench_order_truth", BENCH)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("kind", ["kernel-lan", "user-stamps", "three-zones"])
def test_certain_is_never_wrong_and_correcting_helps_fivefold(bench: ModuleType, kind: str) -> None:
    tally = bench.run(kind, hosts=10, seed=11, pairs=20_000)
    assert tally.certain > 1500
    assert tally.wrong == 0
    assert tally.raw_wrong > 500
    assert tally.corrected_wrong <= tally.raw_wrong / 5
    if tally.promised > 100:
        assert tally.kept / tally.promised > 0.93

"""Budgets over a whole `FleetEstimate` at once: the rules of budgets.py, in arrays. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from noonmark.collector.budgets import COVERAGE_FACTOR, FRESH_STATES, Budget, Budgets, Fitness
from noonmark.collector.estimate import UNBOUNDED_NS, FleetEstimate, Float64, Int32, Int64, UInt8

ANSWERS = (Fitness.WITHIN, Fitness.OUT, Fitness.CANNOT_BE_SHOWN)
"""What the numbers in `BudgetColumns.fitness` mean."""
NO_BUDGET = 255


@dataclass(frozen=True, slots=True)
class BudgetColumns:
    """One row a host of the estimate (H). `budget` indexes `budgets`, -1 where the host has none."""

    budgets: tuple[Budget, ...]
    budget: Int32
    fitness: UInt8
    """Index into ANSWERS; NO_BUDGET where the host has none."""
    headroom: Float64
    """Certain, in multiples of the budget; -inf without limits, NaN without a budget or for a silent host."""

    @property
    def tolerance_ns(self) -> Int64:
        """(H,) 0 where the host has no budget."""
        of_budget = np.array([budget.tolerance_ns for budget in self.budgets] + [0], np.int64)
        return np.asarray(of_budget[self.budget])


def assign(hosts: tuple[str, ...], labels: Mapping[str, tuple[str, str]], budgets: Budgets) -> Int32:
    """(H,) index of each host's budget in `budgets.all`, -1 for none; `labels` gives (zone, role)."""
    number = {budget.name: index for index, budget in enumerate(budgets.all)}
    nothing = ("", "")
    rows = np.empty(len(hosts), np.int32)
    for row, host in enumerate(hosts):
        budget = budgets.of(host, *labels.get(host, nothing))
        rows[row] = -1 if budget is None else number[budget.name]
    return rows


def hold(estimate: FleetEstimate, labels: Mapping[str, tuple[str, str]], budgets: Budgets) -> BudgetColumns:
    """Every host held against its budget."""
    row = assign(estimate.hosts, labels, budgets)
    columns = BudgetColumns(budgets.all, row, np.full(len(row), NO_BUDGET, np.uint8), np.full(len(row), np.nan))
    has = row >= 0
    if not has.any():
        return columns
    tolerance = columns.tolerance_ns
    states = np.fromiter((state in FRESH_STATES for state in estimate.state), np.bool_, len(row))
    fresh = states & np.isfinite(estimate.uncertainty_ns)
    # Rounded up as in a view, so that both ways give one answer.
    expanded = COVERAGE_FACTOR * np.ceil(estimate.uncertainty_ns)
    low, high = estimate.lower_ns, estimate.upper_ns
    within = fresh & (low >= -tolerance) & (high <= tolerance)
    beyond = (low > tolerance) | (high < -tolerance) | (np.abs(estimate.offset_ns) - expanded > tolerance)
    columns.fitness[has] = np.select([within, fresh & beyond], [0, 1], 2).astype(np.uint8)[has]
    unbounded = (np.abs(low) >= UNBOUNDED_NS) | (np.abs(high) >= UNBOUNDED_NS)
    worst = np.maximum(np.abs(low), np.abs(high))
    known = has & fresh
    columns.headroom[known] = np.where(unbounded, -np.inf, 1 - worst / np.where(has, tolerance, 1))[known]
    return columns

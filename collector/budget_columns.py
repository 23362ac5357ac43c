"""Budgets over a whole `FleetEstimate` at once: the rules of budgets.py, in arrays. Pure."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Mapping, Sequence
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


class _ByPlace(dict[tuple[str, str], int]):
    """Index of the budget for a zone and a role, by the rules that name no host; looked up once for each pair."""

    def __init__(self, budgets: Budgets, number: Mapping[str, int]) -> None:
        super().__init__()
        self._budgets = budgets
        self._number = number

    def __missing__(self, place: tuple[str, str]) -> int:
        budget = self._budgets.of("", *place)
        index = self[place] = -1 if budget is None else self._number[budget.name]
        return index


def assign(hosts: Sequence[str], labels: Mapping[str, tuple[str, str]], budgets: Budgets) -> Int32:
    """(H,) index of each host's budget in `budgets.all`, -1 for none; `labels` gives (zone, role)."""
    number = {budget.name: index for index, budget in enumerate(budgets.all)}
    by_place = _ByPlace(Budgets(tuple(rule for rule in budgets.rules if rule.kind != "host")), number)
    nowhere = ("", "")
    rows = np.fromiter((by_place[labels.get(host, nowhere)] for host in hosts), np.int32, len(hosts))
    # A rule for hosts is closer than any other, and the first of them counts: so it is laid on last.
    for rule in reversed(budgets.rules):
        if rule.kind == "host":
            matches = re.compile(fnmatch.translate(rule.pattern)).match
            rows[[row for row, host in enumerate(hosts) if matches(host)]] = number[rule.budget.name]
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

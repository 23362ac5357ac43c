"""Each host's budget, and how it is held, put into the message that goes to the host itself. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from noonmark.collector.budget_columns import ANSWERS, hold
from noonmark.collector.budgets import Budgets
from noonmark.collector.estimate import FleetEstimate
from noonmark.proto import noonmark_pb2 as pb


def with_budgets(
    messages: Mapping[str, pb.HostEstimate],
    estimate: FleetEstimate,
    labels: Mapping[str, tuple[str, str]],
    budgets: Budgets,
) -> None:
    """Write them into the messages; a host without a budget is told none. `labels` gives (zone, role)."""
    held = hold(estimate, labels, budgets)
    for host, row, answer in zip(estimate.hosts, held.budget.tolist(), held.fitness.tolist(), strict=True):
        message = messages.get(host)
        if message is not None and row >= 0:
            budget = held.budgets[row]
            message.budget = budget.name
            message.budget_ns = budget.tolerance_ns
            message.budget_answer = str(ANSWERS[answer])

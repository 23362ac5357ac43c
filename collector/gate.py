"""Waiting until a host's clock is shown to be fit for a budget: the loop and its words, with time passed in. Pure.

The loop asks, answers at once when the host is fit, and otherwise asks again until its time is up. What it says then is
the last answer, or that nobody answered: two things that are never one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from noonmark.collector.budgets import Budget, Fitness, estimated_fitness, fitness, span_text
from noonmark.collector.present import direction, format_duration, format_limits, format_offset
from noonmark.collector.views import PairView


@dataclass(frozen=True, slots=True)
class Answer:
    """What was known at one asking: a view of the host against the reference, or why there is none."""

    view: PairView | None
    reason: str = ""
    """Why there is no view."""

    @property
    def known(self) -> bool:
        """Whether an offset was told at all."""
        return self.view is not None and self.view.known


@dataclass(frozen=True, slots=True)
class Passage:
    """How the waiting ended."""

    fit: bool
    answer: Answer
    waited_s: float


def verdict(budget: Budget, view: PairView, *, by_estimate: bool) -> Fitness:
    """A known view held against the budget."""
    if by_estimate:
        return estimated_fitness(budget.tolerance_ns, view.offset_ns, view.uncertainty_ns)
    return fitness(budget.tolerance_ns, view.offset_ns, view.uncertainty_ns, view.lower_ns, view.upper_ns)


def wait_until_fit(
    ask: Callable[[float], Answer],
    budget: Budget,
    *,
    by_estimate: bool,
    timeout_s: float,
    every_s: float,
    monotonic: Callable[[], float],
    sleep: Callable[[float], None],
    told: Callable[[str], None],
) -> Passage:
    """Ask (with the seconds that an answer may take) until the host is fit or the time is up; at least once.

    `told` gets a line whenever what is known has changed in kind.
    """
    started = monotonic()
    before: tuple[object, ...] | None = None
    while True:
        left = started + timeout_s - monotonic()
        answer = ask(min(10.0, max(1.0, left)))
        result = verdict(budget, answer.view, by_estimate=by_estimate) if answer.view and answer.known else None
        waited = monotonic() - started
        if result is Fitness.WITHIN:
            return Passage(True, answer, waited)
        if waited + every_s > timeout_s:
            return Passage(False, answer, waited)
        kind = (result, answer.reason)
        if kind != before:
            told(f"waiting: {explanation(budget, answer, by_estimate=by_estimate)}")
            before = kind
        sleep(every_s)


def explanation(budget: Budget, answer: Answer, *, by_estimate: bool) -> str:
    """One sentence of what is known and what it means for the budget, without a full stop."""
    view = answer.view
    if view is None:
        return answer.reason
    if not view.known:
        return view.reason or f"nothing is known of {view.a}"
    tolerance = f"the budget of {format_duration(budget.tolerance_ns)}"
    if budget.name != span_text(budget.tolerance_ns):
        tolerance += f" ({budget.name})"
    clock = (
        f"{view.a}'s clock is {format_offset(view.offset_ns, view.uncertainty_ns)} {direction(view.offset_ns)}, "
        f"certain within {format_limits(view.lower_ns, view.upper_ns)}"
    )
    result = verdict(budget, view, by_estimate=by_estimate)
    if result is Fitness.WITHIN:
        return f"{clock}: within {tolerance}"
    if result is Fitness.OUT:
        return f"{clock}: out of {tolerance}"
    wide = "the uncertainty is" if by_estimate else "the limits are"
    return f"{clock}: {wide} too wide to show that it keeps {tolerance}"

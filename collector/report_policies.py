"""Policies that clocks are held to, as data: how far from UTC, for which activity, by which text. Pure, free of numpy.

The figures are meant to be those of the texts named beside each, and each says where they were really read; the texts
themselves, as in force, decide, and so does whoever is licensed to read them. A policy is written as a rule of budgets
is, `WHAT[=WHOM]`: `rts25-hft=role:gateway`, or one's own, `gates:5ms=zone:quay`.
"""

from __future__ import annotations

from dataclasses import dataclass

from noonmark.collector.budgets import Budget, BudgetRule, Budgets, parse_budget, parse_rule, span_text
from noonmark.proto.spelling import did_you_mean

_US, _MS, _S = 10**3, 10**6, 10**9
_RTS25 = "Commission Delegated Regulation (EU) 2017/574 (RTS 25), annex"


@dataclass(frozen=True, slots=True)
class Policy:
    """One activity's requirement."""

    name: str
    tolerance_ns: int
    """Greatest divergence from UTC."""
    granularity_ns: int | None
    """Time stamps are to be at least so fine; None: the text asks for none."""
    activity: str
    source: str
    checked: str = ""
    """Where its figures were read, if not in the text named as its source."""


QUOTED = "figures as several quotations of the text agree on them; check them against the text in force"
HANDBOOK = "figures as a regulator's handbook and several quotations give them; check them against the text in force"
RULE = "50 ms as FINRA rule 4590 has it, the rest as quotations of the texts agree; check them against those in force"
MEMORY = "figures from memory, by nothing confirmed; check them against the text in force"

POLICIES: dict[str, Policy] = {
    policy.name: policy
    for policy in (
        Policy(
            "rts25-venue", 1 * _MS, 1 * _MS, "operator of a trading venue, gateway-to-gateway latency above 1 ms",
            f"{_RTS25}, table 1", QUOTED,
        ),
        Policy(
            "rts25-venue-fast", 100 * _US, 1 * _US,
            "operator of a trading venue, gateway-to-gateway latency of 1 ms or less", f"{_RTS25}, table 1", QUOTED,
        ),
        Policy(
            "rts25-hft", 100 * _US, 1 * _US, "member or participant, high-frequency algorithmic trading technique",
            f"{_RTS25}, table 2", QUOTED,
        ),
        Policy(
            "rts25-voice", 1 * _S, 1 * _S, "member or participant, voice trading", f"{_RTS25}, table 2",
            HANDBOOK,
        ),
        Policy(
            "rts25-rfq", 1 * _S, 1 * _S,
            "member or participant, request for quote where the answer needs a human or the system allows no algorithm",
            f"{_RTS25}, table 2", QUOTED,
        ),
        Policy(
            "rts25-negotiated", 1 * _S, 1 * _S, "member or participant, negotiated transactions", f"{_RTS25}, table 2",
            QUOTED,
        ),
        Policy(
            "rts25-other", 1 * _MS, 1 * _MS, "member or participant, any other trading activity", f"{_RTS25}, table 2",
            QUOTED,
        ),
        Policy(
            "us-audit-trail", 50 * _MS, 1 * _MS, "business clocks that stamp reportable events",
            "17 CFR 242.613(d); FINRA rules 4590 and 6820", RULE,
        ),
        Policy(
            "us-audit-trail-exchange", 100 * _US, None, "clocks of national securities exchanges",
            "consolidated audit trail plan, amended clock synchronization standard", QUOTED,
        ),
        Policy(
            "us-audit-trail-manual", 1 * _S, None, "business clocks used only for manual order events",
            "consolidated audit trail plan; FINRA rule 6820", MEMORY,
        ),
    )
}  # fmt: skip
"""By name."""


def parse_policy(text: str) -> BudgetRule:
    """Parse `WHAT[=WHOM]`: a policy's name, or what budgets are written as. Raises ValueError with the remedy."""
    what, equals, whom = text.partition("=")
    policy = POLICIES.get(what)
    if policy is None:
        try:
            return parse_rule(text)
        except ValueError as error:
            if ":" in what or what[:1].isdigit() or what in ("", "."):
                raise
            near = did_you_mean(what, POLICIES)
            if near:
                raise ValueError(f"{near} Ready-made are {', '.join(POLICIES)}; one's own: gates:5ms") from None
            raise ValueError(f"use one of {', '.join(POLICIES)}, or one's own such as gates:5ms ({error})") from None
    budget = Budget(policy.name, policy.tolerance_ns, f"{policy.source}: {policy.activity}")
    if not equals:
        return BudgetRule(budget)
    rule = parse_rule(f"{budget.name}:{span_text(budget.tolerance_ns)}={whom}")
    return BudgetRule(budget, rule.kind, rule.pattern)


def policies_of(texts: tuple[str, ...]) -> Budgets:
    """All rules of a report. Raises ValueError naming the text at fault."""
    rules = []
    for text in texts:
        try:
            rules.append(parse_policy(text))
        except ValueError as error:
            raise ValueError(f"{text!r}: {error}") from None
    return Budgets(tuple(rules))


def described(budget: Budget) -> Policy:
    """What is known of a policy that a report uses; of one's own only its figure."""
    known = POLICIES.get(budget.name)
    if known is not None and known.tolerance_ns == budget.tolerance_ns:
        return known
    return Policy(budget.name, budget.tolerance_ns, None, "as chosen by whoever made this report", budget.source)


__all__ = ["POLICIES", "Policy", "described", "parse_budget", "parse_policy", "policies_of"]

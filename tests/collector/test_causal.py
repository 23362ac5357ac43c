"""Messages as evidence: who asked, what it proves, and what contradicts it."""

from __future__ import annotations

import numpy as np
import pytest
from clock_tables import table
from hypothesis import given
from hypothesis import strategies as st

from noonmark.collector.causal import CausalKnowledge, Mention, causal_steps, contradictions, findings_of
from noonmark.collector.clock_table import ClockTable
from noonmark.collector.order import Events, order
from noonmark.collector.verdicts import Certainty

T0 = 10**18


def clocks(offset: int = 0, half: int = 100_000) -> ClockTable:
    return table([0, offset], [(-half, half), (offset - half, offset + half)], [1000.0, 1000.0])


def exchange(
    name: bytes, at: int, ahead: int, *, there: int = 300, served: int = 200, back: int = 400
) -> list[Mention]:
    """Host 0 asks at `at`, host 1 (whose clock is `ahead`) serves, host 0 has the reply."""
    arrives, answers = at + there, at + there + served
    return [
        Mention(name, 0, T0 + at, 1),
        Mention(name, 1, T0 + arrives + ahead, 1),
        Mention(name, 1, T0 + answers + ahead, 1),
        Mention(name, 0, T0 + answers + back, 1),
    ]


def limits(knowledge: CausalKnowledge, at: int) -> tuple[int, int]:
    lower, upper = knowledge.difference_limits(
        np.array([1], np.int32), np.array([0], np.int32), np.array([T0 + at]), np.array([T0 + at])
    )
    return int(lower[0]), int(upper[0])


def test_longer_span_asked_and_both_ends_limit_the_pair() -> None:
    base = clocks()
    steps = causal_steps(exchange(b"r1", 0, 5000), base)
    assert [(step.cause.host, step.effect.host) for step in steps] == [(0, 1), (1, 0)]
    lower, upper = limits(CausalKnowledge(base, steps), 0)
    assert lower == pytest.approx(5000 - 400, abs=3)
    assert upper == pytest.approx(5000 + 300, abs=3)


def test_limits_age_with_the_time_from_the_message() -> None:
    knowledge = CausalKnowledge(clocks(), causal_steps(exchange(b"r1", 0, 5000), clocks()))
    lower, upper = limits(knowledge, 10**9)
    assert upper == pytest.approx(5300 + 30_000, abs=5)
    assert lower == pytest.approx(4600 - 30_000, abs=5)


@given(
    st.lists(st.tuples(st.integers(0, 10**9), st.integers(1, 10**5), st.integers(1, 10**5)), min_size=1, max_size=12),
    st.integers(0, 10**9),
)
def test_envelope_is_the_least_of_all_aged_limits(exchanges: list[tuple[int, int, int]], at: int) -> None:
    base = clocks(half=10**7)
    mentions = [
        mention
        for number, (when, there, back) in enumerate(exchanges)
        for mention in exchange(b"%d" % number, when, 777, there=there, back=back)
    ]
    steps = causal_steps(mentions, base)
    lower, upper = limits(CausalKnowledge(base, steps), at)
    # Slow twin: every step by itself.
    reference = {id(step): step.cause.stamp_ns - T0 for step in steps}
    highs = [s.greatest_ns + 30e-6 * abs(at - reference[id(s)]) for s in steps if s.effect.host == 1]
    lows = [-s.greatest_ns - 30e-6 * abs(at - reference[id(s)]) for s in steps if s.effect.host == 0]
    assert upper == pytest.approx(min(10**7 * 2, *highs), abs=4)
    assert lower == pytest.approx(max(-(10**7) * 2, *lows), abs=4)
    assert lower <= 777 <= upper


def test_messages_make_an_open_order_certain() -> None:
    base = clocks()
    knowledge = CausalKnowledge(base, causal_steps(exchange(b"r1", 0, 5000), base))
    events = Events(np.array([0, 1], np.int32), T0 + np.array([100_000, 100_000 + 7000]))
    assert order(events, base).certainty[1] != Certainty.CERTAIN
    assert order(events, knowledge).certainty[1] == Certainty.CERTAIN


def test_effect_before_its_cause_is_a_finding_and_tightens_nothing() -> None:
    base = clocks(half=50)
    mentions = exchange(b"r1", 0, -5000)  # host 1 logs 4.7 us before it can have been asked; its limits are 50 ns
    steps = causal_steps(mentions, base)
    wrong = contradictions(steps, base)
    assert len(wrong) == 1
    assert limits(CausalKnowledge(base, steps), 0) == (-100, 100)
    finding = findings_of(wrong, base)[0]
    assert finding.path == ("h0", "h1")
    assert finding.size_ns == wrong[0][1] == pytest.approx(4700 - 100, abs=3)
    assert "h1 logged 'r1' before h0 caused it" in finding.text


def test_lone_lines_are_decided_by_the_majority() -> None:
    mentions = []
    for number in range(5):
        late = number == 4
        mentions += [
            Mention(b"%d" % number, 0, T0 + number * 1000 + (50 if late else 0), 1),
            Mention(b"%d" % number, 1, T0 + number * 1000 + (0 if late else 20), 1),
        ]
    assert {step.cause.host for step in causal_steps(mentions, clocks())} == {0}


def test_even_votes_and_unknown_hosts_prove_nothing() -> None:
    split = [Mention(b"a", 0, T0, 1), Mention(b"a", 1, T0 + 5, 1), Mention(b"b", 1, T0, 1), Mention(b"b", 0, T0 + 5, 1)]
    assert causal_steps(split, clocks()) == []
    assert causal_steps([Mention(b"a", -1, T0, 1), Mention(b"a", 1, T0, 1)], clocks()) == []
    assert contradictions([], clocks()) == []

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from noonmark.agent.reference import Observation
from noonmark.agent.reference_selection import Judgement, intersection, judge_sources, reports
from noonmark.proto.reference import Verdict

SECOND_NS = 1_000_000_000
NOW = 50 * SECOND_NS


def seen(source: str, offset_ns: int, limit_ns: int, **changes: object) -> Observation:
    """A usable observation; its uncertainty is a fifth of its limit."""
    kind = source.split(":")[0]
    plain = Observation(source, kind, 0, NOW, True, offset_ns, limit_ns // 5, limit_ns)
    return replace(plain, **changes)  # type: ignore[arg-type]


def judge(*observations: Observation, kernel_limit_ns: int | None = None) -> Judgement:
    return judge_sources(observations, now=NOW, kernel_limit_ns=kernel_limit_ns)


def test_one_source_is_believed() -> None:
    judgement = judge(seen("ntp:a", 70, 10))
    assert judgement.selected is not None
    assert judgement.verdicts == {"ntp:a": Verdict.SELECTED}


def test_the_surest_of_those_that_agree_is_selected() -> None:
    judgement = judge(seen("ntp:a", 5, 100), seen("ntp:b", -3, 20), seen("ntp:c", 30, 200))
    assert judgement.verdicts == {"ntp:a": Verdict.AGREES, "ntp:b": Verdict.SELECTED, "ntp:c": Verdict.AGREES}


def test_the_falseticker_is_named() -> None:
    judgement = judge(seen("ntp:a", 5, 100), seen("ntp:b", -3, 90), seen("ntp:c", 40_000, 80))
    assert judgement.verdicts["ntp:c"] is Verdict.FALSETICKER
    assert judgement.selected is not None
    assert judgement.selected.source == "ntp:b"


def test_two_that_disagree_tell_nothing() -> None:
    judgement = judge(seen("ntp:a", 0, 10), seen("ntp:b", 500, 10))
    assert judgement.selected is None
    assert judgement.disagreement
    assert set(judgement.verdicts.values()) == {Verdict.UNDECIDED}


def test_a_source_on_the_host_is_heard_before_one_server() -> None:
    judgement = judge(seen("phc:/dev/ptp0", 0, 10), seen("ntp:b", 500, 10))
    assert judgement.selected is not None
    assert judgement.verdicts == {"phc:/dev/ptp0": Verdict.SELECTED, "ntp:b": Verdict.UNDECIDED}


def test_a_majority_of_servers_outvotes_a_receiver_led_astray() -> None:
    servers = [seen(f"ntp:{name}", 0, 1_000_000) for name in "abc"]
    judgement = judge(seen("nmea:/dev/ttyS0", 900_000_000, 450_000_000), *servers)
    assert judgement.verdicts["nmea:/dev/ttyS0"] is Verdict.FALSETICKER
    assert judgement.selected is not None
    assert judgement.selected.kind == "ntp"


def test_what_is_old_or_unusable_has_no_vote() -> None:
    old = seen("ntp:a", 0, 10, monotonic_ns=NOW - 6 * SECOND_NS)
    mute = seen("ntp:b", 0, 10, usable=False)
    judgement = judge(old, mute)
    assert judgement.selected is None
    assert set(judgement.verdicts.values()) == {Verdict.UNUSABLE}
    assert not judgement.disagreement


def test_limits_grow_with_age() -> None:
    judgement = judge(seen("ntp:a", 0, 1_000, monotonic_ns=NOW - 4 * SECOND_NS))
    assert judgement.selected is not None
    assert judgement.selected.limit_ns == 1_000 + 60_000, "15 ppm over 4 s"


def pulse(offset_ns: int, **changes: object) -> Observation:
    return seen("pps:/dev/pps0", offset_ns, 2_000, modulo_second=True, **changes)


@pytest.mark.parametrize("seconds", [-3, 0, 1, 40])
def test_a_pulse_gets_its_number_from_the_sentences(seconds: int) -> None:
    true_ns = seconds * SECOND_NS + 1_500
    judgement = judge(pulse(1_500), seen("nmea:/dev/ttyS0", true_ns + 300_000_000, 450_000_000))
    assert judgement.selected is not None
    assert (judgement.selected.kind, judgement.selected.offset_ns) == ("pps", true_ns)


def test_a_pulse_alone_is_numbered_only_by_a_kernel_that_vouches() -> None:
    assert judge(pulse(1_500)).selected is None
    assert judge(pulse(1_500), kernel_limit_ns=600_000_000).selected is None
    judgement = judge(pulse(1_500), kernel_limit_ns=20_000_000)
    assert judgement.selected is not None
    assert judgement.selected.offset_ns == 1_500


def test_sources_too_coarse_number_no_pulse() -> None:
    judgement = judge(pulse(1_500), seen("ntp:a", 0, 700_000_000))
    assert judgement.verdicts == {"pps:/dev/pps0": Verdict.UNUSABLE, "ntp:a": Verdict.SELECTED}


def test_disagreeing_sources_number_no_pulse_whatever_the_kernel_says() -> None:
    judgement = judge(pulse(0), seen("ntp:a", 0, 10), seen("ntp:b", 3 * SECOND_NS, 10), kernel_limit_ns=1)
    assert judgement.verdicts["pps:/dev/pps0"] is Verdict.UNUSABLE


def test_reports_tell_every_source() -> None:
    judgement = judge(seen("ntp:a", 5, 100, monotonic_ns=NOW - 7), pulse(3))
    told = {report.name: report for report in reports(judgement, now=NOW)}
    assert told["ntp:a"].age_ns == 7
    assert told["ntp:a"].verdict is Verdict.SELECTED
    assert told["pps:/dev/pps0"].offset_ns == 3, "numbered by the server"
    unnumbered = reports(judge(pulse(3)), now=NOW)[0]
    assert (unnumbered.offset_ns, unnumbered.verdict) == (None, Verdict.UNUSABLE)


def test_intervals_that_touch_meet() -> None:
    assert intersection([(0, 10), (10, 20)]) == (10, 10)
    assert intersection([]) is None
    assert intersection([(0, 10), (11, 20)]) is None


def test_a_coarse_source_does_not_decide_between_two() -> None:
    assert intersection([(-100, 100), (-50, -40), (40, 50)]) is None
    judgement = judge(seen("nmea:a", 0, 450), seen("ntp:b", -300, 10), seen("ntp:c", 300, 10))
    assert judgement.verdicts == {"nmea:a": Verdict.SELECTED, "ntp:b": Verdict.UNDECIDED, "ntp:c": Verdict.UNDECIDED}


def by_trial(bounds: list[tuple[int, int]]) -> tuple[int, int] | None:
    """Every whole number tried in turn."""
    counts = {at: sum(low <= at <= high for low, high in bounds) for at in range(-60, 61)}
    most = max(counts.values(), default=0)
    if 2 * most <= len(bounds):
        return None
    first = min(at for at, count in counts.items() if count == most)
    last = first
    while counts.get(last + 1) == most:
        last += 1
    return None if any(count == most and at > last for at, count in counts.items()) else (first, last)


bound = st.integers(-50, 50)
interval = st.tuples(bound, bound).map(lambda pair: (min(pair), max(pair)))


@given(st.lists(interval, max_size=7))
def test_the_intersection_is_the_one_that_trial_finds(bounds: list[tuple[int, int]]) -> None:
    doubled = [(2 * low, 2 * high) for low, high in bounds if low >= -25 and high <= 25]  # halves between whole numbers
    found, tried = intersection(doubled), by_trial(doubled)
    assert (found is None) == (tried is None)
    if found is not None and tried is not None:
        assert found == tried


@given(st.lists(interval, max_size=6), st.integers(-20, 20))
def test_a_truth_that_most_hold_is_held_by_all_who_agree_with_the_most(
    bounds: list[tuple[int, int]], truth: int
) -> None:
    honest = [(truth - width, truth + width // 2) for width in range(len(bounds) + 1)]
    found = intersection([*bounds, *honest])
    if found is not None:
        assert any(low <= found[1] and high >= found[0] for low, high in honest)


@given(st.lists(interval, max_size=6), st.randoms())
def test_the_order_of_sources_does_not_matter(bounds: list[tuple[int, int]], rng: random.Random) -> None:
    mixed = list(bounds)
    rng.shuffle(mixed)
    assert intersection(bounds) == intersection(mixed)

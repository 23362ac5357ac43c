"""Clocks off by whole seconds, and groups that share an offset."""

from __future__ import annotations

import pytest
from stamped import EPOCH_NS, SECOND_NS, Clock, all_pairs, stamped

from noonmark.collector.estimate import Finding, FindingKind, Reference
from noonmark.collector.pipeline import step

MS = 1_000_000
SMEAR = 1 / 86_400


def leaps(clocks: list[Clock]) -> list[Finding]:
    probes = stamped(clocks, all_pairs(len(clocks)))
    findings = step(probes, references=[Reference("host-0")], at_ns=EPOCH_NS).findings
    return [finding for finding in findings if finding.kind is FindingKind.LEAP_OR_SMEAR]


@pytest.mark.parametrize(("offset", "seconds"), [(SECOND_NS, 1), (-SECOND_NS + 4 * MS, -1), (2 * SECOND_NS, 2)])
def test_host_off_by_nearly_whole_seconds_is_told(offset: int, seconds: int) -> None:
    (finding,) = leaps([Clock(), Clock(7), Clock(-9), Clock(offset)])
    assert finding.host == "host-3"
    assert finding.size_ns == pytest.approx(offset, abs=20)
    assert finding.evidence["whole_seconds"] == seconds
    assert ("ahead" if offset > 0 else "behind") in finding.text


@pytest.mark.parametrize("offset", [0, 400 * MS, 930 * MS, 3 * SECOND_NS, 3_600 * SECOND_NS])
def test_other_offsets_are_no_leap(offset: int) -> None:
    assert leaps([Clock(), Clock(7), Clock(-9), Clock(offset)]) == []


@pytest.mark.parametrize("offset", [-310 * MS, 120 * MS])
def test_hosts_that_share_an_offset_are_told_as_a_group(offset: int) -> None:
    smeared = [Clock(offset + number * MS // 5, -SMEAR) for number in range(4)]
    found = leaps([Clock(), Clock(9), Clock(-40), Clock(5), *smeared])
    assert [finding.host for finding in found] == [f"host-{number}" for number in range(4, 8)]
    for finding in found:
        assert finding.evidence["group"] == 4
        assert finding.evidence["group_drift_ppb"] == pytest.approx(-11_574, abs=5)


def test_two_hosts_agree_by_chance() -> None:
    assert leaps([Clock(), Clock(9), Clock(200 * MS), Clock(201 * MS)]) == []


def test_scattered_hosts_are_no_group() -> None:
    assert leaps([Clock(), Clock(100 * MS), Clock(130 * MS), Clock(170 * MS), Clock(220 * MS)]) == []


def test_three_hosts_of_a_few_drift_alike_by_chance() -> None:
    """Of seven whose drifts are scattered by 20 ppm; two others are good by chance, too."""
    drifts = [-19.5e-6, -19.8e-6, -20.0e-6, 0.5e-6, -1.2e-6, 12e-6, -17e-6]
    assert leaps([Clock(), *(Clock(number * 300_000, drift) for number, drift in enumerate(drifts))]) == []


@pytest.mark.parametrize("hours", [24.0, 20.0, 2.0])
@pytest.mark.parametrize("sign", [-1, 1])
def test_hosts_that_have_only_begun_to_smear_share_a_rate(hours: float, sign: int) -> None:
    rate = sign / (hours * 3_600)
    smeared = [Clock(sign * MS + number * 20_000, rate + number * 1e-7) for number in range(4)]
    found = leaps([Clock(), Clock(9, 2e-7), Clock(-40, -3e-7), Clock(5), *smeared])
    assert [finding.host for finding in found] == [f"host-{number}" for number in range(4, 8)]
    assert found[0].evidence["group_drift_ppb"] == pytest.approx(rate * 1e9, abs=200)


def test_quartzes_of_like_rates_among_scattered_ones_do_not_smear() -> None:
    alike = [Clock(number, 2e-5 + number * 1e-8) for number in range(3)]
    assert leaps([Clock(), Clock(9, -3e-5), Clock(-40, 1.5e-5), Clock(5, 4e-5), Clock(5, -1e-5), *alike]) == []


def test_three_of_eight_that_drift_alike_by_chance_do_not_smear() -> None:
    # Rates as independent quartzes in one of a thousand fleets had them.
    alike = [Clock(669_053, 13.019e-6), Clock(1_112_382, 13.882e-6), Clock(1_344_784, 13.647e-6)]
    assert leaps([Clock(), Clock(9, 2e-7), Clock(-40, -3e-7), Clock(5, 1e-6), Clock(7, -8e-7), *alike]) == []

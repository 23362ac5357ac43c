from __future__ import annotations

from dataclasses import replace

import pytest
from builders import Host, build
from reports import NOW, SECOND_NS, kernel, server, status

from noonmark.collector.claims import WEEKS_1024_NS, with_reports
from noonmark.collector.estimate import Finding, FindingKind, FleetEstimate, HostState, Reference
from noonmark.collector.reported import Reported
from noonmark.proto.reference import ReferenceState, SourceNotice, SourceReport, Verdict

MS = 1_000_000


def fleet(*hosts: Host) -> FleetEstimate:
    """`quay` is the reference, which is not exact."""
    estimate = build([Host("quay", 0, uncertainty_ns=100.0, below_ns=500, above_ns=500), *hosts], references=["quay"])
    return replace(estimate, references=(Reference("quay", 100.0, 500.0),))


def told(estimate: FleetEstimate, **reports: Reported) -> list[Finding]:
    return list(with_reports(estimate, reports, now=NOW).findings)


def off_by(offset_ns: int, *, within_ns: int = 200_000) -> FleetEstimate:
    return fleet(Host("gate", offset_ns, uncertainty_ns=within_ns / 10, below_ns=within_ns, above_ns=within_ns))


def test_without_reports_nothing_changes() -> None:
    estimate = off_by(4 * MS)
    assert with_reports(estimate, {}, now=NOW) is estimate
    assert with_reports(estimate, {"gate": Reported()}, now=NOW) is estimate


def test_a_host_that_claims_little_and_is_far_off_is_named() -> None:
    (finding,) = told(off_by(4 * MS), gate=kernel(1 * MS, 100_000))
    assert (finding.kind, finding.host, finding.size_ns) == (FindingKind.CLAIM_CONTRADICTED, "gate", 4 * MS)
    assert finding.text == ("what gate says of itself is certainly wrong: its kernel claims 100 µs, and it is 4 ms off")
    assert finding.evidence["certain"] == 1


def test_within_its_greatest_error_a_host_is_likely_wrong_about_its_likely_one() -> None:
    (finding,) = told(off_by(4 * MS), gate=kernel(50 * MS, 100_000))
    assert "likely wrong" in finding.text
    assert finding.evidence["certain"] == 0


@pytest.mark.parametrize(
    "claim",
    [
        kernel(5 * MS),  # true
        kernel(5 * MS, 1 * MS),  # likely error 1 ms, 4 ms off: within five of them
        kernel(0, 0, synchronized=False),  # claims nothing
        kernel(1 * MS, 100_000, age_s=130.0),  # said long ago
        kernel(0, 0, age_s=100.0),  # untended for 100 s the kernel itself allows 50 ms
    ],
)
def test_who_claims_nothing_untrue_is_not_named(claim: Reported) -> None:
    assert told(off_by(4 * MS), gate=claim) == []


def test_nobody_is_named_where_the_mesh_does_not_know() -> None:
    unsure = fleet(Host("gate", 4 * MS, uncertainty_ns=3e6, below_ns=20 * MS, above_ns=20 * MS))
    assert told(unsure, gate=kernel(1 * MS, 100_000)) == []
    lost = fleet(Host("gate", 4 * MS, state=HostState.NO_ROUTE))
    assert told(lost, gate=kernel(1 * MS, 100_000)) == []


def test_an_exact_reference_cannot_be_contradicted() -> None:
    exact = build([Host("quay", 0, uncertainty_ns=0.0, below_ns=0, above_ns=0)], references=["quay"])
    assert told(exact, quay=kernel(0, 1_000)) == []


def receiver(offset_ns: int, limit_ns: int = 1_000, **changes: object) -> SourceReport:
    plain = SourceReport("nmea:/dev/ttyS0", "nmea", Verdict.SELECTED, 0, offset_ns, 100, limit_ns)
    return replace(plain, **changes)  # type: ignore[arg-type]


def test_a_receiver_against_the_fleet() -> None:
    # The host is 4 ms ahead of the fleet, and its receiver says that it is right: the receiver is 4 ms ahead too.
    (finding,) = told(off_by(4 * MS), gate=status(sources=(receiver(0),)))
    assert finding.kind is FindingKind.CLAIM_CONTRADICTED
    assert "its nmea:/dev/ttyS0 is 4 ms ahead of the fleet" in finding.text
    assert told(off_by(4 * MS), gate=status(sources=(receiver(4 * MS),))) == []
    assert told(off_by(4 * MS), gate=status(sources=(receiver(0, limit_ns=5 * MS),))) == []
    assert told(off_by(4 * MS), gate=status(sources=(receiver(0, verdict=Verdict.UNUSABLE),))) == []


def test_a_receiver_in_another_cycle_of_weeks_is_recognised() -> None:
    (finding,) = told(off_by(0), gate=status(sources=(receiver(WEEKS_1024_NS + 3 * SECOND_NS),)))
    assert "1024 weeks" in finding.text
    assert "behind the fleet" in finding.text


def test_a_server_whose_word_is_not_true_is_named() -> None:
    estimate = fleet(Host("ntp:a", -40 * MS, below_ns=2 * MS, above_ns=2 * MS))
    (finding,) = told(estimate, gate=status(sources=(server("ntp:a"),)))
    assert (finding.kind, finding.host) == (FindingKind.CLAIM_CONTRADICTED, "ntp:a")
    assert "it says that it is within 5 ms, and it is 40 ms behind" in finding.text
    near = fleet(Host("ntp:a", -6 * MS, below_ns=2 * MS, above_ns=2 * MS))
    assert told(near, gate=status(sources=(server("ntp:a"),))) == []


def test_a_reference_in_holdover_is_told_with_what_it_may_be_off() -> None:
    held = status(ReferenceState.HOLDOVER, uncertainty_ns=6_000, lasted_s=3600.0, age_s=2.0)
    (finding,) = told(fleet(), quay=held)
    assert (finding.kind, finding.host) == (FindingKind.REFERENCE_STATE, "quay")
    assert finding.text.startswith(
        "reference quay is in holdover for 1 h; it followed pps:/dev/pps0, and its clock (ocxo)"
    )
    assert finding.evidence["uncertainty_ns"] == 6_000
    assert finding.at_ns == pytest.approx(fleet().at_ns - 3602 * SECOND_NS, abs=1000)


def test_a_reference_that_never_followed_anything() -> None:
    (finding,) = told(fleet(), quay=status(ReferenceState.FREE_RUN, uncertainty_ns=None, source=""))
    assert finding.text == "reference quay is free-running for 60 s; it never followed a source"


def test_the_state_of_a_host_that_is_no_reference_is_nobodys_concern() -> None:
    assert told(off_by(0), gate=status(ReferenceState.HOLDOVER)) == []
    assert told(fleet(), quay=status()) == []


def test_faults_of_sources_stand_in_one_finding_a_host() -> None:
    jumping = receiver(0, notices=(SourceNotice("time-jump", "its time jumped forward by 3.000 s", 3 * SECOND_NS),))
    false = replace(server("ntp:b", verdict=Verdict.FALSETICKER), offset_ns=40 * MS)
    disagree = SourceNotice("sources-disagree", "sources disagree")
    (finding,) = told(off_by(0), gate=status(sources=(jumping, false), notices=(disagree,)))
    assert (finding.kind, finding.host, finding.size_ns) == (FindingKind.SOURCE_FAULT, "gate", 3 * SECOND_NS)
    assert finding.text == (
        "sources of gate: nmea:/dev/ttyS0: its time jumped forward by 3.000 s; ntp:b is a falseticker: it is 40 ms "
        "behind this host, and most others are not; sources disagree"
    )


def test_leap_seconds_and_smears_are_findings_of_their_own() -> None:
    notices = (
        SourceNotice("leap-list-expired", "the list of leap seconds expired on 2026-06-28"),
        SourceNotice("smear", "ntp:a and ntp:b are 250.0 ms apart", 250 * MS),
    )
    found = told(off_by(0), gate=status(notices=notices))
    assert [finding.kind for finding in found] == [FindingKind.LEAP_SECOND, FindingKind.LEAP_OR_SMEAR]
    assert found[1].size_ns == 250 * MS

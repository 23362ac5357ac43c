"""The demonstration's fleet: fifteen hosts, clock errors within what is promised, and the truth at any instant."""

from __future__ import annotations

import ipaddress

from noonmark.lab.harbours import MAX_DRIFT, MAX_OFFSET_NS, MAX_REFERENCE_OFFSET_NS, REFERENCE_LIMIT_NS, make_harbours

EPOCH = 1_767_225_600_000_000_000


def test_three_harbours_of_five_hosts_have_one_reference_each() -> None:
    hosts = make_harbours(1, EPOCH)
    assert len(hosts) == len({host.name for host in hosts}) == len({host.address for host in hosts}) == 15
    assert {host.zone for host in hosts} == {"quay", "skerry", "holm"}
    assert sorted(host.zone for host in hosts if host.is_reference) == ["holm", "quay", "skerry"]
    assert {host.role for host in hosts} == {"reference", "ticket gate", "berth sensor", "booking database"}
    assert all(ipaddress.ip_address(host.address).is_loopback for host in hosts)


def test_errors_stay_within_what_is_promised() -> None:
    hosts = [host for seed in range(200) for host in make_harbours(seed, EPOCH)]
    ordinary = [host for host in hosts if not host.is_reference]
    assert max(abs(host.offset_ns) for host in ordinary) <= MAX_OFFSET_NS
    assert max(abs(host.offset_ns) for host in ordinary) > 0.99 * MAX_OFFSET_NS
    assert 0.99 * MAX_DRIFT < max(abs(host.drift) for host in ordinary) <= MAX_DRIFT
    references = [host for host in hosts if host.is_reference]
    assert max(abs(host.offset_ns) for host in references) <= MAX_REFERENCE_OFFSET_NS < REFERENCE_LIMIT_NS
    assert {host.drift for host in references} == {0.0}


def test_same_seed_makes_the_same_fleet() -> None:
    assert make_harbours(7, EPOCH) == make_harbours(7, EPOCH)
    assert make_harbours(7, EPOCH) != make_harbours(8, EPOCH)


def test_error_grows_with_the_drift_from_the_epoch_on() -> None:
    host = next(host for host in make_harbours(3, EPOCH) if not host.is_reference)
    assert host.error_ns(EPOCH) == host.offset_ns
    hour = 3600 * 10**9
    assert host.error_ns(EPOCH + hour) - host.offset_ns == round(host.drift * hour)
    assert host.error_ns(EPOCH - hour) - host.offset_ns == round(-host.drift * hour)

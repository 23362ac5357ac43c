"""When a new plan is drawn up, and whose plan it changes."""

from __future__ import annotations

import numpy as np

from noonmark.collector.cadence import Cadence, CadenceSettings
from noonmark.collector.plan import Member, PlanSettings
from noonmark.collector.plan_keeper import PlanKeeper
from noonmark.proto.control import Endpoint

SECOND = 1_000_000_000


def fleet(count: int) -> dict[str, Member]:
    return {f"host-{index}": Member(f"host-{index}", "", (Endpoint("127.0.0.1", index + 1),)) for index in range(count)}


def test_a_plan_waits_until_the_fleet_is_quiet() -> None:
    keeper = PlanKeeper(())
    assert keeper.refresh(fleet(2), 1, now=0.0) == {}
    assert keeper.refresh(fleet(3), 2, now=0.4) == {}
    assert keeper.refresh(fleet(3), 2, now=0.8) == {}
    plans = keeper.refresh(fleet(3), 2, now=1.0)
    assert {host: [peer.host for peer in plan.peers] for host, plan in plans.items()} == {
        "host-0": ["host-1", "host-2"],
        "host-1": ["host-0", "host-2"],
        "host-2": ["host-0", "host-1"],
    }
    assert keeper.refresh(fleet(3), 2, now=9.0) == {}


def test_one_host_that_comes_to_a_calm_fleet_is_planned_for_at_once() -> None:
    keeper = PlanKeeper(())
    assert set(keeper.refresh(fleet(2), 1, now=9.0)) == {"host-0", "host-1"}
    assert keeper.refresh(fleet(3), 2, now=9.1) == {}
    assert set(keeper.refresh(fleet(3), 2, now=9.7)) == {"host-0", "host-1", "host-2"}
    assert set(keeper.refresh(fleet(4), 3, now=60.0)) == {"host-0", "host-1", "host-2", "host-3"}
    assert keeper.refresh(fleet(5), 4, now=60.2) == {}


def test_but_not_for_ever() -> None:
    keeper = PlanKeeper(())
    for step in range(10):
        assert keeper.refresh(fleet(step), step + 1, now=step * 0.3) == {}
    assert keeper.refresh(fleet(11), 12, now=3.1)


def test_only_hosts_whose_plan_changed_are_told_and_versions_rise() -> None:
    keeper = PlanKeeper(("host-0",), PlanSettings(reference_askers=8))
    assert len(keeper.refresh(fleet(400), 1, now=0.0)) == 0
    assert len(keeper.refresh(fleet(400), 1, now=1.0)) == 400
    before = {host: keeper.plan(host) for host in fleet(400)}
    changed = keeper.refresh(fleet(401), 2, now=9.0)
    assert "host-400" in changed
    assert 1 < len(changed) < 40
    for host, old in before.items():
        now = keeper.plan(host)
        assert old is not None
        assert now is not None
        assert now.version == old.version + (host in changed)


def test_a_peer_that_moves_is_told_to_those_who_ask_it() -> None:
    keeper = PlanKeeper(())
    members = fleet(3)
    keeper.refresh(members, 1, now=0.0)
    keeper.refresh(members, 1, now=1.0)
    members["host-2"] = Member("host-2", "", (Endpoint("127.0.0.2", 9),))
    keeper.refresh(members, 2, now=2.0)
    changed = keeper.refresh(members, 2, now=3.0)
    assert set(changed) == {"host-0", "host-1"}
    assert changed["host-0"].peers[1].endpoint == Endpoint("127.0.0.2", 9)
    assert keeper.plan("nobody") is None


def test_levels_change_the_intervals_of_the_paths_they_touch_and_no_others() -> None:
    rates = CadenceSettings(SECOND, SECOND // 4, 4 * SECOND, packets_per_second=1000.0)
    keeper = PlanKeeper((), PlanSettings(interval_ns=SECOND), rates)
    keeper.refresh(fleet(400), 1, now=9.0)
    assert keeper.adapt(Cadence()) == {}
    urgent = Cadence(("host-7",), np.array([-2]), np.zeros(1), np.zeros(1))
    changed = keeper.adapt(urgent)
    assert {peer.interval_ns for peer in changed["host-7"].peers} == {SECOND // 4}
    for host, plan in changed.items():
        for peer in plan.peers:
            touched = "host-7" in (host, peer.host)
            assert peer.interval_ns == (SECOND // 4 if touched else SECOND)
    assert len(changed) < 40
    assert keeper.adapt(urgent) == {}
    assert set(keeper.adapt(Cadence())) == set(changed)


def test_levels_outlive_a_new_plan() -> None:
    rates = CadenceSettings(SECOND, SECOND // 4, 4 * SECOND, packets_per_second=1000.0)
    keeper = PlanKeeper((), PlanSettings(interval_ns=SECOND), rates)
    keeper.refresh(fleet(5), 1, now=9.0)
    keeper.adapt(Cadence(("host-1",), np.array([-1]), np.zeros(1), np.zeros(1)))
    keeper.refresh(fleet(6), 2, now=60.0)
    plan = keeper.plan("host-5")
    assert plan is not None
    assert {peer.host: peer.interval_ns for peer in plan.peers}["host-1"] == SECOND // 2


def test_collector_s_own_need_slows_everybody() -> None:
    keeper = PlanKeeper((), PlanSettings(interval_ns=SECOND))
    keeper.refresh(fleet(5), 1, now=9.0)
    changed = keeper.adapt(Cadence(), stretch=2)
    assert len(changed) == 5
    assert {peer.interval_ns for plan in changed.values() for peer in plan.peers} == {4 * SECOND}

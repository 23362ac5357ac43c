from __future__ import annotations

import numpy as np
from small_estimates import HOSTS, estimate

from noonmark.collector.budgets import Budgets, parse_rule
from noonmark.collector.cadence import CadenceSettings
from noonmark.collector.demand import Demand
from noonmark.collector.plan import Member, PlanSettings
from noonmark.collector.plan_keeper import PlanKeeper
from noonmark.collector.state import HostFacts, Published
from noonmark.proto.control import Endpoint, Plan

SECOND = 1_000_000_000
TICK = 5.0


def keeper(settings: CadenceSettings) -> PlanKeeper:
    made = PlanKeeper((), PlanSettings(interval_ns=SECOND), settings)
    members = {host: Member(host, "", (Endpoint("127.0.0.1", 1 + n),)) for n, host in enumerate(HOSTS)}
    made.refresh(members, 1, now=9.0)
    return made


def intervals(plans: dict[str, Plan]) -> dict[tuple[str, str], float]:
    return {(host, peer.host): peer.interval_ns / SECOND for host, plan in plans.items() for peer in plan.peers}


def ticks(
    demand: Demand, count: int, offsets_ns: tuple[int, ...] = (0, 0, 0, 0), start: float = 0.0
) -> dict[str, Plan]:
    changed: dict[str, Plan] = {}
    facts = {host: HostFacts(role="gate" if host == "quay" else "") for host in HOSTS}
    for number in range(count):
        now = start + number * TICK
        published = Published(number, estimate(now, offsets_ns), facts, 0)
        for _ in range(4):
            changed |= demand.look(published, elapsed=0.25, lateness=0.0, fill=0.0, now=now)
    return changed


def test_at_a_fixed_rate_estimates_change_no_plan() -> None:
    demand = Demand(keeper(CadenceSettings()))
    assert ticks(demand, 100) == {}


def test_steady_fleet_is_probed_less_but_its_reference_is_not() -> None:
    demand = Demand(keeper(CadenceSettings(SECOND, SECOND, 4 * SECOND)))
    found = intervals(ticks(demand, 100))
    assert {span for path, span in found.items() if "reference" not in path} == {4.0}
    assert {span for path, span in found.items() if "reference" in path} == {1.0}
    assert demand.levels == {0: 1, 2: 3}


def test_budget_of_a_role_makes_its_hosts_urgent() -> None:
    settings = CadenceSettings(SECOND, SECOND // 2, 4 * SECOND, packets_per_second=1000.0)
    demand = Demand(keeper(settings), Budgets((parse_rule("1us=role:gate"),)))
    found = intervals(ticks(demand, 100, (900, 900, 0, 0)))
    assert {span for path, span in found.items() if "quay" in path} == {0.5}
    assert found["skerry", "holm"] == 4.0


def test_pressed_collector_slows_reports_first_and_probes_then() -> None:
    demand = Demand(keeper(CadenceSettings()))
    seen: list[tuple[int, bool]] = []
    now = 0.0
    plans: dict[str, Plan] = {}
    for _ in range(400):
        now += 1.0
        plans |= demand.look(None, elapsed=1.0, lateness=0.9, fill=0.0, now=now)
        if not seen or seen[-1] != (demand.pressure.slowdown, bool(plans)):
            seen.append((demand.pressure.slowdown, bool(plans)))
    assert seen == [(1, False), (2, False), (4, False), (8, False), (8, True)]
    assert set(intervals(plans).values()) == {8.0}
    relaxed: dict[str, Plan] = {}
    for _ in range(4000):
        now += 1.0
        relaxed |= demand.look(None, elapsed=1.0, lateness=0.0, fill=0.0, now=now)
    assert set(intervals(relaxed).values()) == {1.0}
    assert demand.pressure.slowdown == 1
    assert np.isclose(demand.pressure.strain, 0.0)

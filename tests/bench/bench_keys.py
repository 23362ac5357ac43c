"""What handing out probe keys costs a collector, by host: when a whole fleet comes, and when a generation begins.

Run by hand: ``python tests/bench/bench_keys.py [--hosts 1000 10000 100000]``. A plan of ten peers for every host is
drawn up; then every host is given the keys by which it knows its askers, and its plan with the keys that it asks by,
as the messages that would be sent. Processor time of this thread alone, without streams. Compared in the same run: the
keyed hashes alone, which whoever derives a key for each direction of each pair must make.
"""

from __future__ import annotations

import argparse
import gc
import hmac
import os
import time

from noonmark.collector.key_keeper import KeyKeeper
from noonmark.collector.plan import Member, PlanSettings
from noonmark.collector.plan_keeper import PlanKeeper
from noonmark.collector.probe_keys import ProbeKeyring
from noonmark.collector.server import COLLECT_AFTER, KEYS_AT_ONCE
from noonmark.proto import control
from noonmark.proto.control import Endpoint, Hello

PEERS = 10
LIFETIME_S = 86_400.0
NOW_S = 1_800_000_000.0


def hello(number: int) -> Hello:
    """What a host says of itself."""
    where = Endpoint(f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}", 18620)
    return Hello(
        host=f"quay-gate-{number}",
        instance=number + 1,
        version="bench",
        endpoints=(where,),
        probe_authentication="accept",
    )


def hand_out(keeper: KeyKeeper, plans: PlanKeeper) -> tuple[float, float, float, int, int]:
    """Seconds for all reflectors' keys, the longest turn of them, seconds for all plans; keys and octets."""
    keys = octets = 0
    began = time.thread_time()
    slowest = 0.0
    while True:
        turn = time.thread_time()
        told = keeper.take_due(KEYS_AT_ONCE)
        for known in told.values():
            octets += len(control.keys_to_message(known).SerializeToString())
            keys += len(known)
        slowest = max(slowest, time.thread_time() - turn)
        if not told:
            break
    reflectors = time.thread_time() - began
    began = time.thread_time()
    for host, plan in plans.plans.items():
        octets += len(control.plan_to_message(keeper.keyed(host, plan)).SerializeToString())
        keys += len(plan.peers)
    return reflectors, slowest, time.thread_time() - began, keys, octets


def bare_hashes(count: int) -> float:
    """Seconds for so many keyed hashes of the same length."""
    secret, text = bytes(32), bytes(60)
    began = time.thread_time()
    for _ in range(count):
        hmac.digest(secret, text, "sha512")
    return time.thread_time() - began


def measure(hosts: int) -> None:
    """Print a block."""
    hellos = {one.host: one for one in map(hello, range(hosts))}
    plans = PlanKeeper((), PlanSettings(peers=PEERS))
    members = {host: Member(host, "", one.endpoints) for host, one in hellos.items()}
    began = time.thread_time()
    plans.refresh(members, 1, now=1000.0)
    drawn = time.thread_time() - began
    keeper = KeyKeeper(ProbeKeyring(bytes(32), LIFETIME_S), hellos.get)
    print(f"{hosts} hosts; load average {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
    print(f"  plan drawn up         {drawn:7.2f} s, {drawn / hosts * 1e6:6.0f} us a host")
    for what, now_s in (("the fleet comes", NOW_S), ("a generation begins", NOW_S + LIFETIME_S)):
        began = time.thread_time()
        keeper.follow(plans.asks, now_s)
        follow = time.thread_time() - began
        reflectors, slowest, planned, keys, octets = hand_out(keeper, plans)
        whole, bare = follow + reflectors + planned, bare_hashes(keys)
        print(f"  {what:20}  {whole:7.2f} s, {whole / hosts * 1e6:6.0f} us a host: {keys / hosts:.0f} keys, ", end="")
        print(f"{octets / hosts:,.0f} octets; {whole / bare:.1f} times the hashes alone")
        print(
            f"    of it noticing {follow:.2f} s in one turn of the loop; reflectors {reflectors:.2f} s in turns of ",
            end="",
        )
        print(f"at most {slowest * 1e3:.0f} ms; plans {planned:.2f} s", flush=True)


def main() -> None:
    """Each size by itself."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hosts", type=int, nargs="+", default=[1000, 10_000, 100_000])
    gc.set_threshold(*COLLECT_AFTER)
    for hosts in parser.parse_args().hosts:
        measure(hosts)


if __name__ == "__main__":
    main()

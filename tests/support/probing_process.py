"""One endpoint as a process, for tests across namespaces: probes until it has enough records and prints them as JSON.

    python probing_process.py OWN_ADDRESS PORT PEER_ADDRESS INTERVAL_NS RECORDS

It goes on answering until its standard input ends, so that its peer can finish too.
"""

from __future__ import annotations

import asyncio
import json
import os
import random
import sys
from collections.abc import Sequence

from noonmark.agent.clocks import SystemClock
from noonmark.agent.endpoint import Endpoint
from noonmark.agent.schedule import PeerTarget
from noonmark.proto.records import ProbeRecord


async def probe(own: str, port: int, peer: str, interval_ns: int, wanted: int) -> None:
    records: list[ProbeRecord] = []
    enough = asyncio.Event()

    def on_records(more: Sequence[ProbeRecord]) -> None:
        records.extend(more)
        if len(records) >= wanted:
            enough.set()

    endpoint = Endpoint(
        binds=[(own, port)],
        clock=SystemClock(),
        on_records=on_records,
        on_clock_event=lambda event: None,
        rng=random.Random(own),
    )
    await endpoint.start()
    endpoint.replace_peers([PeerTarget(peer, peer, port, interval_ns)])
    await asyncio.wait_for(enough.wait(), 60)
    rows = [
        [r.t1_ns, r.t2_ns, r.t3_ns, r.t4_ns, [int(source) for source in r.stamped_by], r.measuring] for r in records
    ]
    print(json.dumps(rows), flush=True)
    await input_ends()
    await endpoint.close()


async def input_ends() -> None:
    """Until whoever started this closes our standard input, or a minute has passed."""
    ended = asyncio.Event()
    loop = asyncio.get_running_loop()
    loop.add_reader(sys.stdin.fileno(), lambda: None if os.read(sys.stdin.fileno(), 1) else ended.set())
    await asyncio.wait_for(ended.wait(), 60)
    loop.remove_reader(sys.stdin.fileno())


if __name__ == "__main__":
    own_address, own_port, peer_address, interval, count = sys.argv[1:]
    asyncio.run(probe(own_address, int(own_port), peer_address, int(interval), int(count)))

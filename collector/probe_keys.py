"""Keys of authenticated probes: one for each asker and whom it asks, all derived from one secret. Pure.

A key is HMAC-SHA-512 of what it is for under the collector's secret (the expand step of RFC 5869): nothing need be
kept of it, and who holds some keys learns nothing of the others. What it is for: the asker, the asker's process, whom
it asks, and the generation. So a host knows only keys of pairs that it is one of; a process that starts anew, and
begins to number its packets anew, has new ones; and all change from time to time. A reflector knows the generations
before and after as well: so keys can be handed out in any order while nothing is lost.
"""

from __future__ import annotations

import hmac
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

from noonmark.proto.control import Hello, Plan, ProbeKey

LENGTH = 32
_LABEL = b"noonmark probe key 1"


@dataclass(frozen=True)
class ProbeKeyring:
    """The secret, and how many seconds a generation lasts."""

    secret: bytes
    lifetime_s: float

    def generation(self, now_s: float) -> int:
        """The one in force, by POSIX time: so it outlives a restart, and standbys agree on it."""
        return int(now_s // self.lifetime_s)

    def key(self, asker: Hello, asked: str, generation: int) -> ProbeKey:
        """The key of one direction of one pair."""
        purpose = (
            asker.host.encode(),
            asker.instance.to_bytes(8, "big"),
            asked.encode(),
            generation.to_bytes(8, "big", signed=True),
        )
        text = _LABEL + b"".join(len(part).to_bytes(2, "big") + part for part in purpose)
        block = hmac.digest(self.secret, text + b"\x01", "sha512")
        identifier = int.from_bytes(block[LENGTH : LENGTH + 4], "big")
        return ProbeKey(asker.host, 1 + identifier % 0xFFFF, block[:LENGTH])

    def for_plan(self, plan: Plan, asker: Hello, known: Callable[[str], Hello | None], generation: int) -> Plan:
        """The plan with a key for each peer, where both hosts can use it."""
        if not can(asker):
            return plan
        peers = []
        for peer in plan.peers:
            asked = known(peer.host)
            if asked is not None and can(asked):
                key = self.key(asker, peer.host, generation)
                peer = replace(peer, secret=key.secret, session_id=key.session_id)
            peers.append(peer)
        return replace(plan, peers=tuple(peers))

    def for_reflector(self, asked: Hello, askers: Iterable[Hello], generation: int) -> tuple[ProbeKey, ...]:
        """By which keys a host knows those that ask it."""
        if not can(asked):
            return ()
        return tuple(
            self.key(asker, asked.host, generation + near) for asker in askers if can(asker) for near in (-1, 0, 1)
        )


def can(hello: Hello) -> bool:
    """Whether a host uses authenticated probes."""
    return hello.probe_authentication != "off"

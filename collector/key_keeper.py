"""Whose keys must be handed out anew, as hosts come, plans change and generations pass. Pure.

Reflectors are told before askers: whoever has a new plan, or a new process, is first made known to those it will ask.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from noonmark.collector.plan import Asks
from noonmark.collector.probe_keys import ProbeKeyring
from noonmark.proto.control import Hello, Plan, ProbeKey


class KeyKeeper:
    """`known` gives what a host last said of itself; None for one that never spoke."""

    def __init__(self, keyring: ProbeKeyring, known: Callable[[str], Hello | None]) -> None:
        self._keyring = keyring
        self._known = known
        self._asks: Asks = {}
        self._askers: dict[str, tuple[str, ...]] = {}
        self._generation: int | None = None
        self._due: dict[str, None] = {}

    def follow(self, asks: Asks, now_s: float) -> bool:
        """Take note of who asks whom now; True if a generation began, so that all plans are to be sent again."""
        if asks is not self._asks:
            askers = _reversed(asks)
            self._due.update(
                (host, None)
                for host in askers.keys() | self._askers.keys()
                if askers.get(host, ()) != self._askers.get(host, ())
            )
            self._asks, self._askers = asks, askers
        generation = self._keyring.generation(now_s)
        if generation == self._generation:
            return False
        began = self._generation is not None
        self._generation = generation
        self._due.update(dict.fromkeys(self._askers))
        return began

    def arrived(self, host: str) -> None:
        """A host connected: it must be told its keys, and those that it asks must know its own."""
        self._due.update(dict.fromkeys((host, *self._asks.get(host, ()))))

    def take_due(self, most: int) -> Mapping[str, tuple[ProbeKey, ...]]:
        """Some of the hosts whose reflectors must be told, and what."""
        taken = [host for host, _ in zip(self._due, range(most), strict=False)]
        for host in taken:
            del self._due[host]
        found = {}
        for host in taken:
            asked = self._known(host)
            if asked is not None and self._generation is not None:
                askers = self._hellos(self._askers.get(host, ()))
                found[host] = self._keyring.for_reflector(asked, askers, self._generation)
        return found

    def keyed(self, host: str, plan: Plan) -> Plan:
        """A host's plan with its keys."""
        asker = self._known(host)
        if asker is None or self._generation is None:
            return plan
        return self._keyring.for_plan(plan, asker, self._known, self._generation)

    def _hellos(self, hosts: Iterable[str]) -> Iterable[Hello]:
        return (hello for host in hosts if (hello := self._known(host)) is not None)


def _reversed(asks: Asks) -> dict[str, tuple[str, ...]]:
    askers: dict[str, list[str]] = {host: [] for host in asks}
    for asker, asked in asks.items():
        for host in asked:
            askers.setdefault(host, []).append(asker)
    return {host: tuple(names) for host, names in askers.items()}

"""Where hosts stood and what they were for: the zone and the role that each told of itself, kept as they changed."""

from __future__ import annotations

from collections.abc import Mapping

from noonmark.collector.history_database import Database, Writing

Place = tuple[str, str]
"""Zone and role; either may be empty."""


class Places:
    """Zones and roles in one database. `note` by one thread at a time."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._newest: dict[str, Place] | None = None

    def note(self, writing: Writing, at_ns: int, told: Mapping[str, Place]) -> dict[str, Place]:
        """Keep what is not as it was last told; hand the answer to `kept` once the transaction is through."""
        if self._newest is None:
            self._newest = self.at(1 << 62)
        fresh = {host: place for host, place in told.items() if self._newest.get(host, ("", "")) != place}
        writing.execute_many(
            "INSERT INTO place (host, since_ns, zone, role) VALUES (?, ?, ?, ?) "
            "ON CONFLICT (host, since_ns) DO UPDATE SET zone = excluded.zone, role = excluded.role",
            [(host, at_ns, *place) for host, place in fresh.items()],
        )
        return fresh

    def kept(self, fresh: Mapping[str, Place]) -> None:
        """What `note` wrote is in the database now."""
        if self._newest is not None:
            self._newest.update(fresh)

    def at(self, at_ns: int) -> dict[str, Place]:
        """What every host had told by then; a host that told only later is given its first telling."""
        rows = self._database.read("SELECT host, since_ns, zone, role FROM place ORDER BY host, since_ns")
        found: dict[str, Place] = {}
        for host, since_ns, zone, role in rows:
            if since_ns <= at_ns or host not in found:
                found[str(host)] = (str(zone), str(role))
        return found

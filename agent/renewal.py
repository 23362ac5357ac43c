"""Renews the agent's certificate before it expires, in a child process. Rim.

What makes keys would stay in the agent's memory, so a child does it: `python -m noonmark.agent.renewal DIR NAME
COLLECTOR...` over a connection that the present certificate secures. The reporter sees the new file and connects anew.
Only certificates of the fleet's own authority are renewed so: beside others there is no identity.json.
"""

from __future__ import annotations

import asyncio
import json
import logging
import random
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from noonmark.proto.options import HostPort, host_port

LOOK_EVERY = 60.0
AGAIN_AFTER = 600.0
"""Seconds between a renewal that failed and the next, at least; a random half more is added."""
RENEW_BETWEEN = (0.6, 0.7)
"""Parts of its life after which a certificate is renewed: each host at another, so that a fleet is not in step."""
CHILD_WITHIN = 120.0
log = logging.getLogger("noonmark.agent.renewal")


def is_due(issued_s: float, expires_s: float, now_s: float, part: float) -> bool:
    """Whether it is time, `part` of the life being over. A clock that is before `issued_s` makes nothing due."""
    return now_s >= issued_s + part * (expires_s - issued_s)


class RenewalWatch:
    """Looks at the folder's identity.json, and has the certificate renewed when it is time."""

    def __init__(
        self,
        folder: Path,
        collectors: Sequence[HostPort],
        *,
        collector_name: str = "",
        rng: random.Random,
        wall_s: Callable[[], float] = time.time,
    ) -> None:
        self._folder = folder
        self._collectors = tuple(collectors)
        self._collector_name = collector_name
        self._rng = rng
        self._part = rng.uniform(*RENEW_BETWEEN)
        self._wall_s = wall_s
        self.renewals = self.failures = 0

    def expires_s(self) -> float | None:
        """When the certificate expires (POSIX seconds); None if that is not known."""
        dates = self._dates()
        return dates[1] if dates else None

    def _dates(self) -> tuple[float, float] | None:
        try:
            kept = json.loads((self._folder / "identity.json").read_text(encoding="utf-8"))
            return float(kept["issued_s"]), float(kept["expires_s"])
        except (OSError, ValueError, KeyError, TypeError):
            return None

    async def run(self) -> None:
        """For ever."""
        while True:
            pause = LOOK_EVERY
            dates = self._dates()
            if dates is not None and is_due(*dates, self._wall_s(), self._part) and not await self._renew():
                pause = AGAIN_AFTER * self._rng.uniform(1.0, 1.5)
            await asyncio.sleep(pause)

    async def _renew(self) -> bool:
        arguments = [str(self._folder), self._collector_name, *map(str, self._collectors)]
        try:
            child = await asyncio.create_subprocess_exec(
                sys.executable,
                "-P",  # nothing is loaded from the folder that the agent happens to run in
                "-m",
                "noonmark.agent.renewal",
                *arguments,
                stdin=asyncio.subprocess.DEVNULL,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
            )
        except OSError as error:  # no memory or process to spare now, or Python is just being replaced
            return self._failed(f"no child process: {error.strerror or error}")
        try:
            async with asyncio.timeout(CHILD_WITHIN):
                _, words = await child.communicate()
        except TimeoutError:
            words = b"it took too long"
        finally:
            if child.returncode is None:
                child.kill()
                await child.wait()
        if child.returncode == 0:
            self.renewals += 1
            log.info("certificate renewed", extra={"fields": {"folder": str(self._folder)}})
            return True
        return self._failed((words.decode("utf-8", "replace").strip().splitlines() or ["it ended without a word"])[-1])

    def _failed(self, reason: str) -> bool:
        self.failures += 1
        log.error("certificate not renewed", extra={"fields": {"folder": str(self._folder), "reason": reason}})
        return False


def main(folder: str, collector_name: str, *collectors: str) -> int:
    """The child."""
    from noonmark.proto.tls_version import demand_tls_1_3

    demand_tls_1_3()
    try:
        from noonmark.agent.enrolment import renew

        renew([host_port(18621)(one) for one in collectors], Path(folder), collector_name=collector_name)
    except ModuleNotFoundError as error:
        print(f"renewal needs {error.name}: install it with  pip install 'noonmark[enrol]'", file=sys.stderr)
        return 1
    except Exception as error:  # whatever it is, the agent tells it in its log and tries again
        print(error, file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))

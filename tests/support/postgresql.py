"""A private PostgreSQL server for tests: a new cluster in a temporary folder, on a unix socket only, ended at the end.

Needs Debian's ``postgresql`` package (`deploy/test.sh` installs it). The server refuses to run as root, so root gives
its own rights up for the user ``postgres`` that the package made.
"""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

START_SECONDS = 60


def _programs() -> Path:
    """The folder of the newest server's programs. Raises RuntimeError if there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    if found:
        return found[-1].parent
    initdb = shutil.which("initdb")
    if initdb is None:
        raise RuntimeError("no PostgreSQL server is installed: apt-get install postgresql")
    return Path(initdb).resolve().parent


def _as_server_user() -> dict[str, int | list[int]]:
    if os.getuid() != 0:
        return {}
    user = pwd.getpwnam("postgres")
    return {"user": user.pw_uid, "group": user.pw_gid, "extra_groups": []}


@contextmanager
def running_server() -> Iterator[str]:
    """Run a server; gives the URL of its database ``postgres``."""
    programs = _programs()
    folder = Path(tempfile.mkdtemp(prefix="noonmark-postgresql-"))
    identity = _as_server_user()
    if identity:
        os.chown(folder, int(str(identity["user"])), int(str(identity["group"])))
    data = folder / "data"

    def run(*command: str) -> None:
        subprocess.run(
            [str(programs / command[0]), *command[1:]],
            check=True,
            cwd=folder,
            stdout=subprocess.DEVNULL,
            timeout=START_SECONDS,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C.UTF-8"},
            **identity,  # type: ignore[call-overload]
        )

    try:
        run("initdb", "--pgdata", str(data), "--auth", "trust", "--username", "noonmark", "--no-sync")
        options = f"-c listen_addresses='' -c unix_socket_directories='{folder}' -c fsync=off"
        log = str(folder / "log")
        run("pg_ctl", "start", "--pgdata", str(data), "--options", options, "--log", log, "--wait")
        try:
            yield f"postgresql://noonmark@/postgres?host={folder}"
        finally:
            run("pg_ctl", "stop", "--pgdata", str(data), "--mode", "immediate", "--wait")
    finally:
        shutil.rmtree(folder, ignore_errors=True)

"""The agent's pages: what they say, and how they take bad requests."""

from __future__ import annotations

import asyncio
import json
import socket
import urllib.request
from dataclasses import replace
from pathlib import Path

import pytest
from agent_snapshot import OWN, SNAPSHOT
from prometheus_client.parser import text_string_to_metric_families

from noonmark.agent.metrics import Snapshot
from noonmark.agent.pages import PageServer, answer
from noonmark.proto.options import HostPort
from noonmark.proto.reference import ReferenceState, ReferenceStatus, SourceReport, Verdict
from noonmark.proto.time_record import TimeReading
from noonmark.proto.version import VERSION


def samples(snapshot: Snapshot) -> dict[tuple[str, str], float]:
    body = answer(b"GET /metrics HTTP/1.1\r\n\r\n", lambda: snapshot).split(b"\r\n\r\n", 1)[1].decode()
    return {
        (sample.name.removeprefix("noonmark_agent_"), ",".join(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(body)
        for sample in family.samples
    }


def test_metrics_tell_the_hosts_own_clock_in_base_units_and_with_its_sign() -> None:
    values = samples(SNAPSHOT)
    assert values["time_error_seconds", ""] == -1.5e-6
    assert values["time_error_standard_uncertainty_seconds", ""] == 3e-7
    assert values["time_error_lower_limit_seconds", ""] == -2e-6
    assert ("time_error_upper_limit_seconds", "") not in values
    assert values["drift_ratio", ""] == 2e-6
    assert values["estimate_age_seconds", ""] == 3.5
    assert values["state", "measured"] == 1.0
    assert values["state", "stale"] == 0.0
    assert values["build_info", VERSION] == 1.0


def test_metrics_tell_the_budget_and_how_it_is_held() -> None:
    held = replace(OWN, upper_ns=-1000, budget="gates", budget_ns=4000, budget_answer="within")
    values = samples(replace(SNAPSHOT, own=held))
    assert values["budget_seconds", "gates"] == 4e-6
    assert [values["budget_state", answer] for answer in ("within", "out", "cannot-be-shown")] == [1, 0, 0]
    assert values["budget_headroom_ratio", ""] == 0.5
    without_limits = samples(replace(SNAPSHOT, own=replace(held, upper_ns=None, budget_answer="cannot-be-shown")))
    assert ("budget_headroom_ratio", "") not in without_limits
    assert without_limits["budget_state", "cannot-be-shown"] == 1
    assert not [name for name, _ in samples(SNAPSHOT) if name.startswith("budget")]


def test_metrics_count_probes_by_outcome() -> None:
    values = samples(SNAPSHOT)
    assert values["probes_sent_total", ""] == 10
    assert values["replies_rejected_total", "late"] == 2
    assert values["requests_refused_total", "short"] == 1
    assert values["kernel_stamps_missing_total", "t1"] == 3
    assert values["clock_events_total", ""] == 2


def test_what_is_not_known_is_absent() -> None:
    values = samples(replace(SNAPSHOT, own=None))
    assert not [name for name, _ in values if name.startswith(("time_error", "drift", "state", "estimate_age"))]
    unknown = replace(OWN, offset_ns=None, uncertainty_ns=None, drift=None, drift_uncertainty=None, state="no-route")
    values = samples(replace(SNAPSHOT, own=unknown))
    assert ("time_error_seconds", "") not in values
    assert values["state", "no-route"] == 1.0


@pytest.mark.parametrize(
    ("request_head", "status"),
    [
        (b"GET /livez HTTP/1.1\r\n\r\n", b"200"),
        (b"HEAD /healthz HTTP/1.0\r\nHost: x\r\n\r\n", b"200"),
        (b"GET /readyz HTTP/1.1\r\n\r\n", b"503"),
        (b"GET /elsewhere?x=1 HTTP/1.1\r\n\r\n", b"404"),
        (b"POST /metrics HTTP/1.1\r\n\r\n", b"405"),
        (b"\x16\x03\x01 rubbish\r\n\r\n", b"400"),
        (b"\r\n\r\n", b"400"),
    ],
)
def test_every_request_gets_an_answer(request_head: bytes, status: bytes) -> None:
    whole = answer(request_head, lambda: SNAPSHOT)
    assert whole.startswith(b"HTTP/1.0 " + status)
    if request_head.startswith(b"HEAD"):
        assert whole.endswith(b"\r\n\r\n")


def test_ready_once_a_collector_is_connected() -> None:
    connected = replace(SNAPSHOT, report=replace(SNAPSHOT.report, connected=True))
    assert answer(b"GET /readyz HTTP/1.1\r\n\r\n", lambda: connected).startswith(b"HTTP/1.0 200")
    assert b"nobody listens there" in answer(b"GET /readyz HTTP/1.1\r\n\r\n", lambda: SNAPSHOT)


async def dropped(reader: asyncio.StreamReader) -> bool:
    """Whether the other side hangs up without an answer."""
    try:
        return await reader.read(1000) == b""
    except ConnectionError:
        return True


@pytest.mark.sockets
def test_pages_are_served_and_a_client_that_overdoes_it_is_dropped() -> None:
    async def main() -> None:
        server = PageServer(lambda: SNAPSHOT)
        await server.start(HostPort("127.0.0.1", 0))
        url = f"http://127.0.0.1:{server.port}/livez"
        body = await asyncio.to_thread(lambda: urllib.request.urlopen(url, timeout=5).read())
        assert body == b"ok\n"
        reader, writer = await asyncio.open_connection("127.0.0.1", server.port)
        writer.write(b"GET /" + b"x" * 100_000)
        assert await dropped(reader)
        writer.close()
        server.close()

    asyncio.run(asyncio.wait_for(main(), 20))


TIME = TimeReading(True, "", 5_000, 300, 4_000, None, 1_500, "measured", "locked", 77)


def test_the_time_is_told_with_its_certainty_and_as_not_known_where_it_is_not() -> None:
    head, body = answer(b"GET /time HTTP/1.1\r\n\r\n", lambda: SNAPSHOT, lambda: TIME).split(b"\r\n\r\n", 1)
    assert head.startswith(b"HTTP/1.0 200")
    assert b"application/json" in head
    told = json.loads(body)
    assert told.pop("schema") == "noonmark.time/1"
    assert told == TIME._asdict()
    whole = answer(b"GET /time HTTP/1.1\r\n\r\n", lambda: SNAPSHOT)
    assert whole.startswith(b"HTTP/1.0 503")
    told = json.loads(whole.split(b"\r\n\r\n", 1)[1])
    assert not told["known"]
    assert told["reference_ns"] is None
    assert "nothing is known" in told["reason"]


def ask_unix(place: Path) -> bytes:
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(5)
        asking.connect(str(place))
        asking.sendall(b"GET /time HTTP/1.0\r\n\r\n")
        received = b""
        while more := asking.recv(4096):
            received += more
        return received


@pytest.mark.sockets
def test_the_time_can_be_asked_on_a_unix_socket(tmp_path: Path) -> None:
    place = tmp_path / "socket"

    async def main() -> None:
        tasks = len(asyncio.all_tasks())
        server = PageServer(lambda: SNAPSHOT, lambda: TIME)
        await server.start_unix(place)
        assert b'"reference_ns": 5000' in await asyncio.to_thread(ask_unix, place)
        with pytest.raises(OSError, match="answers there already") as told:
            await PageServer(lambda: SNAPSHOT).start_unix(place)
        assert told.value.filename == str(place)
        await asyncio.to_thread(ask_unix, place)  # whoever came before was accepted by now
        while len(asyncio.all_tasks()) > tasks:
            await asyncio.sleep(0)
        server.close()
        assert not place.exists()
        with pytest.raises(OSError, match="No such file"):
            await PageServer(lambda: SNAPSHOT).start_unix(tmp_path / "nowhere" / "socket")

    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as left:
        left.bind(str(place))  # one that an ended program left is taken over
    asyncio.run(asyncio.wait_for(main(), 20))


def test_a_reference_tells_its_state_and_sources() -> None:
    source = SourceReport("pps:/dev/pps0", "pps", Verdict.SELECTED, 0, offset_ns=-250, uncertainty_ns=100, limit_ns=500)
    mute = SourceReport("nmea:/dev/ttyS0", "nmea", Verdict.UNUSABLE, 0)
    told = ReferenceStatus(
        ReferenceState.HOLDOVER, 0, 90_000_000_000, "pps:/dev/pps0", -250, 4_000, 20_000, "ocxo", (source, mute)
    )
    values = samples(replace(SNAPSHOT, reference=told))
    assert [values["reference_state", state] for state in ("locked", "holdover", "free-run")] == [0.0, 1.0, 0.0]
    assert values["reference_state_duration_seconds", ""] == 90
    assert values["reference_standard_uncertainty_seconds", ""] == 4e-6
    assert values["reference_limit_seconds", ""] == 2e-5
    assert values["source_agrees", "pps:/dev/pps0"] == 1
    assert values["source_agrees", "nmea:/dev/ttyS0"] == 0
    assert values["source_offset_seconds", "pps:/dev/pps0"] == -2.5e-7
    unknown = replace(told, state=ReferenceState.FREE_RUN, uncertainty_ns=None, limit_ns=None, sources=())
    names = {name for name, _ in samples(replace(SNAPSHOT, reference=unknown))}
    assert not names & {"reference_standard_uncertainty_seconds", "reference_limit_seconds", "source_agrees"}
    assert not [name for name, _ in samples(SNAPSHOT) if name.startswith("reference_")]

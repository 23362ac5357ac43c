"""The demonstration's receivers: what they say is what receivers say, and the scene that is played with them."""

from __future__ import annotations

import socket
import time

import pynmea2
import pytest

from noonmark.agent.nmea import parse
from noonmark.collector.views import FindingView, FleetView, HostView
from noonmark.lab import scene_jammed
from noonmark.lab.harbours import make_harbours
from noonmark.lab.receiver_sentences import POSITIONS, second, sentence
from noonmark.lab.receivers import DemoReceiver
from noonmark.lab.scene_jammed import Course, course_json, course_lines, hosts_of, jammed, note

AT_NS = 1_795_589_703_250_000_000
"""2026-11-25T06:55:03.25Z."""


@pytest.mark.parametrize("fix", [True, False])
@pytest.mark.parametrize("harbour", list(POSITIONS))
def test_sentences_are_read_by_others_as_they_are_meant(harbour: str, fix: bool) -> None:
    """Against pynmea2 (MIT, test only), which checks the checksum too."""
    rmc, gga, gsa, zda = (
        pynmea2.parse(line, check=True) for line in second(AT_NS, harbour, fix=fix).decode().splitlines()
    )
    assert (rmc.status, gga.gps_qual, gsa.mode_fix_type) == (("A", 1, "3") if fix else ("V", 0, "1"))
    assert rmc.datetime.isoformat() == "2026-11-25T06:55:03+00:00"
    assert (zda.day, zda.month, zda.year, zda.timestamp.isoformat()) == (25, 11, 2026, "06:55:03+00:00")
    if fix:
        assert 53 < gga.latitude < 55


def test_the_agents_own_reader_takes_every_sentence() -> None:
    for line in second(AT_NS, "quay", fix=True).splitlines():
        parse(line)
    # Verified by hand: a widely quoted example sentence and its checksum, common practice, no source.
    body = "GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    assert sentence(body) == f"${body}*47\r\n".encode()


@pytest.mark.sockets
def test_a_receiver_speaks_each_second_and_says_so_when_it_is_jammed() -> None:
    with DemoReceiver("quay", "127.0.1.1") as receiver:
        kind, host, port = receiver.place.split(":")
        assert kind == "tcp"
        with socket.create_connection((host, int(port)), timeout=10) as listening:
            lines = listening.makefile("rb")
            first = [lines.readline() for _ in range(4)]
            receiver.fix = False
            while b",A," in (after := [lines.readline() for _ in range(4)])[0]:
                pass
    assert b",A," in first[0]
    assert b",V," in after[0]
    told = pynmea2.parse(first[0].decode()).datetime.timestamp()
    assert abs(told - time.time()) < 30


HOSTS = hosts_of(make_harbours(3, AT_NS))


def view(state: str, *, limit_ns: float | None = None, outside: bool = False, limits: bool = True) -> FleetView:
    """Everybody where they are, the jammed reference in a state."""
    rows = []
    for host in HOSTS:
        offset_ns = host.error_ns(AT_NS) + (10_000 if outside and host.name == "holm-gate-1" else 0)
        own = (state if host.zone == "quay" else "locked") if host.is_reference else ""
        low, high = (offset_ns - 500, offset_ns + 500) if limits else (None, None)
        rows.append(HostView(host.name, "measured", offset_ns, 100, low, high, 0.0, 0.0, 0, reference_state=own))
    evidence = {} if limit_ns is None else {"limit_ns": limit_ns, "wandered_ns": limit_ns / 10}
    finding = FindingView("reference-state", AT_NS, "is in holdover", "quay-reference", evidence=evidence)
    return FleetView(AT_NS, ("quay-reference",), tuple(rows), findings=(finding,) if limit_ns else ())


def test_only_the_jammed_reference_wanders() -> None:
    drifting = {host.name for host in HOSTS if host.is_reference and host.drift}
    assert drifting == {"quay-reference"}
    assert [jammed(at, 100) for at in (0, 14.9, 15, 64.9, 65, 99)] == [False, False, True, True, False, False]


def test_a_scene_as_it_should_be() -> None:
    course = Course(HOSTS)
    assert not course.ready(view("free-run"))
    assert course.ready(view("locked"))
    for look in (view("locked"), view("holdover", limit_ns=2e6), view("holdover", limit_ns=3e6), view("locked")):
        course.look(look)
    assert course.good
    assert course.states == ["locked", "holdover", "locked"]
    text = " ".join(course_lines(course))
    assert "was locked, then in holdover, then locked" in text
    assert "grew from 2 ms to 3 ms" in text
    assert "no truth lay outside" in text
    told = course_json(course)
    assert (told["good"], told["looks"], told["declared_limit_ns"]) == (True, 4, [2_000_000, 3_000_000])


@pytest.mark.parametrize(
    "looks",
    [
        [view("locked")],
        [view("locked"), view("holdover", limit_ns=2e6)],
        [view("locked"), view("holdover", limit_ns=2e6), view("free-run"), view("locked")],
        [view("locked"), view("holdover", limit_ns=2e6, outside=True), view("locked")],
        [view("locked"), view("holdover", limit_ns=2e6, limits=False), view("locked")],
        [view("locked"), view("holdover"), view("locked")],
    ],
)
def test_a_scene_that_was_not_shown_or_went_wrong_is_not_good(looks: list[FleetView]) -> None:
    course = Course(HOSTS)
    for look in looks:
        course.look(look)
    assert not course.good


def test_notes_say_what_goes_on() -> None:
    course = Course(HOSTS)
    assert "will be jammed soon" in note(course, 0, 100)
    course.look(view("holdover", limit_ns=2e6))
    assert "is jammed: quay-reference is in holdover; its clock may have wandered by 400 µs" in note(course, 20, 100)
    course.look(view("locked"))
    assert "has its fix again: quay-reference is locked" in note(course, 90, 100)
    assert scene_jammed.NAME == "jammed"

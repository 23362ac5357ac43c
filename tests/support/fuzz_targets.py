"""Every parser that octets from outside reach: what it may raise, sound input to begin with, and how to change it.

A target takes any octets. It may refuse them with the error that its callers catch, and nothing else; whatever it takes
must then be harmless further on, as far as that is cheap to show.
"""

from __future__ import annotations

import datetime
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import hostile_agent
import numpy as np
from google.protobuf.message import DecodeError

from noonmark.agent import tlv
from noonmark.agent.authentication import read_reply
from noonmark.agent.hardware_clock import decode_basic, decode_extended
from noonmark.agent.nmea import NmeaError, parse
from noonmark.agent.ntp_packet import decode as decode_ntp_packet
from noonmark.agent.pages import answer
from noonmark.agent.reflector import Reflector, ReflectorSettings
from noonmark.agent.stamp import SenderPacket, decode_reflector, decode_sender, encode_sender, is_request
from noonmark.agent.timestamps import WireError, decode_error_estimate, decode_timestamp
from noonmark.collector import stamps_clf, stamps_epoch, stamps_fields, stamps_iso, stamps_syslog
from noonmark.collector.batch_columns import batch_from_message
from noonmark.collector.log_stamps import StampOptions
from noonmark.collector.window import Window, WindowSettings
from noonmark.proto import control, convert
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.convert import BadMessage
from noonmark.proto.enrolment_token import parse as parse_token
from noonmark.proto.leap_seconds import LeapListError, parse_leap_list
from noonmark.proto.records import StampSource
from noonmark.proto.reference_messages import kernel_clock_from_message, status_from_message
from noonmark.proto.time_record import BadRecord, check_head, unpack

NOW_NS = 1_800_000_000 * 10**9


@dataclass(frozen=True)
class Target:
    """One parser."""

    name: str
    feed: Callable[[bytes], object]
    refuses_with: tuple[type[Exception], ...]
    seeds: tuple[bytes, ...]

    def execute(self, data: bytes) -> bool:
        """Whether it was taken; anything but a refusal is raised."""
        try:
            self.feed(data)
        except self.refuses_with:
            return False
        return True


def mutated(data: bytes, rng: random.Random) -> bytes:
    """Some octets changed, cut, doubled, or moved; now and then none of it left."""
    octets = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8, 30))):
        place, kind = rng.randrange(len(octets) + 1), rng.randrange(7)
        if kind == 0:
            octets[place : place + 1] = bytes([rng.randrange(256)])
        elif kind == 1 and octets:
            octets[place - 1] ^= 1 << rng.randrange(8)
        elif kind == 2:
            del octets[place : place + rng.randrange(1, 9)]
        elif kind == 3:
            octets[place:place] = octets[place : place + rng.randrange(1, 40)]
        elif kind == 4:
            octets[place : place + 4] = rng.choice(
                (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x80\0\0\0", b"\x7f\xff\xff\xff")
            )
        elif kind == 5:
            octets[place:place] = rng.randbytes(rng.randrange(1, 12))
        else:
            octets[place:place] = rng.choice((b"99999999999", b"-", b".", b",", b":", b'"', b"e308", b"\xc3\x28", b" "))
    return bytes(octets[:4096])


# --- what each target does with octets


def requests(data: bytes) -> None:
    """A reflector answers any request, never at greater length; what is none is not given to it (endpoint.py)."""
    if not is_request(data):
        return
    found = REFLECTOR.receive_request(data, ("192.0.2.7", 9), NOW_NS, StampSource.KERNEL, 64, next(INSTANTS), NOW_NS)
    assert found is None or len(found[0]) <= len(data)


def replies(data: bytes) -> None:
    packet = decode_reflector(data)
    decode_error_estimate(packet.error_estimate)
    for stamp in (packet.timestamp, packet.receive_timestamp, packet.sender_timestamp):
        decode_timestamp(stamp, packet.error_estimate, NOW_NS)
    tlv.read_telemetry(data[44:])


def authenticated_replies(data: bytes) -> None:
    read_reply(data, bytes(32))


def agent_messages(data: bytes) -> None:
    """As the collector takes them."""
    message = pb.AgentMessage.FromString(data)
    kind = message.WhichOneof("body")
    if kind == "hello":
        control.hello_from_message(message.hello)
    elif kind == "batch":
        batch = batch_from_message(message.batch)
        WINDOW.add("mallory", batch, next(INSTANTS) / 1e9, waited=message.batch.waited_ns / 1e9)
        columns = WINDOW.columns(next(INSTANTS) / 1e9)
        # Differences of any two times can be reckoned with.
        for column in (columns.t1_ns, columns.t2_ns, columns.t3_ns, columns.t4_ns):
            assert np.all(np.abs(column) < 2**62)
    elif kind == "clock_event":
        convert.clock_event_from_message(message.clock_event)
    elif kind == "counters":
        control.counters_from_message(message.counters)
    elif kind == "reference":
        status_from_message(message.reference)
    elif kind == "kernel_clock":
        kernel_clock_from_message(message.kernel_clock)


def collector_messages(data: bytes) -> None:
    """As the agent takes them."""
    message = pb.CollectorMessage.FromString(data)
    kind = message.WhichOneof("body")
    if kind == "plan":
        control.plan_from_message(message.plan)
    elif kind == "estimate":
        control.own_estimate_from_message(message.estimate)
    elif kind == "probe_keys":
        control.keys_from_message(message.probe_keys)


def pages(data: bytes) -> None:
    def unreached() -> object:
        raise PageReached

    answer(data, unreached)  # type: ignore[arg-type]


class PageReached(Exception):  # noqa: N818
    """The request was understood, and its page is no parser's matter."""


def log_lines(data: bytes) -> None:
    """No line of a log may be refused: it has a stamp, or it has none."""
    for read in READERS:
        read(data, OPTIONS, NOW_NS)


def time_records(data: bytes) -> None:
    check_head(data)
    unpack(data)


def leap_lists(data: bytes) -> None:
    parse_leap_list(data.decode("utf-8", "replace"))


def tokens(data: bytes) -> None:
    parse_token(data.decode("utf-8", "replace"))


def instants() -> Iterator[int]:
    """Monotonic nanoseconds, a tenth of a second apart."""
    now = 10**9
    while True:
        yield now
        now += 10**8


INSTANTS = instants()
OPTIONS = StampOptions(zone=datetime.UTC, year=2025)
REFLECTOR = Reflector(ReflectorSettings(packets_per_second=1e9, burst=10**9))
WINDOW = Window(WindowSettings(span=60.0, max_rows_per_host=5_000))
READERS = (
    stamps_clf.read_clf,
    stamps_epoch.read_at_start,
    stamps_fields.read_json,
    stamps_fields.read_logfmt,
    stamps_iso.read_at_start,
    stamps_iso.read_inside,
    stamps_syslog.read_rfc5424,
    stamps_syslog.read_rfc3164,
    stamps_syslog.read_glog,
)
_REQUEST = encode_sender(SenderPacket(7, 0xE6F0_0000_0000_0000, 0x8001, 9)) + tlv.REQUEST_TLVS
_REPLY = REFLECTOR.receive_request(_REQUEST, ("192.0.2.7", 9), NOW_NS, StampSource.KERNEL, 64, 1, NOW_NS)
assert _REPLY is not None
_PLAN = pb.Plan(
    version=3, peers=[pb.Peer(host="holm", endpoint=pb.Endpoint(address="127.0.0.8", port=9), interval_ns=10**9)]
)
_ESTIMATE = pb.HostEstimate(
    host="quay", state=pb.MEASURED, at_ns=NOW_NS, offset_ns=-4, uncertainty_ns=7, lower_ns=-50, upper_ns=60
)
LOG_LINES = (
    b'192.0.2.7 - - [10/Oct/2025:13:55:36 +0200] "GET / HTTP/1.1" 200 12',
    b"2025-10-10T13:55:36.123456789Z gate opened",
    b"1760104536.123456 berth free",
    b'{"ts": "2025-10-10T13:55:36Z", "msg": "x"}',
    b"time=2025-10-10T13:55:36.5+02:00 level=info msg=open",
    b'<34>1 2025-10-10T22:14:15.003Z quay app 7 ID47 [timeQuality tzKnown="1" isSynced="1" syncAccuracy="60"] text',
    b"Oct 10 22:14:15 quay su: failed",
    b"I1010 22:14:15.123456 7 main.cc:9] up",
)
TARGETS = (
    Target("STAMP requests (RFC 8762, 8972)", requests, (), (_REQUEST, _REQUEST[:44])),
    Target("STAMP sender packets", decode_sender, (WireError,), (_REQUEST,)),
    Target("STAMP replies", replies, (WireError,), (_REPLY[0],)),
    Target("STAMP authenticated replies", authenticated_replies, (WireError,), (_REPLY[0], bytes(112), bytes(200))),
    Target("NTP packets (RFC 5905)", decode_ntp_packet, (WireError, ValueError), (b"\x24\x01\x06\xe9" + bytes(44),)),
    Target("NMEA sentences", parse, (NmeaError,), (b"$GNRMC,120000.00,A,5300.0,N,00800.0,E,0.0,,010125,,,A*6B",)),
    Target(
        "messages to the collector",
        agent_messages,
        (DecodeError, BadMessage),
        (
            hostile_agent.hello("quay"),
            hostile_agent.batch(1, ["quay", "holm"], [(NOW_NS, NOW_NS + 5, NOW_NS + 9, NOW_NS + 20)] * 2),
            pb.AgentMessage(clock_event=pb.ClockEvent(sequence=1, kind=1, epoch=2, at_ns=NOW_NS)).SerializeToString(),
            pb.AgentMessage(kernel_clock=pb.KernelClock(maximum_error_ns=5, frequency=1e-6)).SerializeToString(),
            pb.AgentMessage(
                reference=pb.ReferenceStatus(state=pb.LOCKED, source="pps", oscillator="ocxo", limit_ns=9)
            ).SerializeToString(),
            pb.AgentMessage(counters=pb.ProbeCounters(sent=5)).SerializeToString(),
        ),
    ),
    Target(
        "messages to the agent",
        collector_messages,
        (DecodeError, BadMessage),
        (
            pb.CollectorMessage(plan=_PLAN).SerializeToString(),
            pb.CollectorMessage(estimate=_ESTIMATE).SerializeToString(),
            pb.CollectorMessage(acknowledgement=pb.Acknowledgement(sequence=4, kept=3)).SerializeToString(),
        ),
    ),
    Target(
        "HTTP requests to the agent",
        pages,
        (PageReached,),
        (b"GET /metrics HTTP/1.1\r\nHost: x\r\n\r\n", b"GET /time HTTP/1.0\r\n\r\n"),
    ),
    Target("PTP_SYS_OFFSET structures", decode_basic, (ValueError,), (bytes([5]) + bytes(831),)),
    Target("PTP_SYS_OFFSET_EXTENDED structures", decode_extended, (ValueError,), (bytes([5]) + bytes(1231),)),
    Target("time records", time_records, (BadRecord,), (bytes(144),)),
    Target(
        "lists of leap seconds",
        leap_lists,
        (LeapListError,),
        (b"#$ 3676924800\n#@ 3991593600\n3644697600 36\n3692217600 37\n",),
    ),
    Target("enrolment tokens", tokens, (ValueError,), (b"noonmark1.quay.agent.abc",)),
    Target("lines of logs", log_lines, (), LOG_LINES),
)

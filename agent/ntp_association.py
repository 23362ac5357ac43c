"""Asking one NTP server the time, politely (RFC 5905, client mode). Pure; `now` is monotonic nanoseconds.

Rules: one request at a time; its transmit time stamp is a random number that the reply must return as origin, so that
nobody who did not see the request can answer it; the true time of sending stays here. A reply counts if it comes from
a server (mode 4) that is synchronized (leap indicator, stratum 1 to 15, a root distance below 16 s) and whose own
stamps do not contradict each other. A kiss-o'-death (RFC 5905 section 7.4) counts only if it answers a request of
ours: DENY and RSTR end the asking for good, RATE doubles the interval for good. A server that stays silent is asked at
ever longer intervals.

Of the last eight exchanges the one that promises least error speaks: half its round trip, and PHI (15 ppm) for its
age. That is RFC 5905's clock filter without its smoothing.
"""

from __future__ import annotations

import math
import random
from collections import Counter, deque
from dataclasses import dataclass

from noonmark.agent.ntp_packet import (
    CLIENT,
    MOST_STRATUM,
    SERVER,
    UNSYNCHRONIZED_LEAP,
    NtpPacket,
    decode,
    encode,
    precision_ns,
    short_ns,
)
from noonmark.agent.timestamps import SECOND_NS, WireError, decode_ntp
from noonmark.proto.records import ProbeRecord, StampSource
from noonmark.proto.reference import Leap, SourceNotice

PHI = 15e-6
"""Greatest rate at which a clock is expected to go astray (RFC 5905, figure 6)."""
MOST_ROOT_DISTANCE_NS = 16 * SECOND_NS
"""MAXDISP (RFC 5905, figure 6)."""
LONGEST_INTERVAL_NS = (1 << 17) * SECOND_NS
"""MAXPOLL (RFC 5905, figure 6)."""
UNANSWERED_WORTH_TELLING = 3
"""A lost packet now and then is nobody's fault."""
STAGES = 8
RECTANGULAR = math.sqrt(3.0)
FOR_EVER_NS = 1 << 62


@dataclass(frozen=True, slots=True)
class NtpSettings:
    """How often to ask; spans in nanoseconds."""

    interval_ns: int = 16 * SECOND_NS
    """RFC 5905's least poll interval (MINPOLL, figure 6): a rate is told by three probes in a window at the least."""
    first_interval_ns: int = 16 * SECOND_NS
    """Between the first few requests."""
    first_requests: int = 4
    longest_interval_ns: int = 1024 * SECOND_NS
    jitter: float = 0.1
    answer_within_ns: int = 4 * SECOND_NS


@dataclass(frozen=True, slots=True)
class Exchange:
    """One completed exchange, and what the server said of itself."""

    record: ProbeRecord
    at_ns: int
    """Monotonic."""
    leap: Leap
    stratum: int
    reference_id: bytes
    root_delay_ns: int
    root_dispersion_ns: int
    precision_ns: int

    @property
    def offset_ns(self) -> int:
        """Host's clock minus the server's (RFC 5905's theta with the sign turned)."""
        return -(self.record.forward_ns + self.record.backward_ns) // 2

    @property
    def delay_ns(self) -> int:
        """RFC 5905's delta, not below the server's precision."""
        return max(self.record.round_trip_ns, self.precision_ns)

    def root_distance_ns(self, now: int) -> int:
        """Greatest error of the server's clock, as it says itself, grown with age."""
        aged = math.ceil(PHI * max(0, now - self.at_ns))
        return self.root_delay_ns // 2 + self.root_dispersion_ns + self.precision_ns + aged

    def root_uncertainty_ns(self, now: int) -> int:
        """The same as a standard uncertainty: each part taken as rectangular (JCGM 100, 4.3.7)."""
        aged = PHI * max(0, now - self.at_ns)
        parts = math.hypot(self.root_delay_ns / 2, self.root_dispersion_ns, self.precision_ns, aged)
        return math.ceil(parts / RECTANGULAR)

    def limit_ns(self, now: int) -> int:
        """Greatest error of the offset as a measure of the host's clock: the synchronization distance."""
        return self.delay_ns // 2 + self.root_distance_ns(now)

    def uncertainty_ns(self, now: int) -> int:
        """The same as a standard uncertainty."""
        return math.ceil(math.hypot(self.delay_ns / 2 / RECTANGULAR, self.root_uncertainty_ns(now)))


@dataclass(slots=True)
class _Request:
    nonce: int
    sent_ns: int
    """Monotonic."""
    t1_ns: int
    source: StampSource
    epoch: int


class Association:
    """One server. `name` is its name in the probe graph."""

    def __init__(self, name: str, rng: random.Random, settings: NtpSettings | None = None) -> None:
        self.name = name
        self.settings = settings or NtpSettings()
        self._rng = rng
        self._interval_ns = self.settings.interval_ns
        self._least_interval_ns = 0
        self._unanswered = 0
        self._request: _Request | None = None
        self._next_ns: int | None = None
        self._exchanges: deque[Exchange] = deque(maxlen=STAGES)
        self._last_notice: SourceNotice | None = None
        self.denied = False
        """The server asked not to be asked."""
        self.sent = self.answered = 0
        self.rejected: Counter[str] = Counter()

    # --- asking

    def next_ns(self, *, now: int) -> int:
        """When `request` or `expire` has something to do."""
        if self.denied:
            return FOR_EVER_NS
        if self._next_ns is None:
            # Not all hosts of a fleet at once.
            self._next_ns = now + round(self._rng.random() * min(self.settings.first_interval_ns, 2 * SECOND_NS))
        if self._request is not None:
            return min(self._next_ns, self._request.sent_ns + self.settings.answer_within_ns)
        return self._next_ns

    def expire(self, *, now: int) -> bool:
        """Give up a request that is not answered in time; whether there was one."""
        request = self._request
        if request is None or now - request.sent_ns < self.settings.answer_within_ns:
            return False
        self._request = None
        self._unanswered += 1
        if self._unanswered >= UNANSWERED_WORTH_TELLING or not self._exchanges:
            self._last_notice = SourceNotice("no-answer", f"unanswered requests in a row: {self._unanswered}")
        return True

    def request(self, t1_ns: int, *, now: int, epoch: int) -> bytes | None:
        """A request, if one is due; `t1_ns` is the host's clock now."""
        if now < self.next_ns(now=now) or self.denied or self._request is not None:
            return None
        nonce = self._rng.randrange(1, 1 << 64)
        self._request = _Request(nonce, now, t1_ns, StampSource.USER, epoch)
        self.sent += 1
        self._next_ns = now + self._spacing_ns()
        return encode(NtpPacket(mode=CLIENT, transmit=nonce))

    def _spacing_ns(self) -> int:
        first = self.sent <= self.settings.first_requests and not self._unanswered
        base = min(self.settings.first_interval_ns, self._interval_ns) if first else self._interval_ns
        longest = max(self.settings.longest_interval_ns, base)
        backed_off = min(base << min(self._unanswered // 2, 10), longest)
        spread = self._rng.uniform(1 - self.settings.jitter, 1 + self.settings.jitter)
        return max(round(backed_off * spread), self._least_interval_ns, self.settings.answer_within_ns)

    @property
    def interval_ns(self) -> int:
        """Mean time between two requests to a server that answers."""
        return max(self._interval_ns, self._least_interval_ns)

    def transmit_stamp(self, nonce: int, t1_ns: int) -> None:
        """The kernel's word on when the request left."""
        request = self._request
        if request is not None and request.nonce == nonce and t1_ns >= request.t1_ns:
            request.t1_ns, request.source = t1_ns, StampSource.KERNEL

    @property
    def nonce(self) -> int:
        """Of the request that waits; 0: none does."""
        return self._request.nonce if self._request is not None else 0

    def clock_set(self) -> None:
        """The host's clock was set: nothing measured before speaks for it now."""
        self._request = None
        self._exchanges.clear()

    @property
    def unanswered(self) -> int:
        """Requests in a row without an answer."""
        return self._unanswered

    @property
    def kisses(self) -> int:
        """Kisses-o'-death received."""
        return self.rejected["kiss"]

    def not_sent(self, reason: str) -> None:
        """The request could not be sent."""
        self._request = None
        self._unanswered += 1
        self._last_notice = SourceNotice("not-sent", f"a request cannot be sent: {reason}")

    # --- answers

    def receive(self, data: bytes, t4_ns: int, source: StampSource, *, now: int, epoch: int) -> Exchange | None:
        """A datagram from the server's address; the exchange that it completes, if it is good."""
        request = self._request
        try:
            packet = decode(data)
        except WireError:
            return self._reject("short")
        if request is None or packet.origin != request.nonce:
            return self._reject("unsolicited")
        if packet.mode != SERVER or not 1 <= packet.version <= 4:
            return self._reject("not-a-server")
        self._request = None
        self._unanswered = 0
        if packet.stratum == 0:
            return self._kissed(packet.kiss_code)
        return self._complete(request, packet, t4_ns, source, now, epoch)

    def _complete(
        self, request: _Request, packet: NtpPacket, t4_ns: int, source: StampSource, now: int, epoch: int
    ) -> Exchange | None:
        root_delay, root_dispersion = short_ns(packet.root_delay), short_ns(packet.root_dispersion)
        if (
            packet.leap == UNSYNCHRONIZED_LEAP
            or packet.stratum > MOST_STRATUM
            or root_delay // 2 + root_dispersion >= MOST_ROOT_DISTANCE_NS
        ):
            return self._reject("unsynchronized", "it says that it is not synchronized")
        if not packet.receive or not packet.transmit:
            return self._reject("no-stamps", "its time stamps are missing")
        t2_ns, t3_ns = (decode_ntp(stamp, t4_ns) for stamp in (packet.receive, packet.transmit))
        updated_ns = decode_ntp(packet.reference, t4_ns) if packet.reference else t3_ns
        if not 0 <= t3_ns - t2_ns < 10 * SECOND_NS or updated_ns - t3_ns > SECOND_NS:
            return self._reject("inconsistent", "its time stamps contradict each other")
        if request.epoch != epoch:
            return self._reject("clock-set")
        by = (request.source, StampSource.USER, StampSource.USER, source)
        record = ProbeRecord(self.name, request.t1_ns, t2_ns, t3_ns, t4_ns, by, epoch, 0, True)
        precision = precision_ns(packet.precision)
        if record.round_trip_ns < -precision or t4_ns < request.t1_ns:
            return self._reject("inconsistent", "its answer took less than no time")
        self.answered += 1
        self._last_notice = None
        exchange = Exchange(
            record, now, Leap(packet.leap), packet.stratum, packet.reference_id, root_delay, root_dispersion, precision
        )
        self._exchanges.append(exchange)
        return exchange

    def _reject(self, reason: str, text: str = "") -> Exchange | None:
        self.rejected[reason] += 1
        if text:
            self._last_notice = SourceNotice(reason, text)
        if reason == "unsynchronized":
            # What it said while it still was no longer counts.
            self._exchanges.clear()
        return None

    def _kissed(self, code: str) -> Exchange | None:
        self.rejected["kiss"] += 1
        if code in ("DENY", "RSTR"):
            self.denied = True
            self._exchanges.clear()
            self._last_notice = SourceNotice("kiss-deny", f"it wants no requests from here ({code}); none are sent")
        elif code == "RATE":
            self._interval_ns = min(2 * self._interval_ns, LONGEST_INTERVAL_NS)
            self._least_interval_ns = max(self._least_interval_ns, self._interval_ns)
            if self._next_ns is not None:
                self._next_ns += self._interval_ns
            every = self._interval_ns / SECOND_NS
            self._last_notice = SourceNotice("kiss-rate", f"it wants fewer requests: one in {every:.0f} s from now on")
        else:
            self._last_notice = SourceNotice("kiss", f"it does not tell the time (code {code or 'none'})")
        return None

    # --- what is known

    def best(self, *, now: int) -> Exchange | None:
        """Of the recent exchanges the one that promises least error now; None where there is none."""
        return min(self._exchanges, key=lambda one: one.limit_ns(now), default=None)

    @property
    def newest(self) -> Exchange | None:
        """The newest good exchange."""
        return self._exchanges[-1] if self._exchanges else None

    @property
    def notices(self) -> tuple[SourceNotice, ...]:
        """What is wrong with the server, as far as the last request showed."""
        return () if self._last_notice is None else (self._last_notice,)

    def jitter_ns(self) -> float:
        """Root mean square of the recent offsets around their mean."""
        offsets = [one.offset_ns for one in self._exchanges]
        if len(offsets) < 2:
            return 0.0
        mean = sum(offsets) / len(offsets)
        return math.sqrt(sum((one - mean) ** 2 for one in offsets) / (len(offsets) - 1))

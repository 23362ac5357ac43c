"""Mutate what receivers, servers and lists of leap seconds say: nothing may raise, and nothing may lock wrongly.

Run by hand: ``python tests/bench/fuzz_reference.py [COUNT] [SEED]``, by default a million inputs: 70 % sentences, 20 %
NTP answers, 10 % lists. Each input is a sound one with some octets changed, cut, doubled, or moved, now and then with
its checksum made right again. It ends by itself and prints what was fed, what was refused and why, and how fast; exit
code 1 if a wrong time was ever trusted (an exception ends it at once).
"""

from __future__ import annotations

import random
import re
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "support"))

from ntp_server import answer
from receivers import SECOND_NS, START_NS, epoch, sentence

from noonmark.agent.gnss_receiver import GnssReceiver
from noonmark.agent.nmea import NmeaError, parse
from noonmark.agent.ntp_association import Association
from noonmark.agent.ntp_packet import decode, encode
from noonmark.agent.reference_nmea import LineSplitter
from noonmark.proto.leap_seconds import LeapListError, parse_leap_list
from noonmark.proto.records import StampSource

LIST = "#$ 3676924800\n#@ 3991593600\n3644697600 36 # 1 Jul 2015\n3692217600 37\n"


def mutated(data: bytes, rng: random.Random) -> bytes:
    """Some octets changed, cut, doubled or moved."""
    octets = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 8))):
        if not octets:
            break
        place, kind = rng.randrange(len(octets)), rng.randrange(5)
        if kind == 0:
            octets[place] = rng.randrange(256)
        elif kind == 1:
            octets[place] = rng.choice(b"0123456789.,AVNSEW*$-")
        elif kind == 2:
            del octets[place : place + rng.randrange(1, 6)]
        elif kind == 3:
            octets[place:place] = octets[place : place + rng.randrange(1, 20)]
        else:
            other = rng.randrange(len(octets))
            octets[place], octets[other] = octets[other], octets[place]
    return bytes(octets)


class Receivers:
    """A steady receiver with a mutated second now and then; the truth is known at every epoch."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.refused: Counter[str] = Counter()
        self.fed = self.wrong = self.trusted = 0
        self._begin()

    def _begin(self) -> None:
        self.receiver, self.splitter = GnssReceiver(), LineSplitter()
        self.true_ns, self.monotonic_ns = START_NS, 0
        for _ in range(5):
            self.second(spoil=False)

    def second(self, *, spoil: bool) -> None:
        """One second's sentences, of which one is spoiled."""
        self.true_ns += SECOND_NS
        self.monotonic_ns += SECOND_NS
        lines = epoch(self.true_ns).splitlines(keepends=True)
        if spoil:
            place = self.rng.randrange(len(lines))
            lines[place] = self._spoiled(lines[place])
            self.fed += 1
        for line in self.splitter.feed(b"".join(lines)):
            self._line(line)

    def _spoiled(self, line: bytes) -> bytes:
        if self.rng.random() < 0.3:  # a right checksum over wrong fields
            body = mutated(line[1 : line.rindex(b"*")], self.rng).replace(b"\n", b"").replace(b"*", b"")
            return sentence(body.decode("latin-1").encode("ascii", "replace").decode())
        return mutated(line, self.rng)

    def _line(self, line: bytes) -> None:
        try:
            found = parse(line)
        except NmeaError as error:
            self.refused[error.reason] += 1
            return
        if found is None:
            self.refused["not for us"] += 1
            return
        told = self.receiver.feed(found, host_ns=self.true_ns, monotonic_ns=self.monotonic_ns)
        if told is not None and told.trusted:
            self.trusted += 1
            if told.time_ns != self.true_ns:
                self.wrong += 1
                print(f"trusted {told.time_ns} at {self.true_ns}: {line!r}", file=sys.stderr)

    def run(self, count: int) -> None:
        """So many spoiled sentences, three in four seconds."""
        while self.fed < count:
            if self.fed % 5000 == 0:
                self._begin()
            self.second(spoil=self.rng.random() < 0.75)


def answers(rng: random.Random, count: int) -> tuple[Counter[str], int]:
    """Mutated answers of a server whose clock is right: what was refused, and how many were taken wrongly.

    No octet tells a forger's numbers from the server's; what must hold is that an answer is taken only to the request
    it answers, from a server that calls itself synchronized, with stamps in their order.
    """
    refused: Counter[str] = Counter()
    wrong = 0
    client = Association("ntp:a", random.Random(1))
    now = 0
    for _ in range(count):
        now = client.next_ns(now=now)
        client.expire(now=now)
        data = client.request(START_NS + now, now=now, epoch=1)
        if data is None:
            if client.denied:
                refused.update(client.rejected)
                client = Association("ntp:a", random.Random(rng.random()))
            continue
        request = decode(data)
        arrived = START_NS + now + 1_000_000
        spoiled = mutated(encode(answer(request, arrived, arrived + 10_000)), rng)
        now += 2_010_000
        found = client.receive(spoiled, START_NS + now, StampSource.KERNEL, now=now, epoch=1)
        if found is None:
            continue
        packet = decode(spoiled)
        honest = packet.origin == request.transmit and packet.leap != 3 and 1 <= packet.stratum <= 15
        wrong += not (honest and packet.mode == 4 and found.record.t3_ns >= found.record.t2_ns)
    return refused + client.rejected, wrong


def lists(rng: random.Random, count: int) -> tuple[Counter[str], int]:
    """Mutated lists: refused by reason, and how many gave numbers that no list can have."""
    refused: Counter[str] = Counter()
    wrong = 0
    for _ in range(count):
        text = mutated(LIST.encode(), rng).decode("latin-1")
        try:
            leaps = parse_leap_list(text)
        except LeapListError as error:
            refused[re.sub(r"'.*'|line \d+|\d+", "...", str(error).removeprefix("leap-second list"))[2:50]] += 1
            continue
        steps = zip(leaps.tai_minus_utc_s, leaps.tai_minus_utc_s[1:], strict=False)
        wrong += leaps.expires_s <= leaps.from_s[-1] or any(abs(after - before) != 1 for before, after in steps)
        leaps.tai_minus_utc(START_NS)
        leaps.next_leap(START_NS)
    return refused, wrong


def main(arguments: list[str]) -> int:
    """Feed, and say what came of it."""
    count = int(arguments[0]) if arguments else 1_000_000
    seed = int(arguments[1]) if len(arguments) > 1 else 20_261_125
    wrong = 0
    for name, share in (("sentences", 0.7), ("answers", 0.2), ("lists", 0.1)):
        rng, begun = random.Random(f"{seed}{name}"), time.perf_counter()
        fed = round(count * share)
        if name == "sentences":
            receivers = Receivers(rng)
            receivers.run(fed)
            refused, found = receivers.refused, receivers.wrong
            note = f"{receivers.trusted} epochs trusted, {found} of them wrong"
        else:
            refused, found = (answers if name == "answers" else lists)(rng, fed)
            note = f"{found} taken wrongly"
        wrong += found
        seconds = time.perf_counter() - begun
        print(f"{fed} mutated {name} in {seconds:.0f} s: no exception; {note}")
        print("  refused: " + ", ".join(f"{reason} {number}" for reason, number in refused.most_common(12)))
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))

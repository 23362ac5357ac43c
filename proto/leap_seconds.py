"""TAI minus UTC from the published list of leap seconds, the list's expiry, and what a smear looks like. Pure.

The list's format is the one that is published with it: lines `#$ STAMP` (last change), `#@ STAMP` (expiry), `#h` (five
words of SHA-1 over all digits), and `STAMP TAI-UTC`, stamps in seconds since 1900-01-01 (RFC 5905's prime era).
A list that has expired still tells the past rightly; of the present it says only what was known when it was made, and
`expired` tells so. UTC here is POSIX time, which does not count leap seconds.

A smear (RFC 8633 section 3.7.1: linear, over 2 to 24 hours, no sign of it on the wire) is known by its amount only.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from dataclasses import dataclass

SECOND_NS = 1_000_000_000
NTP_TO_UNIX_S = 2_208_988_800
SMEARS_S = (86_400, 72_000, 7_200)
"""Lengths that are in use, seconds: 24 hours from noon to noon, 20 hours, 2 hours; common practice, no source."""
LONGEST_LIST = 1 << 20
_ENTRY = re.compile(r"(\d{1,12})\s+(\d{1,4})(?:\s|#|$)")
_MARK = re.compile(r"#([$@h])\s*(.*)")


class LeapListError(ValueError):
    """Not a list of leap seconds; the text says what is wrong with it."""


@dataclass(frozen=True, slots=True)
class LeapList:
    """TAI minus UTC (seconds) from each POSIX second on, and until when the list holds."""

    from_s: tuple[int, ...]
    tai_minus_utc_s: tuple[int, ...]
    expires_s: int
    updated_s: int = 0

    def tai_minus_utc(self, utc_ns: int) -> int:
        """Seconds at an instant; the oldest entry's before it."""
        place = bisect_right(self.from_s, utc_ns // SECOND_NS) - 1
        return self.tai_minus_utc_s[max(0, place)]

    def expired(self, utc_ns: int) -> bool:
        """Whether the list no longer speaks for an instant."""
        return utc_ns >= self.expires_s * SECOND_NS

    def last_leap_ns(self, utc_ns: int) -> int:
        """POSIX nanoseconds of the newest leap second at or before an instant."""
        return self.from_s[max(0, bisect_right(self.from_s, utc_ns // SECOND_NS) - 1)] * SECOND_NS

    def next_leap(self, utc_ns: int) -> tuple[int, int] | None:
        """When the next leap second that the list knows comes (POSIX ns just after it), and +1 or -1; None: none."""
        place = bisect_right(self.from_s, utc_ns // SECOND_NS)
        if place == 0 or place >= len(self.from_s):
            return None
        return self.from_s[place] * SECOND_NS, self.tai_minus_utc_s[place] - self.tai_minus_utc_s[place - 1]


def parse_leap_list(text: str) -> LeapList:
    """Read a list. Raises LeapListError where it is none, is out of order, or its hash does not match."""
    if len(text) > LONGEST_LIST:
        raise LeapListError("leap-second list: longer than a megabyte")
    marks: dict[str, str] = {}
    rows: list[tuple[str, str]] = []
    for number, line in enumerate(text.splitlines(), 1):
        bare = line.strip()
        if bare.startswith("#"):
            if (mark := _MARK.fullmatch(bare)) and mark[1] not in marks:
                marks[mark[1]] = mark[2]
        elif bare:
            entry = _ENTRY.match(bare) if bare.isascii() else None
            if entry is None:
                raise LeapListError(f"leap-second list, line {number}: {bare[:40]!r} is not `SECONDS TAI-UTC`")
            rows.append((entry[1], entry[2]))
    expires, updated = (_stamp(marks, mark, what) for mark, what in (("@", "expiry"), ("$", "last change")))
    _check_hash(marks, updated + expires, rows)
    return _checked(rows, int(expires), int(updated or NTP_TO_UNIX_S))


def _stamp(marks: dict[str, str], mark: str, what: str) -> str:
    digits = marks.get(mark, "").split("#")[0].split()[:1]
    if not digits:
        if mark == "@":
            raise LeapListError("leap-second list: it does not say when it expires (a line `#@ SECONDS`)")
        return ""
    if not re.fullmatch(r"[0-9]{1,12}", digits[0]):
        raise LeapListError(f"leap-second list: {what} {digits[0][:20]!r} is not a number of seconds")
    return digits[0]


def _check_hash(marks: dict[str, str], head: str, rows: list[tuple[str, str]]) -> None:
    if "h" not in marks:
        return
    import hashlib  # only here: it brings a whole library with it, and agents are to stay small

    digest = hashlib.sha1((head + "".join(a + b for a, b in rows)).encode(), usedforsecurity=False).hexdigest()
    told = marks["h"].split()
    # Leading zeros of the five words are left away in some lists.
    if [word.lower().rjust(8, "0") for word in told[:5]] != [digest[start : start + 8] for start in range(0, 40, 8)]:
        raise LeapListError("leap-second list: its hash does not match its numbers; fetch it anew")


def _checked(rows: list[tuple[str, str]], expires: int, updated: int) -> LeapList:
    if not rows:
        raise LeapListError("leap-second list: it has no entry")
    starts = [int(seconds) - NTP_TO_UNIX_S for seconds, _ in rows]
    counts = [int(count) for _, count in rows]
    for place in range(1, len(rows)):
        if starts[place] <= starts[place - 1] or abs(counts[place] - counts[place - 1]) != 1:
            raise LeapListError(f"leap-second list: entry {rows[place][0]} does not follow the one before it")
    if expires - NTP_TO_UNIX_S <= starts[-1]:
        raise LeapListError("leap-second list: it expires before its last entry")
    return LeapList(tuple(starts), tuple(counts), expires - NTP_TO_UNIX_S, updated - NTP_TO_UNIX_S)


def smear_error_ns(utc_ns: int, leap_ns: int, sign: int, length_s: int) -> int:
    """Clock that smears a leap second linearly around its middle, minus UTC as POSIX counts it, ns.

    `leap_ns` is POSIX time just after the leap second, `sign` +1 for one inserted. 0 outside the smear; -0.5 s just
    before an inserted leap second and +0.5 s just after it.
    """
    half_ns = length_s * SECOND_NS // 2
    away = utc_ns - leap_ns
    if abs(away) > half_ns:
        return 0
    share = (half_ns - abs(away)) * SECOND_NS // (2 * half_ns)
    return sign * (-share if away < 0 else share)


def smear_length(difference_ns: int, utc_ns: int, leap_ns: int, sign: int, tolerance_ns: int) -> int | None:
    """Of which usual length a smear would explain that one clock is `difference_ns` ahead of another; None: of none.

    A difference that is no larger than the tolerance explains itself.
    """
    if abs(difference_ns) <= tolerance_ns:
        return None
    for length in SMEARS_S:
        if abs(abs(difference_ns) - abs(smear_error_ns(utc_ns, leap_ns, sign, length))) <= tolerance_ns:
            return length
    return None

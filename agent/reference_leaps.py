"""What is known of leap seconds: from the list, from the kernel, from the sources; and who smears one. Pure.

Nobody who smears says so (RFC 8633 section 3.7.1): it is recognised by how far a source is from one that does not,
near a leap second that the list knows or somebody announces. Two reckonings are named and never averaged.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

from noonmark.agent.reference import Observation
from noonmark.agent.reference_selection import Judgement
from noonmark.proto.leap_seconds import SECOND_NS, LeapList, smear_length
from noonmark.proto.reference import KernelClock, Leap, SourceNotice, Verdict

WARN_BEFORE_EXPIRY_NS = 30 * 86_400 * SECOND_NS
NEAR_A_LEAP_NS = 86_400 * SECOND_NS
"""Smears last up to 24 hours."""
LEAST_TOLERANCE_NS = 5_000_000
_SIGN = {Leap.INSERT: 1, Leap.DELETE: -1}


def leap_notices(
    judgement: Judgement, kernel: KernelClock | None, leaps: LeapList, *, utc_ns: int
) -> tuple[SourceNotice, ...]:
    """What should be said of leap seconds now."""
    return (
        *_list_notices(leaps, utc_ns),
        *_pending(judgement.observations, kernel, leaps, utc_ns),
        *_smears(judgement, leaps, kernel, utc_ns),
    )


def _list_notices(leaps: LeapList, utc_ns: int) -> list[SourceNotice]:
    if leaps.expired(utc_ns):
        text = (
            f"the list of leap seconds expired on {_day(leaps.expires_s)}: a newer one may know of another leap second"
        )
        return [SourceNotice("leap-list-expired", text)]
    if leaps.expired(utc_ns + WARN_BEFORE_EXPIRY_NS):
        return [SourceNotice("leap-list-expires", f"the list of leap seconds expires on {_day(leaps.expires_s)}")]
    return []


def _day(posix_s: int) -> str:
    return f"{datetime.fromtimestamp(posix_s, UTC):%Y-%m-%d}"


def end_of_month_ns(utc_ns: int) -> int:
    """The next instant at which a leap second may be: midnight UTC after the last day of the month."""
    now = datetime.fromtimestamp(utc_ns // SECOND_NS, UTC)
    year, month = (now.year + 1, 1) if now.month == 12 else (now.year, now.month + 1)
    return round(datetime(year, month, 1, tzinfo=UTC).timestamp()) * SECOND_NS


def _pending(
    observations: Sequence[Observation], kernel: KernelClock | None, leaps: LeapList, utc_ns: int
) -> list[SourceNotice]:
    said: dict[str, Leap] = {
        one.source: one.leap for one in observations if one.usable and one.leap is not Leap.UNKNOWN
    }
    if kernel is not None and kernel.synchronized:
        said["the kernel"] = kernel.leap
    announced = {who: leap for who, leap in said.items() if leap in _SIGN}
    listed = leaps.next_leap(utc_ns)
    soon = listed is not None and listed[0] - utc_ns <= NEAR_A_LEAP_NS
    notices = []
    if announced:
        who = ", ".join(sorted(announced))
        what = " and ".join(sorted({leap.name.lower() for leap in announced.values()}))
        notices.append(SourceNotice("leap-pending", f"a leap second is announced ({what}) by {who}"))
        silent = sorted(set(said) - set(announced))
        if silent:
            notices.append(SourceNotice("leap-disputed", f"no leap second is known to {', '.join(silent)}"))
        if listed is None and not leaps.expired(utc_ns):
            notices.append(SourceNotice("leap-disputed", "the list of leap seconds, which is valid, knows of none"))
    elif soon and said:
        who = ", ".join(sorted(said))
        notices.append(SourceNotice("leap-disputed", f"the list has a leap second within a day, unknown to {who}"))
    return notices


def _leap_nearby(
    leaps: LeapList, observations: Sequence[Observation], kernel: KernelClock | None, utc_ns: int
) -> tuple[int, int] | None:
    """The leap second (POSIX ns just after it, and its sign) that could be smeared now."""
    listed = leaps.next_leap(utc_ns)
    if listed is not None and listed[0] - utc_ns <= NEAR_A_LEAP_NS:
        return listed
    last = leaps.last_leap_ns(utc_ns)
    if 0 <= utc_ns - last <= NEAR_A_LEAP_NS:
        return last, leaps.tai_minus_utc(last) - leaps.tai_minus_utc(last - 1)
    words = {one.leap for one in observations if one.usable} | ({kernel.leap} if kernel is not None else set())
    for leap, sign in _SIGN.items():
        # Announcements say "at the end of this day", and stand for up to a month in some programs.
        at_ns = end_of_month_ns(utc_ns)
        if leap in words and at_ns - utc_ns <= NEAR_A_LEAP_NS:
            return at_ns, sign
    return None


def _smears(judgement: Judgement, leaps: LeapList, kernel: KernelClock | None, utc_ns: int) -> list[SourceNotice]:
    near = _leap_nearby(leaps, judgement.observations, kernel, utc_ns)
    if near is None:
        return []
    trusted = [
        one
        for one in judgement.observations
        if judgement.verdicts[one.source] in (Verdict.SELECTED, Verdict.AGREES, Verdict.UNDECIDED)
    ]
    doubted = [
        one
        for one in judgement.observations
        if judgement.verdicts[one.source] in (Verdict.FALSETICKER, Verdict.UNDECIDED)
    ]
    notices: dict[frozenset[str], SourceNotice] = {}
    for one in doubted:
        for other in trusted:
            pair = frozenset({one.source, other.source})
            if len(pair) == 2 and pair not in notices and (told := _smear(one, other, near, utc_ns)):
                notices[pair] = told
    return list(notices.values())


def _smear(one: Observation, other: Observation, leap: tuple[int, int], utc_ns: int) -> SourceNotice | None:
    if one.offset_ns is None or other.offset_ns is None:
        return None
    apart_ns = other.offset_ns - one.offset_ns
    tolerance = max(LEAST_TOLERANCE_NS, (one.uncertainty_ns or 0) + (other.uncertainty_ns or 0))
    length = smear_length(apart_ns, utc_ns, *leap, tolerance)
    if length is None:
        return None
    text = (
        f"{one.source} and {other.source} are {abs(apart_ns) / 1e6:.1f} ms apart, as far as a leap second smeared "
        f"over {length // 3600} hours would put them: do not use both"
    )
    return SourceNotice("smear", text, apart_ns)


def with_number_of_seconds(kernel: KernelClock, leaps: LeapList, utc_ns: int) -> KernelClock:
    """TAI minus UTC from the list where the kernel was never told."""
    return kernel if kernel.tai_minus_utc_s else replace(kernel, tai_minus_utc_s=leaps.tai_minus_utc(utc_ns))

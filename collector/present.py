"""Numbers in words: lengths of time with a fitting unit, and one plain sentence for an offset. Pure, free of numpy.

Rounding follows the GUM (JCGM 100, 7.2.6): an uncertainty is told with one or two digits, and its value to the same
place; certain limits are rounded outwards, so that what is printed is still certain. What follows a ± is the expanded
uncertainty U = 2u (k = 2). A direction is always a word: a clock is *ahead* or *behind*.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from unicodedata import combining, east_asian_width

from noonmark.collector.views import PairView

SECOND_NS = 10**9
WIDTH = 80
"""Columns of text where nothing tells how many there are."""
COVERAGE = 2
"""k: what follows a ± is this many standard uncertainties."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of time and its length."""

    name: str
    size_ns: int


UNITS = (
    Unit("ns", 1),
    Unit("µs", 10**3),
    Unit("ms", 10**6),
    Unit("s", SECOND_NS),
    Unit("min", 60 * SECOND_NS),
    Unit("h", 3600 * SECOND_NS),
    Unit("d", 86_400 * SECOND_NS),
)
_SECONDS = UNITS[3]


def fitting_unit(size_ns: float, resolution_ns: float = math.inf) -> Unit:
    """The largest unit that makes `size_ns` at least 1 (minutes: 2); past seconds only if seconds need not be seen."""
    unit = UNITS[0]
    for candidate in UNITS[1:]:
        least = 2 * candidate.size_ns if candidate.name == "min" else candidate.size_ns
        if abs(size_ns) < least or (candidate.size_ns > SECOND_NS and resolution_ns < SECOND_NS):
            break
        unit = candidate
    return unit


def _places(resolution_ns: float, unit: Unit) -> int:
    """Decimal places in `unit` that show one digit of `resolution_ns`, two if it begins with 1 or 2; at least 1 ns."""
    resolution = max(resolution_ns, 1.0)
    exponent = math.floor(math.log10(resolution))
    if resolution / 10**exponent < 2.95:
        exponent -= 1
    exponent = max(exponent, 0)
    return max(0, math.ceil(math.log10(unit.size_ns)) - exponent)


def in_unit(value_ns: float, unit: Unit, places: int) -> str:
    """The bare number, without a sign for a rounded zero."""
    text = f"{Decimal(value_ns) / unit.size_ns:.{places}f}"  # binary floats lose nanoseconds past 100 days
    return text.lstrip("-") if not text.strip("-0.") else text


def format_duration(value_ns: float, *, digits: int = 3) -> str:
    """A length of time to so many significant digits: ``1.84 ms``, ``20 µs``, ``3.2 d``; the sign is kept."""
    if value_ns == 0:
        return "0 ns"
    unit = fitting_unit(value_ns)
    exponent = math.floor(math.log10(abs(value_ns)))
    rounded = round(value_ns, min(0, digits - 1 - exponent)) if unit.size_ns <= SECOND_NS else value_ns
    unit = fitting_unit(rounded)
    places = 0 if unit.size_ns == 1 else max(0, digits - 1 - math.floor(math.log10(abs(rounded) / unit.size_ns)))
    text = in_unit(rounded, unit, places)
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{text} {unit.name}"


def counted(count: int, noun: str, nouns: str | None = None) -> str:
    """So many of something: `1 record`, `2,000 records`; `nouns` where the plural is not formed by an s."""
    return f"{count:,} {noun if count == 1 else nouns or noun + 's'}"


def format_age(value_ns: float) -> str:
    """An age or a wait, two digits."""
    return format_duration(value_ns, digits=2)


def format_offset(offset_ns: int, uncertainty_ns: int) -> str:
    """Size and expanded uncertainty in one unit, without direction: ``1.840 ms ± 0.018 ms``."""
    expanded = COVERAGE * uncertainty_ns
    size = abs(offset_ns)
    unit = fitting_unit(max(size, expanded), expanded)
    places = _places(expanded, unit)
    rounded = float(in_unit(size, unit, places)) * unit.size_ns
    if rounded > size:  # it may have been rounded up to the next unit
        unit = fitting_unit(rounded, expanded)
        places = _places(expanded, unit)
    return f"{in_unit(size, unit, places)} {unit.name} ± {in_unit(expanded, unit, places)} {unit.name}"


def _outward(value_ns: int, step_ns: int, up: bool) -> int:
    return -(-value_ns // step_ns) * step_ns if up else value_ns // step_ns * step_ns


def outward_limits(lower_ns: int, upper_ns: int) -> tuple[int, int, Unit, int]:
    """Both limits rounded outwards, by a thirtieth of their width at most: (lower, upper, their unit, its places)."""
    width = max(upper_ns - lower_ns, 1)
    unit = fitting_unit(max(abs(lower_ns), abs(upper_ns)), width / 10)
    exponent = math.floor(math.log10(width))
    exponent = max(0, exponent - (2 if width / 10**exponent < 3 else 1))
    if unit.size_ns > SECOND_NS:  # 60 and 24 have no decimal steps: round in hundredths of the unit
        step, places = unit.size_ns // 100, 2
    else:
        step = 10**exponent
        places = max(0, round(math.log10(unit.size_ns)) - exponent)
    return _outward(lower_ns, step, False), _outward(upper_ns, step, True), unit, places


def format_limits(lower_ns: int | None, upper_ns: int | None) -> str:
    """Signed limits for a table, positive = ahead: ``+1.63 to +2.09 ms``; an open side is ``…``."""
    if lower_ns is None and upper_ns is None:
        return "none"
    if lower_ns is None or upper_ns is None:
        only = upper_ns if lower_ns is None else lower_ns
        assert only is not None
        low, high, unit, places = outward_limits(only, only)
        text = _signed(in_unit(high if lower_ns is None else low, unit, places))
        return f"… to {text} {unit.name}" if lower_ns is None else f"{text} {unit.name} to …"
    low, high, unit, places = outward_limits(lower_ns, upper_ns)
    return f"{_signed(in_unit(low, unit, places))} to {_signed(in_unit(high, unit, places))} {unit.name}"


def _signed(text: str) -> str:
    return text if text.startswith("-") or not text.strip("0.") else f"+{text}"


def direction(offset_ns: int) -> str:
    """The word for a sign."""
    return "ahead" if offset_ns >= 0 else "behind"


def format_drift(drift: float, uncertainty: float | None = None) -> str:
    """A drift with its sign: ``+12.0 ppm``, ``-0.20 ppb``; positive gains."""
    if drift == 0:
        return "0 ppm"
    name, scale = ("ppm", 1e6) if abs(drift) >= 1e-7 else ("ppb", 1e9)
    scaled = abs(drift) * scale
    places = max(0, 2 - math.floor(math.log10(scaled))) if scaled >= 1e-2 else 2
    if uncertainty is not None and math.isfinite(uncertainty) and uncertainty > 0:
        places = min(places, max(0, -math.floor(math.log10(uncertainty * scale))))
    text = f"{drift * scale:+.{places}f}"
    return f"{text if text.strip('+-0.') else '0'} {name}"


def sentence(pair: PairView, *, past: bool) -> str:
    """The answer for a tired person: who is ahead, by how much, how sure; or that it is not known, and why."""
    other = pair.b if pair.b is not None else "the reference"
    be = "was" if past else "is"
    if not pair.known:
        end = "" if pair.reason.endswith("?") else "."
        return f"How far {pair.a} {be} from {other} is not known: {pair.reason.rstrip('.')}{end}"
    if pair.offset_ns == 0 and pair.uncertainty_ns == 0:
        start = f"{pair.a} and {other} {'showed' if past else 'show'} the same time"
    else:
        word = "ahead of" if pair.offset_ns >= 0 else "behind"
        start = f"{pair.a} {be} {word} {other} by {format_offset(pair.offset_ns, pair.uncertainty_ns)}"
    return f"{start}; {certainty(pair)}."


def certainty(pair: PairView) -> str:
    """What is certain, in words, seen in the direction of the estimate; a doubt where the two contradict each other."""
    doubt = "" if _inside(pair) else " (but the estimate lies outside the limits: doubt both)"
    return f"{_limits_in_words(pair)}{doubt}"


def _inside(pair: PairView) -> bool:
    above = pair.lower_ns is None or pair.offset_ns >= pair.lower_ns
    return above and (pair.upper_ns is None or pair.offset_ns <= pair.upper_ns)


def _limits_in_words(pair: PairView) -> str:
    ahead = pair.offset_ns >= 0
    near, far = (pair.lower_ns, pair.upper_ns) if ahead else (_turned(pair.upper_ns), _turned(pair.lower_ns))
    word, opposite = ("ahead", "behind") if ahead else ("behind", "ahead")
    if near is None and far is None:
        return "no certain limits can be given"
    if far is None:
        assert near is not None
        return (
            f"certain: at least {_amount(near)} {word}"
            if near >= 0
            else f"certain: not more than {_amount(-near)} {opposite}"
        )
    if near is None:
        return (
            f"certain: not more than {_amount(far)} {word}"
            if far >= 0
            else f"certain: at least {_amount(-far)} {opposite}"
        )
    if near == far:
        return "this is certain"
    low, high, unit, places = outward_limits(near, far)
    if near >= 0:
        return f"certain within {in_unit(low, unit, places)} to {in_unit(high, unit, places)} {unit.name}"
    if far <= 0:
        low, high = -high, -low
        return f"certain: {in_unit(low, unit, places)} to {in_unit(high, unit, places)} {unit.name} {opposite}"
    return (
        f"certain within {in_unit(-low, unit, places)} {unit.name} {opposite}"
        f" to {in_unit(high, unit, places)} {unit.name} {word}, so either may be ahead"
    )


def _turned(value: int | None) -> int | None:
    return None if value is None else -value


def _amount(value_ns: int) -> str:
    return format_duration(value_ns)


def columns_of(text: str) -> int:
    """Columns that a terminal shows a text in: wide characters take two, combining ones none (Unicode, UAX #11)."""
    if text.isascii():
        return len(text)
    return sum(0 if combining(each) else 2 if east_asian_width(each) in "WF" else 1 for each in text)


def shortened(name: str, width: int) -> str:
    """A name in at most `width` columns, its end kept, since ends tell hosts apart."""
    if columns_of(name) <= width:
        return name
    most = max(0, (width - 1) // 3)
    head = next(size for size in range(most, -1, -1) if columns_of(name[:size]) <= most)
    start = next(place for place in range(head, len(name) + 1) if columns_of(name[place:]) <= width - 1 - most)
    return f"{name[:head]}…{name[start:]}"

"""A clock's stability as a table of 80 columns, as a plot of characters and as a JSON document. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence

from noonmark.collector.instants import format_instant
from noonmark.collector.present import format_duration
from noonmark.collector.present_json import Document
from noonmark.collector.present_tables import Column, table, wrapped
from noonmark.collector.stability import Deviations
from noonmark.collector.stability_noise import noise_name
from noonmark.collector.stability_series import Stability

PLOT_HEIGHT = 14
_COLUMNS = ("TAU", "ADEV", "INTERVAL", "MDEV", "TDEV", "MTIE")


def subject(host: str, other: str | None) -> str:
    """Whose clock against whose."""
    return f"{host} against {'the reference' if other is None else other}"


def stability_lines(
    found: Stability, host: str, other: str | None, *, confidence: float, width: int, plot: bool, plain: bool
) -> list[str]:
    """What a person reads."""
    phase, error = found.phase, found.error_ns
    last_ns = phase.first_ns + (len(phase.offset_ns) - 1) * phase.step_ns
    count = len(phase.offset_ns) - phase.missing
    missing = f", {phase.missing} missing" if phase.missing else ""
    largest_ns = found.largest_certain_ns
    certain = "no certain limit" if largest_ns is None else f"{format_duration(largest_ns)} certain"
    told = (
        f"{subject(host, other)}, {count} estimates{missing}, one each {format_duration(phase.step_ns)}, from "
        f"{format_instant(phase.first_ns, digits=0)} to {format_instant(last_ns, digits=0)}. "
        f"Time error: at most {format_duration(error.largest)} (max|TE|; {certain}), mean "
        f"{_signed(error.constant)} (cTE; positive: ahead), {format_duration(error.peak_to_peak)} peak to peak."
    )
    columns = [Column(name, right=True) for name in _COLUMNS] + [Column("NOISE")]
    lines = [*wrapped(told, width=width), "", *table(columns, _rows(found), width=width), ""]
    lines += wrapped(
        f"ADEV is the overlapping Allan deviation; the true one lies in the interval with {100 * confidence:.4g} %. "
        "What is seen is the clock and the measuring together: estimates share probes within the collector's window, "
        "so below it they are smoother than the clock.",
        width=width,
    )
    if plot:
        lines += ["", *deviation_plot(found.time, width=width, plain=plain)]
    return lines


def _signed(value_ns: float) -> str:
    return f"{'+' if value_ns > 0 else ''}{format_duration(value_ns)}"


def _rows(found: Stability) -> list[Sequence[str]]:
    rows: list[Sequence[str]] = []
    for place, tau_s in enumerate(found.overlapping.tau_s.tolist()):
        own = found.overlapping
        rows.append(
            (
                format_duration(tau_s * 1e9),
                _fraction(own.deviation[place]),
                _interval(own, place),
                _fraction(found.modified.deviation[place]),
                _time(found.time.deviation[place] * 1e9),
                _time(found.mtie_ns[place]),
                noise_name(int(own.noise[place])) if own.deviation[place] > 0 else "",
            )
        )
    return rows


def _fraction(value: float) -> str:
    return f"{value:.2e}" if math.isfinite(value) else "unknown"


def _time(value_ns: float) -> str:
    return format_duration(value_ns) if math.isfinite(value_ns) else "unknown"


def _interval(own: Deviations, place: int) -> str:
    value = float(own.deviation[place])
    if not value > 0 or not math.isfinite(value):
        return ""
    down = 100 * (value - float(own.lower[place])) / value
    up = 100 * (float(own.upper[place]) - value) / value
    return f"-{down:.0f} +{up:.0f} %" if up < 1000 else f"-{down:.0f} % +…"


def deviation_plot(deviations: Deviations, *, width: int = 80, plain: bool = False) -> list[str]:
    """Time deviation over averaging time, both logarithmic; the bar is the confidence interval."""
    points = [
        (math.log10(tau), value, low, high)
        for tau, value, low, high in zip(
            deviations.tau_s.tolist(),
            deviations.deviation.tolist(),
            deviations.lower.tolist(),
            deviations.upper.tolist(),
            strict=True,
        )
        if value > 0 and math.isfinite(value)
    ]
    if not points:
        return ["no time deviation above zero"]
    levels = [math.log10(value) for _, value, _, _ in points]
    bottom, top = math.floor(min(levels)), math.ceil(max(levels))
    top = max(top, bottom + 1)
    margin = max(len(format_duration(10.0 ** (level + 9))) for level in range(bottom, top + 1)) + 1
    inner = max(10, width - margin - 2)
    start, end = points[0][0], max(points[-1][0], points[0][0] + 1e-9)
    mark, bar, wall = ("*", ":", "|") if plain else ("•", "┊", "│")
    grid = [[" "] * inner for _ in range(PLOT_HEIGHT)]

    def row(value: float) -> int:
        level = math.log10(value) if value > 0 and math.isfinite(value) else (top if value > 0 else bottom)
        return min(PLOT_HEIGHT - 1, max(0, round((top - level) / (top - bottom) * (PLOT_HEIGHT - 1))))

    for at, value, low, high in points:
        column = round((at - start) / (end - start) * (inner - 1))
        for line in range(row(high), row(low) + 1):
            grid[line][column] = bar
        grid[row(value)][column] = mark
    labels = {row(10.0**level): format_duration(10.0 ** (level + 9)) for level in range(bottom, top + 1)}
    lines = ["time deviation (TDEV)"]
    lines += [f"{labels.get(index, ''):>{margin}}{wall}{''.join(cells)}".rstrip() for index, cells in enumerate(grid)]
    left, right = format_duration(10**start * 1e9), format_duration(10**end * 1e9)
    lines.append(" " * (margin + 1) + left + " " * max(1, inner - len(left) - len(right)) + right)
    return lines


def stability_json(found: Stability, host: str, other: str | None, *, confidence: float) -> Document:
    """The whole answer; deviations are fractions of the frequency, times are in ns, null: not known."""
    phase, error = found.phase, found.error_ns
    last_ns = phase.first_ns + (len(phase.offset_ns) - 1) * phase.step_ns
    return {
        "schema": "noonmark.stability/1",
        "a": host,
        "b": other,
        "since_ns": phase.first_ns,
        "since": format_instant(phase.first_ns),
        "until_ns": last_ns,
        "until": format_instant(last_ns),
        "step_ns": phase.step_ns,
        "samples": len(phase.offset_ns) - phase.missing,
        "missing": phase.missing,
        "confidence": confidence,
        "time_error": {
            "max_ns": round(error.largest),
            "certain_max_ns": found.largest_certain_ns,
            "constant_ns": round(error.constant),
            "peak_to_peak_ns": round(error.peak_to_peak),
            "standard_deviation_ns": round(error.standard_deviation),
        },
        "averaging_times": [_point(found, place) for place in range(len(found.overlapping.tau_s))],
    }


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _point(found: Stability, place: int) -> Document:
    own, time = found.overlapping, found.time

    def of(deviations: Deviations, scale: float) -> list[float | None]:
        return [
            _number(float(row[place]) * scale) for row in (deviations.deviation, deviations.lower, deviations.upper)
        ]

    adev, adev_low, adev_high = of(own, 1.0)
    mdev, mdev_low, mdev_high = of(found.modified, 1.0)
    tdev, tdev_low, tdev_high = of(time, 1e9)
    return {
        "tau_ns": round(float(own.tau_s[place]) * 1e9),
        "terms": int(own.terms[place]),
        "degrees_of_freedom": _number(float(own.freedom[place])),
        "noise": noise_name(int(own.noise[place])),
        "noise_alpha": int(own.noise[place]),
        "adev": adev,
        "adev_lower": adev_low,
        "adev_upper": adev_high,
        "mdev": mdev,
        "mdev_lower": mdev_low,
        "mdev_upper": mdev_high,
        "tdev_ns": tdev,
        "tdev_lower_ns": tdev_low,
        "tdev_upper_ns": tdev_high,
        "mtie_ns": _number(float(found.mtie_ns[place])),
    }

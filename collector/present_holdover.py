"""A forecast of holdover as tables of 80 columns and as a JSON document. Pure, free of numpy."""

from __future__ import annotations

import math
from dataclasses import dataclass

from noonmark.collector.holdover import COVERAGE, Beginning, Learned, Outlook, leaves_after, others, outlook
from noonmark.collector.present import direction, format_age, format_drift, format_duration
from noonmark.collector.present_json import Document
from noonmark.collector.present_tables import Column, table, wrapped
from noonmark.proto.oscillators import CLASSES, Oscillator, OscillatorClass

NAMES = {
    "quartz": "plain quartz",
    "tcxo": "temperature-compensated quartz",
    "mcxo": "microcomputer-compensated quartz",
    "ocxo": "oven-controlled quartz",
    "rubidium": "rubidium",
    "rbxo": "rubidium with crystal",
    "caesium": "caesium",
}


@dataclass(frozen=True, slots=True)
class Question:
    """What a forecast is asked of."""

    oscillator: Oscillator
    beginning: Beginning
    spans_s: tuple[float, ...]
    budget_ns: int | None = None
    learned: Learned | None = None
    host: str | None = None
    elapsed_s: float | None = None
    """How long the source has been lost already; None: it is not, or nobody says."""

    def after(self, elapsed_s: float) -> Outlook:
        """The clock so long after the loss."""
        return outlook(self.beginning, self.oscillator, elapsed_s, self.learned)

    def left_s(self, *, by_limit: bool = False) -> float | None:
        """Seconds from the loss until the budget may be left; None: no budget, or no limit."""
        if self.budget_ns is None:
            return None
        return leaves_after(self.beginning, self.oscillator, self.budget_ns, self.learned, by_limit=by_limit)


def _span(seconds: float) -> str:
    return format_duration(seconds * 1e9) if math.isfinite(seconds) else "never"


_COLUMNS = ("AFTER", "EXPECTED", f"U(k={COVERAGE:.0f})", "LIMIT", "FREQUENCY", "TEMPERATURE", "AGEING", "NOISE")


def _row(then: Outlook) -> list[str]:
    parts = (then.gained.frequency_ns, then.gained.temperature_ns, then.gained.ageing_ns, then.gained.noise_ns)
    limit = "none" if then.limit_ns is None else format_duration(then.limit_ns)
    expanded = format_duration(COVERAGE * then.uncertainty_ns)
    offset = format_duration(then.expected_ns)
    return [_span(then.elapsed_s), offset, expanded, limit, *(format_duration(part) for part in parts)]


def holdover_lines(question: Question, *, width: int) -> list[str]:
    """What a person reads."""
    lines = wrapped(_opening(question), width=width)
    if question.elapsed_s is not None:
        lines += wrapped(_by_now(question, question.elapsed_s), width=width)
    rows = [_row(question.after(span)) for span in question.spans_s]
    columns = [Column(name, right=True) for name in _COLUMNS]
    moves = bool(question.beginning.offset_ns or question.beginning.drift)
    if not moves:
        columns = columns[:1] + columns[2:]
        rows = [row[:1] + row[2:] for row in rows]
    lines += ["", *table(columns, rows, width=width), ""]
    expected = "EXPECTED: its offset (positive: ahead) if its drift goes on. " if moves else ""
    lines += wrapped(
        f"{expected}U: expanded uncertainty of everything, that at the loss included; LIMIT: largest error as "
        "declared; the parts (k=1) are what the oscillator may have gained since.",
        width=width,
    )
    if question.budget_ns is not None:
        lines += ["", *wrapped(_leaving(question), width=width)]
    return [*lines, "", *_others(question, width)]


def _opening(question: Question) -> str:
    kind = question.oscillator.name
    article = "an" if kind == "ocxo" else "a"
    named = f"{article} {NAMES[kind]} oscillator ({kind})" if kind in NAMES else f"oscillator {kind}"
    start, whose = question.beginning, question.host or "A clock"
    text = f"{whose} without its source, kept by {named}"
    if start.offset_ns:
        text += f", {format_duration(abs(start.offset_ns))} {direction(round(start.offset_ns))} at the loss"
    if start.drift:
        text += f", drifting {format_drift(start.drift)}"
    if question.learned is None or not question.learned.tau_s:
        return f"{text}; its noise by class."
    seen = _span(question.learned.observed_s)
    return f"{text}; its noise as seen over {seen} before."


def _by_now(question: Question, elapsed_s: float) -> str:
    then = question.after(elapsed_s)
    limit = "" if then.limit_ns is None else f", and by no more than {format_duration(then.limit_ns)} as declared"
    return (
        f"Its source was lost {format_age(elapsed_s * 1e9)} ago: by now it may be wrong by "
        f"{format_duration(abs(then.expected_ns) + COVERAGE * then.uncertainty_ns)} (with U, k={COVERAGE:.0f}){limit}. "
        "Every host that depends on it is as uncertain against true time; differences between hosts stay as they are."
    )


def _leaving(question: Question) -> str:
    budget = format_duration(question.budget_ns or 0)
    told = []
    for by_limit, words in ((False, f"with U, k={COVERAGE:.0f}"), (True, "by its limit")):
        left = question.left_s(by_limit=by_limit)
        if left is not None:
            told.append(f"{_when(left, question.elapsed_s)} ({words})")
    return f"When it may leave ±{budget}: {'; '.join(told)}."


def _when(left_s: float, elapsed_s: float | None) -> str:
    if math.isinf(left_s):
        return "never within a century"
    if elapsed_s is None:
        return f"after {_span(left_s)}" if left_s > 0 else "at once"
    return f"in {_span(left_s - elapsed_s)}" if left_s > elapsed_s else "already now"


def _others(question: Question, width: int) -> list[str]:
    spans = question.spans_s[-3:]
    heads = [f"U AFTER {_span(span).upper()}" for span in spans]
    columns = [Column("OSCILLATOR"), *(Column(head, right=True) for head in heads)]
    if question.budget_ns is not None:
        columns.append(Column(f"LEAVES ±{format_duration(question.budget_ns)}", right=True))
    rows = []
    for name, values in others(question.beginning, question.budget_ns, spans).items():
        cells = [format_duration(value) for value in values[: len(spans)]]
        if question.budget_ns is not None:
            cells.append(_when(values[-1], None))
        mark = " (this)" if question.oscillator == CLASSES[OscillatorClass(name)] else ""
        rows.append((f"{name}{mark}", *cells))
    return ["What another would buy, by class:", *table(columns, rows, width=width)]


def _seconds_ns(seconds: float | None) -> int | None:
    return None if seconds is None or math.isinf(seconds) else round(seconds * 1e9)


def _outlook_json(then: Outlook) -> Document:
    return {
        "elapsed_ns": round(then.elapsed_s * 1e9),
        "expected_offset_ns": round(then.expected_ns),
        "uncertainty_ns": math.ceil(then.uncertainty_ns),
        "limit_ns": None if then.limit_ns is None else math.ceil(then.limit_ns),
        "frequency_ns": math.ceil(then.gained.frequency_ns),
        "temperature_ns": math.ceil(then.gained.temperature_ns),
        "ageing_ns": math.ceil(then.gained.ageing_ns),
        "noise_ns": math.ceil(then.gained.noise_ns),
    }


def holdover_json(question: Question) -> Document:
    """The forecast; uncertainties are standard (k = 1); "leaves_ns" counts from the loss, null: never, or not asked."""
    kept_by, start = question.oscillator, question.beginning
    by_class = {}
    for kind in OscillatorClass:
        rows = [outlook(start, CLASSES[kind], span) for span in question.spans_s]
        left = None if question.budget_ns is None else leaves_after(start, CLASSES[kind], question.budget_ns)
        by_class[str(kind)] = {"after": [_outlook_json(then) for then in rows], "leaves_ns": _seconds_ns(left)}
    return {
        "schema": "noonmark.holdover/1",
        "host": question.host,
        "oscillator": {
            "class": kept_by.name,
            "frequency_uncertainty": kept_by.frequency_uncertainty,
            "temperature": kept_by.temperature,
            "ageing_per_year": kept_by.ageing_per_year,
            "noise_at_1s": kept_by.noise_at_1s,
        },
        "learned": None
        if question.learned is None
        else {
            "observed_ns": round(question.learned.observed_s * 1e9),
            "allan_deviation": [
                {"tau_ns": round(tau * 1e9), "deviation": value}
                for tau, value in zip(question.learned.tau_s, question.learned.deviation, strict=True)
            ],
        },
        "at_loss": {
            "offset_ns": round(start.offset_ns),
            "uncertainty_ns": math.ceil(start.uncertainty_ns),
            "limit_ns": None if start.limit_ns is None else math.ceil(start.limit_ns),
            "drift_ppb": round(start.drift * 1e9, 6),
        },
        "lost_for_ns": _seconds_ns(question.elapsed_s),
        "now": None if question.elapsed_s is None else _outlook_json(question.after(question.elapsed_s)),
        "after": [_outlook_json(question.after(span)) for span in question.spans_s],
        "budget_ns": question.budget_ns,
        "leaves_ns": _seconds_ns(question.left_s()),
        "leaves_by_limit_ns": _seconds_ns(question.left_s(by_limit=True)),
        "classes": by_class,
    }

"""The command `noonmark holdover`: how far a clock without its source may wander, and when it leaves a budget."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import click

from noonmark.collector import cli_options
from noonmark.collector.budgets import parse_budget
from noonmark.collector.cli_options import NoAnswer, Source, WrongUse
from noonmark.collector.help_sections import ReadingCommand
from noonmark.collector.holdover import Beginning, Learned, with_learned_frequency
from noonmark.collector.present_holdover import Question, holdover_json, holdover_lines
from noonmark.proto.options import span_ns
from noonmark.proto.oscillators import CLASSES, OscillatorClass

USUAL_SPANS = ("10m", "1h", "6h", "24h", "7d")
STILL_NS = 60 * 10**9
"""A state that was told so lately is taken to last."""
LEARN_NS = 2 * 86_400 * 10**9
"""So much of what was seen before the loss is learned from."""
_SCALES = {"": 1.0, "%": 1e-2, "ppm": 1e-6, "ppb": 1e-9, "ppt": 1e-12}


@click.command(cls=ReadingCommand)
@click.argument("host", required=False)
@cli_options.reading_options
@click.option(
    "--oscillator",
    "kind",
    type=click.Choice([str(kind) for kind in OscillatorClass]),
    default="quartz",
    show_default=True,
    help="What keeps the clock; figures of each class come from published tables.",
)
@click.option("--budget", metavar="WHAT", help="When will it leave this? A span (100us) or a name such as trading.")
@click.option("--after", multiple=True, metavar="SPAN", help="Time since the loss to tell of; repeat for several.")
@click.option("--lost", metavar="T", help="When HOST lost its source; as it told itself, or now, if not given.")
@click.option("--frequency", metavar="F", help="Standard uncertainty of the frequency at the loss, such as 5ppb.")
@click.option("--temperature", metavar="F", help="Greatest change of the frequency with temperature.")
@click.option("--ageing", metavar="F", help="Greatest change of the frequency in a year.")
@click.option("--noise", metavar="F", help="Allan deviation at 1 s.")
@click.option("--offset", "offset_text", metavar="SPAN", help="Time error at the loss, positive ahead.")
@click.option("--uncertainty", metavar="SPAN", help="Its standard uncertainty.")
@click.option("--limit", metavar="SPAN", help="The error lies within so much of it.")
@click.option("--no-learning", is_flag=True, help="Take the class's figures even where HOST's own were seen.")
@cli_options.ends_well
def holdover(
    host: str | None,
    collector: str,
    history: str | None,
    timeout: float,
    as_json: bool,
    kind: str,
    budget: str | None,
    after: tuple[str, ...],
    lost: str | None,
    frequency: str | None,
    temperature: str | None,
    ageing: str | None,
    noise: str | None,
    offset_text: str | None,
    uncertainty: str | None,
    limit: str | None,
    no_learning: bool,
) -> bool:
    """How far a clock without its source may have wandered, when it leaves a budget, what a better one would buy.

    Without HOST it reckons from the options alone. With HOST it begins from what a collector or a history knows of that
    host at the loss, and takes its own stability, as seen in the two days before, in place of its class's noise. A
    clock that was steered shows its steering there: then use --no-learning.

    Exit code 1: the budget may be left already. 3: nothing is known of HOST, or nobody answers.
    """
    budget_ns = None if budget is None else _budget_ns(budget)
    spans = tuple(_seconds(text, "--after") for text in after or USUAL_SPANS)
    kept_by = CLASSES[OscillatorClass(kind)]
    kept_by = replace(
        kept_by,
        temperature=_fraction(temperature, "--temperature", kept_by.temperature),
        ageing_per_year=_fraction(ageing, "--ageing", kept_by.ageing_per_year),
        noise_at_1s=_fraction(noise, "--noise", kept_by.noise_at_1s),
    )
    steered = None if frequency is None else fraction(frequency, "--frequency")
    question = Question(kept_by, Beginning(), spans, budget_ns)
    if host is None:
        if history is not None or lost is not None:
            raise WrongUse("--history and --lost speak of a host: name it")
    else:
        with cli_options.opened(collector, history, timeout) as source:
            question = _of_host(source, host, lost, question, learn=not no_learning)
    question = replace(question, beginning=_overridden(question.beginning, offset_text, uncertainty, limit))
    if steered is not None:
        question = replace(question, oscillator=replace(question.oscillator, frequency_uncertainty=steered))
    if as_json:
        cli_options.print_json(holdover_json(question))
    else:
        click.echo("\n".join(holdover_lines(question, width=cli_options.width())))
    left = question.left_s()
    return left is None or left > (question.elapsed_s or 0.0)


def _budget_ns(text: str) -> int:
    try:
        return parse_budget(text).tolerance_ns
    except ValueError as error:
        raise WrongUse(f"--budget {text!r}: {error}") from error


def _seconds(text: str, option: str) -> float:
    return cli_options.span_of(text, option) / 1e9


def _fraction(text: str | None, option: str, usual: float) -> float:
    return usual if text is None else fraction(text, option)


def fraction(text: str, option: str) -> float:
    """A fraction of the frequency: 5ppb, 0.1ppm, 1e-9. Raises WrongUse."""
    match = re.fullmatch(r"(\d+\.?\d*(?:[eE][+-]?\d+)?|\.\d+(?:[eE][+-]?\d+)?)\s*(ppm|ppb|ppt|%)?", text.strip())
    if not match or not (value := float(match[1]) * _SCALES[match[2] or ""]) <= 1e-2:
        raise WrongUse(f"{option} {text!r}: use a fraction up to 0.01, such as 5ppb, 0.1ppm or 1e-9")
    return value


def _overridden(start: Beginning, offset: str | None, uncertainty: str | None, limit: str | None) -> Beginning:
    values: dict[str, float] = {}
    for name, text in (("offset_ns", offset), ("uncertainty_ns", uncertainty), ("limit_ns", limit)):
        if text is None:
            continue
        try:
            values[name] = float(span_ns(text))
        except ValueError as error:
            raise WrongUse(f"--{name.removesuffix('_ns')} {text!r}: {error}") from error
        if name != "offset_ns" and values[name] < 0:
            raise WrongUse(f"--{name.removesuffix('_ns')} {text!r}: use a span that is not negative")
    return replace(start, **values)


def _of_host(source: Source, host: str, lost: str | None, question: Question, *, learn: bool) -> Question:
    """The question with what is known of a host at the moment of the loss."""
    lost_ns = cli_options.moment(lost, source, "--lost")
    if lost is None:
        lost_ns = _told_lost(source, host)
    moment, first_ns = lost_ns, source.span().first_ns
    if lost is None and moment is not None and first_ns is not None:
        # What was without its source before anything was kept is known from then on.
        moment = max(moment, first_ns)
    view = source.fleet(moment)
    found = next((one for one in view.hosts if one.host == host), None)
    if found is None or found.offset_ns is None or found.uncertainty_ns is None:
        told = source.offset(host, None, view.at_ns)
        raise NoAnswer(told.reason if not told.known else f"{host} was not known at that moment")
    limits = None
    if found.lower_ns is not None and found.upper_ns is not None:
        limits = float(max(found.offset_ns - found.lower_ns, found.upper_ns - found.offset_ns))
    drift_uncertainty = found.drift_uncertainty or 0.0
    beginning = Beginning(float(found.offset_ns), float(found.uncertainty_ns), limits, found.drift or 0.0)
    kept_by = question.oscillator
    if math.isfinite(drift_uncertainty):
        kept_by = with_learned_frequency(kept_by, drift_uncertainty)
    elapsed_s = None
    if lost_ns is not None:
        now_ns = source.span().now_ns or source.span().last_ns or lost_ns
        elapsed_s = max(0, now_ns - lost_ns) / 1e9
    learned = _learn(source, host, view.at_ns) if learn else None
    return replace(question, host=host, oscillator=kept_by, beginning=beginning, elapsed_s=elapsed_s, learned=learned)


def _told_lost(source: Source, host: str) -> int | None:
    """When a reference that is without its source now lost it, as it told; None if it has it, or told nothing."""
    now_ns = source.span().now_ns or source.span().last_ns
    if now_ns is None:
        return None
    told_ns = None
    for finding in source.findings(now_ns - STILL_NS, now_ns, host):
        ended_ns = finding.at_ns + round(finding.evidence.get("lasted_s", 0.0) * 1e9)
        if finding.kind == "reference-state" and finding.host == host and ended_ns >= now_ns - STILL_NS:
            told_ns = finding.at_ns if told_ns is None else max(told_ns, finding.at_ns)
    return told_ns


def _learn(source: Source, host: str, until_ns: int) -> Learned | None:
    """What was seen of the host's stability before; None where that was too little, or on a plain install."""
    try:
        from noonmark.collector.cli_stability import fetch
        from noonmark.collector.stability_series import stability
    except ModuleNotFoundError:
        return None
    span = source.span()
    if span.first_ns is None or span.first_ns >= until_ns:
        return None
    points = fetch(source, host, None, max(span.first_ns, until_ns - LEARN_NS), until_ns)
    if len(points) < 30:
        return None
    found = stability(points).overlapping
    rows = [
        (tau, value)
        for tau, value, freedom in zip(found.tau_s.tolist(), found.upper.tolist(), found.freedom.tolist(), strict=True)
        if math.isfinite(value) and freedom >= 3 and value > 0
    ]
    observed_s = float(points.at_ns[-1] - points.at_ns[0]) / 1e9
    return Learned(observed_s, tuple(tau for tau, _ in rows), tuple(value for _, value in rows)) if rows else None

from __future__ import annotations

import json

import pytest
from builders import SECOND_NS, Host, build
from click.testing import CliRunner, Result
from query_server import serving

from noonmark.collector.budgets import Budget
from noonmark.collector.cli import main
from noonmark.collector.gate import Answer, explanation, wait_until_fit
from noonmark.collector.state import State
from noonmark.collector.views import PairView

MS = 10**6
BUDGET = Budget("1ms", MS)


def view(offset_ns: int, width_ns: int, *, known: bool = True) -> PairView:
    return PairView(
        "quay-gate-1", None, 0, known, "" if known else "too early", offset_ns, 1_000,
        offset_ns - width_ns, offset_ns + width_ns,
    )  # fmt: skip


class Waiting:
    """Answers in turn, one each asking; the clock moves by what is slept and by a second each asking."""

    def __init__(self, *answers: Answer) -> None:
        self.answers, self.now, self.lines = list(answers), 100.0, []  # type: ignore[var-annotated]

    def ask(self, limit: float) -> Answer:
        assert 1.0 <= limit <= 10.0
        self.now += 1.0
        return self.answers.pop(0) if len(self.answers) > 1 else self.answers[0]

    def sleep(self, seconds: float) -> None:
        self.now += seconds

    def run(self, *, timeout_s: float = 20.0, by_estimate: bool = False) -> tuple[bool, float]:
        passage = wait_until_fit(
            self.ask,
            BUDGET,
            by_estimate=by_estimate,
            timeout_s=timeout_s,
            every_s=1.0,
            monotonic=lambda: self.now,
            sleep=self.sleep,
            told=self.lines.append,
        )
        return passage.fit, passage.waited_s


def test_a_fit_host_passes_at_once() -> None:
    assert Waiting(Answer(view(0, MS))).run() == (True, 1.0)


def test_it_waits_through_silence_wide_limits_and_error() -> None:
    waiting = Waiting(
        Answer(None, "nobody there"), Answer(None, "nobody there"), Answer(view(0, 0, known=False)),
        Answer(view(0, 2 * MS)), Answer(view(5 * MS, 10)), Answer(view(0, 10)),
    )  # fmt: skip
    assert waiting.run() == (True, 11.0)
    assert len(waiting.lines) == 4, "each kind of answer is told once"


def test_its_time_is_up() -> None:
    fit, waited = Waiting(Answer(view(5 * MS, 10))).run(timeout_s=7.0)
    assert not fit
    assert 6.0 <= waited <= 7.0


def test_no_time_at_all_is_one_question() -> None:
    waiting = Waiting(Answer(view(5 * MS, 10)), Answer(view(0, 10)))
    assert waiting.run(timeout_s=0.0) == (False, 1.0)


def test_an_estimate_will_do_where_it_is_asked_for() -> None:
    assert Waiting(Answer(view(0, 2 * MS))).run(timeout_s=0.0)[0] is False
    assert Waiting(Answer(view(0, 2 * MS))).run(timeout_s=0.0, by_estimate=True)[0] is True


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (Answer(view(200_000, MS // 2)), "ahead, certain within -300 to +700 µs: within the budget of 1 ms"),
        (Answer(view(-5 * MS, 10)), "behind, certain within -5.000010 to -4.999990 ms: out of the budget of 1 ms"),
        (Answer(view(0, 2 * MS)), "the limits are too wide to show that it keeps the budget of 1 ms"),
        (Answer(view(0, 0, known=False)), "too early"),
    ],
)
def test_what_is_known_is_told_with_its_numbers(answer: Answer, words: str) -> None:
    assert words in explanation(BUDGET, answer, by_estimate=False)


def ask(address: str, *arguments: str) -> Result:
    return CliRunner().invoke(main, ["gate", "--collector", address, "--timeout", "0s", *arguments])


@pytest.mark.sockets
def test_the_command_tells_by_its_exit_code() -> None:
    state = State()
    state.publish(build([Host("quay-gate-1", 2 * MS, below_ns=100_000, above_ns=100_000)]))
    with serving(state) as address:
        fit = ask(address, "--host", "quay-gate-1", "--budget", "database")
        unfit = ask(address, "--host", "quay-gate-1", "--budget", "1ms", "--json")
        stranger = ask(address, "--host", "holm-gate-7", "--budget", "1ms")
    assert (fit.exit_code, unfit.exit_code, stranger.exit_code) == (0, 1, 3)
    assert "within the budget of 500 ms (database)." in fit.stdout
    document = json.loads(unfit.stdout)
    assert document["schema"] == "noonmark.gate/1"
    assert (document["fit"], document["answer"], document["budget_ns"]) == (False, "out", MS)
    assert document["offset_ns"] == pytest.approx(2 * MS, abs=SECOND_NS)
    assert "holm-gate-7" in stranger.stderr


@pytest.mark.sockets
def test_nobody_there_and_nonsense_are_other_exit_codes() -> None:
    nobody = ask("127.0.0.1:1", "--host", "a", "--budget", "1ms")
    assert nobody.exit_code == 3
    assert "no collector answers at 127.0.0.1:1" in nobody.stderr
    nonsense = ask("127.0.0.1:1", "--budget", "dinner")
    assert nonsense.exit_code == 2
    assert "dinner" in nonsense.stderr

"""What is told of each peer is of the last minute or two, whatever came before."""

from __future__ import annotations

from noonmark.agent.recent_losses import SPAN_NS, TELL_EVERY_NS, RecentLosses
from noonmark.agent.statistics import PeerStatistics
from noonmark.proto.control import PeerCounters

SECOND_NS = 10**9


def peers(sent: int, lost: int) -> dict[str, PeerStatistics]:
    return {"holm-gate-1": PeerStatistics(sent, sent - lost, lost)}


def test_a_loss_is_told_and_forgotten_again() -> None:
    losses = RecentLosses()
    lost, told = 0, {}
    for second in range(0, 600, 10):
        lost += 3 if 100 <= second < 130 else 0
        told[second] = losses.tell(peers(2 * second, lost), now=second * SECOND_NS)[0].lost
    assert [told[second] for second in (90, 100, 110, 120, 170)] == [0, 3, 6, 9, 9]
    assert not any(told[second] for second in range(130 + 2 * SPAN_NS // SECOND_NS, 600, 10))


def test_it_covers_one_to_two_spans() -> None:
    losses = RecentLosses()
    sent = [losses.tell(peers(second, 0), now=second * SECOND_NS)[0].sent for second in range(0, 1_000, 10)]
    span = SPAN_NS // SECOND_NS
    assert sent[: 2 * span // 10] == list(range(0, 2 * span, 10))
    assert {span <= one < 2 * span for one in sent[span // 10 :]} == {True}


def test_it_is_not_told_with_every_report() -> None:
    losses = RecentLosses()
    assert losses.tell(peers(1, 0), now=5)
    assert losses.tell(peers(2, 0), now=5 + TELL_EVERY_NS - 1) == ()
    assert losses.tell(peers(3, 0), now=5 + TELL_EVERY_NS) == (PeerCounters("holm-gate-1", 3, 0),)


def test_a_peer_that_came_back_is_counted_anew() -> None:
    losses = RecentLosses()
    for second in (0, 60, 120):
        losses.tell(peers(1_000 + second, 500), now=second * SECOND_NS)
    assert losses.tell(peers(4, 1), now=130 * SECOND_NS) == (PeerCounters("holm-gate-1", 4, 1),)


def test_a_loss_found_after_the_mark_is_never_more_than_was_sent() -> None:
    losses = RecentLosses()
    for second in (0, 60, 120):
        losses.tell(peers(100, 0), now=second * SECOND_NS)
    assert losses.tell(peers(101, 2), now=130 * SECOND_NS) == (PeerCounters("holm-gate-1", 1, 1),)

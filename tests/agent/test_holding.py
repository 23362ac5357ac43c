from __future__ import annotations

from noonmark.agent.holding import ExactDeparture, Held, Holding, Sent, Shelf
from noonmark.proto.records import StampSource

KERNEL, USER = StampSource.KERNEL, StampSource.USER


def held(t3_ns: int = 300, epoch: int = 5) -> Held:
    sent = Sent("quay", True, 100, KERNEL, 1)
    return Held(sent, 200, t3_ns, 400, KERNEL, USER, KERNEL, epoch)


def exact(sequence: int, t3_ns: int = 310, epoch: int = 5) -> ExactDeparture:
    return ExactDeparture(sequence, t3_ns, KERNEL, epoch)


def test_follow_up_completes_its_record() -> None:
    holding, shelf = Holding(1000), Shelf()
    holding.hold(shelf, 7, held(), now=0)
    assert holding.take_records() == []
    holding.follow_up(shelf, exact(7))
    (record,) = holding.take_records()
    assert (record.t3_ns, record.stamped_by) == (310, (KERNEL, KERNEL, KERNEL, KERNEL))
    assert holding.next_deadline() is None


def test_later_exact_t1_is_in_the_record() -> None:
    holding, shelf, waiting = Holding(1000), Shelf(), held()
    waiting.sent.t1_ns, waiting.sent.t1_by = 90, USER
    holding.hold(shelf, 7, waiting, now=0)
    waiting.sent.t1_ns, waiting.sent.t1_by = 101, KERNEL
    holding.follow_up(shelf, exact(7))
    assert holding.take_records()[0].t1_ns == 101
    assert holding.missing_transmit_stamps == 0


def test_follow_up_of_a_later_reply_lets_the_earlier_go_as_they_are() -> None:
    holding, shelf = Holding(1000), Shelf()
    for sequence in (6, 7, 8):
        holding.hold(shelf, sequence, held(t3_ns=300 + sequence), now=0)
    holding.follow_up(shelf, exact(7, 320))
    assert [record.t3_ns for record in holding.take_records()] == [306, 320]
    assert list(shelf) == [8]
    assert holding.missing_follow_ups == 1


def test_order_holds_over_the_wrap_of_sequence_numbers() -> None:
    holding, shelf = Holding(1000), Shelf()
    holding.hold(shelf, 2**32 - 1, held(), now=0)
    holding.hold(shelf, 0, held(), now=0)
    holding.follow_up(shelf, exact(2**32 - 1))
    assert list(shelf) == [0]


def test_unbelievable_departures_are_not_used() -> None:
    for told in (exact(7, 299), exact(7, 300 + 10**11), exact(7, epoch=6)):
        holding, shelf = Holding(1000), Shelf()
        holding.hold(shelf, 7, held(), now=0)
        holding.follow_up(shelf, told)
        (record,) = holding.take_records()
        assert (record.t3_ns, record.stamped_by[2]) == (300, USER)


def test_waiting_ends() -> None:
    holding, shelf = Holding(1000), Shelf()
    holding.hold(shelf, 7, held(), now=5)
    holding.hold(shelf, 8, held(), now=6)
    assert holding.next_deadline() == 1005
    holding.expire(now=1004)
    assert holding.take_records() == []
    holding.expire(now=1005)
    assert len(holding.take_records()) == 1
    assert list(shelf) == [8]
    holding.follow_up(shelf, exact(7))  # too late for 7, too early for 8
    assert holding.take_records() == []
    holding.release_shelf(shelf)
    holding.expire(now=10_000)
    assert len(holding.take_records()) == 1
    assert holding.next_deadline() is None


def test_number_used_twice_pushes_the_older_out() -> None:
    holding, shelf = Holding(1000), Shelf()
    holding.hold(shelf, 7, held(t3_ns=300), now=0)
    holding.hold(shelf, 7, held(t3_ns=301), now=1)
    assert [record.t3_ns for record in holding.take_records()] == [300]
    assert shelf[7].t3_ns == 301

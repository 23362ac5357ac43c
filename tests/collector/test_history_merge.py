"""Two histories made one: nothing is lost, invented or made surer."""

from __future__ import annotations

from itertools import chain
from pathlib import Path

import numpy as np
from builders import SECOND_NS, START_NS
from click.testing import CliRunner
from courses import FERRY, TICK_NS, ticks

from noonmark.collector.cli_merge_history import merge_history
from noonmark.collector.estimate import FleetEstimate
from noonmark.collector.history import History, open_history
from noonmark.collector.history_merge import merge, only

LATER_NS = START_NS + 100 * TICK_NS


def filled(path: Path, *estimates: FleetEstimate) -> History:
    history = open_history(path)
    for estimate in estimates:
        assert history.append(estimate)
    return history


def test_a_gap_is_filled_from_the_stand_ins_history(tmp_path: Path) -> None:
    """The first collector was away from the 8th to the 20th tick; the second told then, at instants of its own."""
    everything = list(ticks(26))
    meanwhile = list(ticks(13, since_ns=START_NS + 7 * TICK_NS + 2 * SECOND_NS, seed=8))
    with (
        filled(tmp_path / "one", *everything[:8], *everything[20:]) as one,
        filled(tmp_path / "two", *meanwhile) as two,
    ):
        middle_ns = meanwhile[6].at_ns
        before = one.at("holm-db-1", middle_ns)
        told = merge(one, two)
        assert (told.added, told.known, told.too_old) == (13, 0, 0)
        after = one.at("holm-db-1", middle_ns)
        assert before.reason
        assert not after.reason
        assert after.upper_ns is not None
        assert after.lower_ns is not None
        row = meanwhile[6].index("holm-db-1")
        # As it was told then, to the fineness in which history keeps what is packed; limits only outwards.
        assert abs(after.offset_ns - int(meanwhile[6].offset_ns[row])) <= 350 / 64 + 1
        assert after.lower_ns <= meanwhile[6].lower_ns[row]
        assert after.upper_ns >= meanwhile[6].upper_ns[row]
        for clock in FERRY:
            for at_ns in one.instants(clock.name, START_NS, LATER_NS).tolist():
                pair = one.at(clock.name, at_ns)
                assert pair.lower_ns is not None
                assert pair.upper_ns is not None
                assert pair.lower_ns <= clock.error_ns(at_ns) <= pair.upper_ns
        again = merge(one, two)
        assert (again.added, again.known) == (0, 13)


def test_halves_of_a_scattered_fleet_come_together(tmp_path: Path) -> None:
    """Each collector heard another half at the same time; what neither heard is not told."""
    left, right = ("quay-ref", "quay-gate-1"), ("quay-ref", "holm-db-1", "skerry-berth-1")
    ours = [only(estimate, set(left)) for estimate in ticks(4)]
    theirs = [only(estimate, set(right)) for estimate in ticks(4, since_ns=START_NS + SECOND_NS, seed=9)]
    assert ours[0].hosts == left
    assert len(ours[0].paths.first) == 1
    with filled(tmp_path / "one", *ours) as one, filled(tmp_path / "two", *theirs) as two:
        assert merge(one, two).added == 4
        assert set(one.hosts()) == {clock.name for clock in FERRY}
        assert len(one.instants("quay-gate-1", START_NS, LATER_NS)) == 4
        assert len(one.instants("quay-ref", START_NS, LATER_NS)) == 8
        assert np.array_equal(
            one.instants("holm-db-1", START_NS, LATER_NS), np.array([estimate.at_ns for estimate in theirs])
        )


def test_only_keeps_paths_between_those_that_stay() -> None:
    (whole,) = ticks(1)
    assert only(whole, set(whole.hosts)) is whole
    part = only(whole, {"quay-gate-1", "holm-db-1", "skerry-berth-1"})
    ends = {(part.hosts[a], part.hosts[b]) for a, b in zip(part.paths.first, part.paths.second, strict=True)}
    assert ends == {
        pair
        for pair in (
            (whole.hosts[a], whole.hosts[b]) for a, b in zip(whole.paths.first, whole.paths.second, strict=True)
        )
        if "quay-ref" not in pair
    }
    assert part.references == ()
    for host in part.hosts:
        assert part.offset_ns[part.index(host)] == whole.offset_ns[whole.index(host)]


def test_the_command_tells_what_it_did_and_refuses_in_one_line(tmp_path: Path) -> None:
    one, two = tmp_path / "one.sqlite", tmp_path / "two.sqlite"
    filled(one, *ticks(3)).close()
    filled(two, *chain(ticks(3), ticks(2, since_ns=LATER_NS))).close()
    told = CliRunner().invoke(merge_history, [str(one), str(two)])
    assert (told.exit_code, told.output) == (0, f"{two}: 2 ticks added, 3 known already\n")
    told = CliRunner().invoke(merge_history, [str(one), str(tmp_path / "none")])
    assert told.exit_code == 2
    assert "no history was kept there" in told.output

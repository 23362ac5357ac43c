"""Records laid out path by path, against loops over single probes."""

from __future__ import annotations

import numpy as np
import pytest
from stamped import Clock, Roads, stamped, taken

from noonmark.collector import pairing as subject
from noonmark.collector.estimate import ProbeColumns
from noonmark.collector.pairing import NEVER, outer_stamps, pair_up, rough_paths

CLOCKS = [Clock(3_000_000, 5e-6), Clock(-700_000, -20e-6), Clock(0, 0.0), Clock(40 * 10**9, 80e-6)]
ASKED = [(0, 1), (1, 0), (2, 0), (3, 2), (1, 3)]
COLUMNS = ("source", "destination", "t1_ns", "t2_ns", "t3_ns", "t4_ns", "flags")


def fleet(seed: int = 0) -> ProbeColumns:
    probes = stamped(CLOCKS, ASKED, roads=Roads(30_000, 18_000, 9_000.0), exchanges=12, seed=seed)
    return taken(probes, np.random.default_rng(seed).permutation(len(probes)))


@pytest.fixture(autouse=True, params=[1, 7, 1_000])
def block(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(subject, "PROBES_A_BLOCK", request.param)


def test_probes_lie_path_by_path_in_the_order_they_came() -> None:
    came = fleet()
    probes, pairing = pair_up(came)
    ends = [sorted(pair) for pair in zip(came.source.tolist(), came.destination.tolist(), strict=True)]
    order = sorted(range(len(came)), key=lambda row: (ends[row], row))
    for name in COLUMNS:
        assert (getattr(probes, name) == getattr(came, name)[order]).all(), name
    assert list(zip(pairing.first.tolist(), pairing.second.tolist(), strict=True)) == [(0, 1), (0, 2), (1, 3), (2, 3)]
    assert pairing.probes.tolist() == [24, 12, 12, 12]
    for row in range(len(probes)):
        assert ends[order[row]] == [pairing.first[pairing.path[row]], pairing.second[pairing.path[row]]]
        assert pairing.forward[row] == (probes.source[row] == ends[order[row]][0])


def test_probes_that_lie_so_already_are_left_where_they_are() -> None:
    probes, pairing = pair_up(fleet())
    again, same = pair_up(probes)
    assert again is probes
    assert (same.starts == pairing.starts).all()


def test_too_many_hosts_for_one_number_are_sorted_all_the_same() -> None:
    came = fleet()
    names = np.broadcast_to(np.array("host"), 3_000_000_000)
    # So many hosts that two of their numbers and a row's do not fit 63 bits; only their count is looked at.
    many = ProbeColumns(names, *(getattr(came, name) for name in ProbeColumns.__dataclass_fields__ if name != "hosts"))  # type: ignore[arg-type]
    for name in COLUMNS:
        assert (getattr(pair_up(many)[0], name) == getattr(pair_up(came)[0], name)).all()


def test_blocks_are_whole_paths_and_cover_all() -> None:
    _, pairing = pair_up(fleet())
    blocks = pairing.blocks()
    assert [path for part in blocks for path in range(part.start, part.stop)] == list(range(len(pairing)))
    for part in blocks:
        rows, begins, own = pairing.of(part)
        assert rows == slice(pairing.starts[part.start], pairing.starts[part.stop])
        assert (begins + rows.start == pairing.starts[part]).all()
        assert (own + part.start == pairing.path[rows]).all()


def test_rough_path_is_the_quickest_exchange_of_either_direction() -> None:
    probes, pairing = pair_up(fleet(3))
    rough = rough_paths(probes, pairing)
    for path in range(len(pairing)):
        trips = []
        for row in np.flatnonzero(pairing.path == path):
            t1, t2, t3, t4 = (int(getattr(probes, name)[row]) for name in ("t1_ns", "t2_ns", "t3_ns", "t4_ns"))
            offset = ((t2 - t1) + (t3 - t4)) / 2
            trips.append(((t4 - t1) - (t3 - t2), offset if pairing.forward[row] else -offset))
        trip, offset = min(trips)
        assert rough.round_trip_ns[path] == trip
        assert abs(rough.difference_ns[path] - offset) <= 0.5


def test_outer_stamps_are_those_of_first_requests_and_last_replies() -> None:
    probes, pairing = pair_up(fleet(4))
    outer = outer_stamps(probes, pairing)
    for path in range(len(pairing)):
        own = pairing.path == path
        for asker, asked, received, replied in (
            (True, outer.first_asked, outer.first_received, outer.second_replied),
            (False, outer.second_asked, outer.second_received, outer.first_replied),
        ):
            rows = own & (pairing.forward == asker)
            assert asked[path] == min(probes.t1_ns[rows], default=NEVER)
            assert received[path] == max(probes.t4_ns[rows], default=NEVER)
            assert replied[path] == max(probes.t3_ns[rows], default=NEVER)

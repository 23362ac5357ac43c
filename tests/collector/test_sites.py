"""Which hosts are near each other, told from round trips."""

from __future__ import annotations

import numpy as np
import pytest
from stamped import all_pairs

from noonmark.collector.sites import find_sites, site_pairs


def mesh(site: list[int], near_ns: float, far_ns: float, seed: int = 0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    first, second = np.array(all_pairs(len(site))).T
    numbers = np.array(site)
    base = np.where(numbers[first] == numbers[second], near_ns, far_ns)
    return first, second, base * rng.uniform(0.8, 1.25, len(first))


@pytest.mark.parametrize("site", [[0, 0, 0, 1, 1, 1], [0, 1, 2, 0, 1, 2, 0, 1, 2], [0, 0, 0, 0, 0, 1, 1]])
def test_sites_far_apart_are_told_apart(site: list[int]) -> None:
    found = find_sites(len(site), *mesh(site, 20_000.0, 900_000.0))
    for a, b in all_pairs(len(site)):
        assert (found[a] == found[b]) == (site[a] == site[b])


@pytest.mark.parametrize(("near", "far"), [(20_000.0, 20_000.0), (20_000.0, 30_000.0)])
def test_hosts_of_one_kind_of_path_are_one_site(near: float, far: float) -> None:
    assert not find_sites(8, *mesh([0, 0, 0, 0, 1, 1, 1, 1], near, far)).any()


def test_few_paths_tell_no_sites() -> None:
    first, second = np.array([0, 1, 2]), np.array([1, 2, 3])
    assert not find_sites(4, first, second, np.array([1e4, 1e6, 1e4])).any()
    assert not find_sites(0, first[:0], second[:0], np.empty(0)).any()


def test_every_host_a_site_of_its_own_is_no_knowledge() -> None:
    # One near pair, all else far: sites would be nearly as many as hosts.
    assert not find_sites(6, *mesh([0, 0, 1, 2, 3, 4], 20_000.0, 900_000.0)).any()


def test_site_pairs_number_each_pair_of_sites_and_tell_the_direction() -> None:
    site = np.array([0, 0, 1, 2, 2])
    first, second = np.array(all_pairs(5)).T
    turned = np.arange(len(first)) % 2 == 1
    first, second = np.where(turned, second, first), np.where(turned, first, second)
    count, group, sign = site_pairs(site, first, second)
    assert count == 3
    seen: dict[frozenset[int], int] = {}
    for a, b, number, direction in zip(site[first], site[second], group, sign, strict=True):
        if a == b:
            assert (number, direction) == (-1, 0.0)
            continue
        assert seen.setdefault(frozenset((int(a), int(b))), int(number)) == number
        assert direction == (1.0 if b > a else -1.0)
    assert sorted(seen.values()) == [0, 1, 2]


def test_site_pairs_of_one_site_are_none() -> None:
    count, group, sign = site_pairs(np.zeros(3, np.int64), np.array([0, 1]), np.array([1, 2]))
    assert count == 0
    assert group.tolist() == [-1, -1]
    assert sign.tolist() == [0.0, 0.0]

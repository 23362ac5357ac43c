"""Whose name is whose, what was received already, and who is still there."""

from __future__ import annotations

import pytest

from noonmark.collector.directory import Directory, DirectorySettings, Full, NameTaken
from noonmark.proto.control import Endpoint, Hello


def hello(host: str = "quay", instance: int = 1, port: int = 1) -> Hello:
    return Hello(host, instance, endpoints=(Endpoint("127.0.0.1", port),))


def test_a_repeat_is_known_even_after_a_new_connection() -> None:
    directory = Directory()
    entry = directory.greet(hello(), now=0.0)
    assert [entry.is_new(number) for number in (1, 2, 2, 1, 3)] == [True, True, False, False, True]
    directory.gone("quay", 1, now=1.0)
    again = directory.greet(hello(), now=2.0)
    assert not again.is_new(3)
    assert again.is_new(4)


def test_a_restarted_agent_counts_from_one_again() -> None:
    directory = Directory()
    directory.greet(hello(), now=0.0).is_new(9)
    directory.gone("quay", 1, now=1.0)
    entry = directory.greet(hello(instance=2), now=2.0)
    assert entry.is_new(1)


def test_the_newest_agent_keeps_the_name_and_the_displaced_one_is_told() -> None:
    directory = Directory()
    directory.greet(hello(instance=1), now=0.0)
    directory.greet(hello(instance=2), now=1.0)
    with pytest.raises(NameTaken, match="'quay'"):
        directory.greet(hello(instance=1), now=2.0)
    directory.gone("quay", 1, now=3.0)
    entry = directory.get("quay")
    assert entry is not None
    assert (entry.connected, entry.hello.instance) == (True, 2)
    directory.gone("quay", 2, now=4.0)
    assert directory.greet(hello(instance=1), now=5.0).hello.instance == 1


def test_membership_changes_with_hosts_and_their_words_only() -> None:
    directory = Directory(DirectorySettings(leave_after=10.0, forget_after=100.0))
    directory.greet(hello("quay"), now=0.0)
    directory.greet(hello("holm"), now=0.0)
    before = directory.membership
    directory.gone("holm", 1, now=1.0)
    directory.greet(hello("holm"), now=2.0)
    directory.expire(now=50.0)
    assert directory.membership == before
    directory.greet(hello("holm", port=2), now=51.0)
    assert directory.membership == before + 1
    directory.gone("holm", 1, now=60.0)
    directory.expire(now=70.0)
    assert set(directory.members()) == {"quay", "holm"}
    directory.expire(now=71.0)
    assert set(directory.members()) == {"quay"}
    assert directory.membership == before + 2
    directory.expire(now=161.0)
    assert directory.get("holm") is None
    assert len(directory) == 1


def test_memory_of_instances_is_bounded() -> None:
    directory = Directory()
    for instance in range(1, 100):
        entry = directory.greet(hello(instance=instance), now=float(instance))
    assert len(entry.sequences) <= 5
    assert len(entry.displaced) <= 5


def test_no_more_hosts_than_may_be() -> None:
    directory = Directory(DirectorySettings(max_hosts=1))
    directory.greet(hello("quay"), now=0.0)
    directory.greet(hello("quay"), now=0.0)
    with pytest.raises(Full):
        directory.greet(hello("holm"), now=0.0)

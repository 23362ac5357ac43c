"""Keys of probes: whose they are, what they tell of others, and who is told when."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pytest
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.kdf.hkdf import HKDFExpand

from noonmark.collector.key_keeper import KeyKeeper
from noonmark.collector.probe_keys import ProbeKeyring
from noonmark.collector.probe_secret import kept_secret
from noonmark.proto import control
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.control import Endpoint, Hello, Plan, PlannedPeer, ProbeKey
from noonmark.proto.convert import BadMessage
from noonmark.proto.tls_files import TlsFileProblem

SECRET = bytes(range(32))
KEYRING = ProbeKeyring(SECRET, 100.0)
HOSTS = {name: Hello(name, number, probe_authentication="accept") for number, name in enumerate("abcd", 1)}
HOSTS["old"] = Hello("old", 9)
DAY = 86_400.0


def plan(*peers: str) -> Plan:
    return Plan(1, tuple(PlannedPeer(peer, Endpoint("127.0.0.9", 1), 10**9) for peer in peers))


def test_keys_are_hkdf_expand_of_their_purpose_under_the_secret() -> None:
    """RFC 5869 section 2.3, first block, by the cryptography library."""
    found = KEYRING.key(HOSTS["a"], "b", 3)
    purpose = (b"a", (1).to_bytes(8, "big"), b"b", (3).to_bytes(8, "big"))
    info = b"noonmark probe key 1" + b"".join(len(part).to_bytes(2, "big") + part for part in purpose)
    derived = HKDFExpand(algorithm=hashes.SHA512(), length=64, info=info).derive(SECRET)
    assert found.secret == derived[:32]
    assert found.session_id == 1 + int.from_bytes(derived[32:36], "big") % 65535


def test_every_pair_direction_process_and_generation_has_its_own() -> None:
    again = Hello("a", 77, probe_authentication="accept")
    keys = [
        KEYRING.key(HOSTS["a"], "b", 1),
        KEYRING.key(HOSTS["b"], "a", 1),
        KEYRING.key(HOSTS["a"], "c", 1),
        KEYRING.key(HOSTS["a"], "b", 2),
        KEYRING.key(again, "b", 1),
        ProbeKeyring(bytes(32), 100.0).key(HOSTS["a"], "b", 1),
        # Names that run into each other when written in a row.
        KEYRING.key(Hello("ab", 1), "c", 1),
        KEYRING.key(Hello("a", 1), "bc", 1),
    ]
    assert len({key.secret for key in keys}) == len(keys)
    assert all(1 <= key.session_id <= 65535 for key in keys)
    assert "secret" not in repr(keys[0])
    assert keys[0].secret.hex() not in repr(plan())


def test_a_host_gets_keys_of_its_own_pairs_only_and_of_the_near_generations() -> None:
    given = KEYRING.for_plan(plan("b", "old"), HOSTS["a"], HOSTS.get, 5)
    assert [bool(peer.secret) for peer in given.peers] == [True, False]
    known = KEYRING.for_reflector(HOSTS["b"], [HOSTS["a"], HOSTS["old"]], 5)
    assert {key.asker for key in known} == {"a"}
    assert {key.secret for key in known} == {KEYRING.key(HOSTS["a"], "b", near).secret for near in (4, 5, 6)}
    assert given.peers[0].secret in {key.secret for key in known}
    assert KEYRING.for_plan(plan("b"), HOSTS["old"], HOSTS.get, 5) == plan("b")
    assert KEYRING.for_reflector(HOSTS["old"], [HOSTS["a"]], 5) == ()


def test_generations_follow_the_clock_and_outlive_a_restart() -> None:
    assert KEYRING.generation(1_790_000_049.0) == KEYRING.generation(1_790_000_000.0)
    assert KEYRING.generation(1_790_000_100.0) == KEYRING.generation(1_790_000_000.0) + 1


def keeper() -> KeyKeeper:
    return KeyKeeper(KEYRING, HOSTS.get)


def told(due: dict[str, tuple[ProbeKey, ...]] | Iterable[str]) -> set[str]:
    return set(due)


def test_those_are_told_whose_askers_change() -> None:
    made = keeper()
    asks = {"a": ("b",), "b": ("a",), "c": ()}
    assert not made.follow(asks, 0.0)
    assert told(made.take_due(10)) == {"a", "b", "c"}
    assert not made.follow(asks, 50.0)
    assert told(made.take_due(10)) == set()
    made.follow({"a": ("b",), "b": ("a",), "c": ("b",)}, 50.0)
    due = made.take_due(10)
    assert {host: {key.asker for key in keys} for host, keys in due.items()} == {"b": {"a", "c"}}


def test_whoever_arrives_is_made_known_to_those_it_asks_first() -> None:
    made = keeper()
    made.follow({"a": ("b", "c"), "b": ("a",), "c": ("a",), "d": ("b",)}, 0.0)
    made.take_due(10)
    made.arrived("a")
    assert told(made.take_due(10)) == {"a", "b", "c"}


def test_a_new_generation_is_told_to_all_some_at_a_time_and_was_known_before() -> None:
    made = keeper()
    asks = {"a": ("b",), "b": ("a",)}
    made.follow(asks, 0.0)
    before = made.take_due(10)
    assert made.follow(asks, 100.0)
    assert not made.follow(asks, 101.0)
    new = made.keyed("a", plan("b")).peers[0]
    assert (new.secret, new.session_id) in {(key.secret, key.session_id) for key in before["b"]}
    first = made.take_due(1)
    second = made.take_due(1)
    assert told(first) | told(second) == {"a", "b"}
    assert len(first) == len(second) == 1


def test_messages_carry_keys_and_refuse_what_makes_no_sense() -> None:
    keyed = KEYRING.for_plan(plan("b"), HOSTS["a"], HOSTS.get, 5)
    assert control.plan_from_message(control.plan_to_message(keyed)) == keyed
    known = KEYRING.for_reflector(HOSTS["b"], [HOSTS["a"]], 5)
    assert control.keys_from_message(control.keys_to_message(known)) == known
    assert control.hello_from_message(control.hello_to_message(HOSTS["a"])) == HOSTS["a"]
    newer = control.hello_to_message(HOSTS["a"])
    newer.probe_authentication = 57  # type: ignore[assignment]
    assert control.hello_from_message(newer).probe_authentication == "off"
    for secret, session_id in ((bytes(15), 1), (bytes(65), 1), (bytes(32), 0), (bytes(32), 65536), (b"", 1)):
        with pytest.raises(BadMessage, match="a key of"):
            control.keys_from_message(pb.ProbeKeys(keys=[pb.ProbeKey(asker="a", key=secret, session_id=session_id)]))
        message = control.plan_to_message(plan("b"))
        message.peers[0].key, message.peers[0].session_id = secret, session_id
        with pytest.raises(BadMessage, match="plan: b: a key of"):
            control.plan_from_message(message)
    with pytest.raises(BadMessage, match="cannot name a host"):
        control.keys_from_message(pb.ProbeKeys(keys=[pb.ProbeKey(key=bytes(32), session_id=1)]))


def test_two_that_find_no_secret_together_keep_the_same_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Path, "exists", lambda self: False)
    path = tmp_path / "probe-secret"
    assert kept_secret(path) == kept_secret(path)
    assert [one.name for one in tmp_path.iterdir()] == ["probe-secret"]


def test_the_secret_is_kept_for_its_owner_alone(tmp_path: Path) -> None:
    path = tmp_path / "new" / "probe-secret"
    made = kept_secret(path)
    assert len(made) == 32
    assert kept_secret(path) == made
    assert path.stat().st_mode & 0o77 == 0
    assert kept_secret(None) != kept_secret(None)
    for wrong in ("", "abc", "00" * 31, "zz" * 32):
        path.write_text(wrong)
        with pytest.raises(TlsFileProblem, match="64 hexadecimal digits"):
            kept_secret(path)

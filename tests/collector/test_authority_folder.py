"""Tokens: one use, one name, one hour; and what the folder keeps of it all."""

from __future__ import annotations

import json
import os
import threading
from pathlib import Path

import pytest

from noonmark.agent.key_request import new_key_and_request
from noonmark.collector.access import Role, refusals
from noonmark.collector.authority import DAY, BadRequest, names_of
from noonmark.collector.authority_folder import AuthorityFolder, TokenRefused
from noonmark.proto import enrolment_token
from noonmark.proto.tls_files import TlsFileProblem, fingerprint, identity_files

NOW = 1_790_000_000.0
_, REQUEST = new_key_and_request("quay")


@pytest.fixture
def folder(tmp_path: Path) -> AuthorityFolder:
    return AuthorityFolder.make(tmp_path / "authority", ["127.0.0.1"], NOW)


def test_the_folder_is_for_its_owner_alone(folder: AuthorityFolder) -> None:
    assert folder.path.stat().st_mode & 0o77 == 0
    token, _ = folder.new_token("quay", Role.AGENT, NOW)
    folder.enrol(token.secret, "quay", REQUEST, NOW)
    for name in ("authority.key", "identity.pem", "issued"):
        assert (folder.path / name).stat().st_mode & 0o77 == 0, name
    assert identity_files(folder.path).read().key is not None


def test_there_is_no_second_authority_in_its_place(folder: AuthorityFolder) -> None:
    before = folder.fingerprint
    with pytest.raises(TlsFileProblem, match="there is an authority already"):
        AuthorityFolder.make(folder.path, ["127.0.0.1"], NOW)
    assert AuthorityFolder(folder.path).fingerprint == before
    with pytest.raises(TlsFileProblem, match="noonmark authority init"):
        AuthorityFolder(folder.path / "none")
    with pytest.raises(BadRequest, match="neither a DNS name"):
        AuthorityFolder.make(folder.path / "other", ["what is this"], NOW)
    assert not (folder.path / "other").exists()


def test_a_token_is_good_once_for_its_name_and_in_its_time(folder: AuthorityFolder) -> None:
    token, expires_s = folder.new_token("quay", Role.READER, NOW)
    assert expires_s == NOW + 3600
    for name, now_s in (("holm", NOW), ("QUAY", NOW)):
        with pytest.raises(TokenRefused, match="for another name"):
            folder.enrol(token.secret, name, REQUEST, now_s)
    with pytest.raises(BadRequest):
        folder.enrol(token.secret, "quay", b"nonsense", NOW)
    issued, role = folder.enrol(token.secret, "quay", REQUEST, NOW + 3599)
    assert role is Role.READER
    with pytest.raises(TokenRefused, match="not known"):
        folder.enrol(token.secret, "quay", REQUEST, NOW)
    late, expires_s = folder.new_token("quay", Role.AGENT, NOW)
    with pytest.raises(TokenRefused, match="expired"):
        folder.enrol(late.secret, "quay", REQUEST, expires_s)
    with pytest.raises(TokenRefused, match="not known"):
        folder.enrol(late.secret, "quay", REQUEST, NOW)
    rows = [json.loads(line) for line in (folder.path / "issued").read_text().splitlines()]
    assert [(row["name"], row["role"]) for row in rows] == [("127.0.0.1", "collector"), ("quay", "reader")]
    assert rows[1]["sha256"] == fingerprint(issued.pem)


def test_only_the_hash_of_a_token_is_kept(folder: AuthorityFolder) -> None:
    token, _ = folder.new_token("quay", Role.AGENT, NOW)
    kept = {path.name: path.read_text() for path in (folder.path / "tokens").iterdir()}
    assert list(kept) == [enrolment_token.hash_of(token.secret)]
    assert token.secret not in "".join(kept.values())
    assert enrolment_token.parse(str(token)) == token
    assert token.fingerprint == folder.fingerprint


def test_of_many_who_use_a_token_at_once_one_gets_a_certificate(folder: AuthorityFolder) -> None:
    token, _ = folder.new_token("quay", Role.AGENT, NOW)
    outcomes: list[str] = []
    barrier = threading.Barrier(8)

    def use() -> None:
        barrier.wait()
        try:
            folder.enrol(token.secret, "quay", REQUEST, NOW)
            outcomes.append("enrolled")
        except TokenRefused:
            outcomes.append("refused")

    threads = [threading.Thread(target=use) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(outcomes) == ["enrolled"] + ["refused"] * 7


@pytest.mark.parametrize("secret", ["", "x", "../authority.key", "a/b", "\x00", "é" * 50])
def test_a_made_up_secret_opens_nothing(folder: AuthorityFolder, secret: str) -> None:
    with pytest.raises(TokenRefused, match="not known"):
        folder.enrol(secret, "quay", REQUEST, NOW)


def test_waiting_tokens_are_told_and_dead_ones_removed(folder: AuthorityFolder) -> None:
    folder.new_token("late", Role.AGENT, NOW, lasts=7200)
    folder.new_token("soon", Role.READER, NOW, lasts=60)
    (folder.path / "tokens" / "stray").write_text("{")
    assert [token.name for token in folder.waiting(NOW)] == ["soon", "late"]
    assert [token.name for token in folder.waiting(NOW + 100)] == ["late"]
    assert len(list((folder.path / "tokens").iterdir())) == 2


def test_who_is_refused_cannot_enrol_until_admitted(folder: AuthorityFolder) -> None:
    folder.new_token("quay", Role.AGENT, NOW)
    folder.refuse("quay")
    folder.refuse("quay")
    assert folder.waiting(NOW) == []
    assert (folder.path / "refused").read_text() == "quay\n"
    token, _ = folder.new_token("quay", Role.AGENT, NOW)
    with pytest.raises(TokenRefused, match="not admitted"):
        folder.enrol(token.secret, "quay", REQUEST, NOW)
    assert folder.admit("quay")
    assert not folder.admit("quay")
    folder.enrol(token.secret, "quay", REQUEST, NOW)


def test_the_file_of_the_refused_is_read_as_the_collector_reads_it(folder: AuthorityFolder) -> None:
    refused = folder.path / "refused"
    refused.write_text("# last night\nquay  # stolen\nsha256:ABCD")
    token, _ = folder.new_token("quay", Role.AGENT, NOW)
    with pytest.raises(TokenRefused, match="not admitted"):
        folder.enrol(token.secret, "quay", REQUEST, NOW)
    folder.refuse("sha256:abcd")
    folder.refuse("holm#2")
    assert refused.read_text() == "# last night\nquay  # stolen\nsha256:ABCD\nholm#2\n"
    assert refusals(refused.read_text()) == {"quay", "sha256:abcd", "holm#2"}
    assert folder.admit("quay")
    assert folder.admit("SHA256:ABCD")
    assert not folder.admit("# last night")
    assert refused.read_text() == "# last night\nholm#2\n"
    for name in ("#quay", "quay #2", "quay\nholm", ""):
        with pytest.raises(BadRequest, match="cannot stand"):
            folder.refuse(name)


def test_a_used_token_stays_used_after_a_power_cut(folder: AuthorityFolder, monkeypatch: pytest.MonkeyPatch) -> None:
    token, _ = folder.new_token("quay", Role.AGENT, NOW)
    synced: list[tuple[str, int]] = []

    def fsync(number: int) -> None:
        synced.append((str(Path(f"/proc/self/fd/{number}").readlink()), len(list((folder.path / "tokens").iterdir()))))

    monkeypatch.setattr(os, "fsync", fsync)
    folder.enrol(token.secret, "quay", REQUEST, NOW)
    assert (str(folder.path / "tokens"), 0) in synced


def test_what_was_issued_is_told_also_after_a_power_cut(folder: AuthorityFolder) -> None:
    before = folder.issued()
    with (folder.path / "issued").open("a") as log:
        log.write('{"at_s": 17900')
    folder.renew("quay", Role.AGENT, REQUEST, NOW)
    folder.renew("holm", Role.AGENT, REQUEST, NOW)
    assert [row["name"] for row in folder.issued()[len(before) :]] == ["quay", "holm"]


def test_the_collectors_own_certificate_is_renewed_when_due_for_the_same_names(folder: AuthorityFolder) -> None:
    own = folder.path / "identity.pem"
    before = own.read_bytes()
    assert not folder.renew_collector(NOW + 10 * DAY)
    assert own.read_bytes() == before
    assert folder.renew_collector(NOW + 25 * DAY)
    assert names_of(own.read_bytes()) == ("127.0.0.1",)
    assert fingerprint(own.read_bytes()) != fingerprint(before)


@pytest.mark.parametrize(
    "text", ["", "noonmark-enrol", "other.a.b", "noonmark-enrol.!.!", "noonmark-enrol.YQ.YQ", "noonmark-enrol.a.b.c"]
)
def test_texts_that_are_no_token_are_told(text: str) -> None:
    with pytest.raises(ValueError, match="token"):
        enrolment_token.parse(text)

"""From a token to a certificate that renews itself: the real commands and the real service over loopback."""

from __future__ import annotations

import asyncio
import errno
import json
import random
import subprocess
import sys
import time
from pathlib import Path

import grpc
import grpc.aio
import pytest
from click.testing import CliRunner, Result
from secured import Agent, in_thread, on_loop, reporting, running, until

from noonmark.agent.enrolment import NotEnrolled, enrol, read_about, renew
from noonmark.agent.key_request import new_key_and_request
from noonmark.agent.renewal import RenewalWatch, is_due
from noonmark.collector import config as collector_config
from noonmark.collector import server as server_module
from noonmark.collector import tls_server, watched_file
from noonmark.collector.access import Role
from noonmark.collector.authority_folder import AuthorityFolder
from noonmark.collector.cli import main as noonmark
from noonmark.proto import enrolment_token
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.channels import credentials
from noonmark.proto.noonmark_pb2_grpc import EnrolmentStub
from noonmark.proto.options import HostPort, gather
from noonmark.proto.tls_files import fingerprint, identity_files

pytestmark = pytest.mark.sockets


@pytest.fixture
def folder(tmp_path: Path) -> AuthorityFolder:
    return AuthorityFolder.make(tmp_path / "authority", ["127.0.0.1"], time.time())


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tls_server, "LOOK_EVERY", 0.0)
    monkeypatch.setattr(watched_file, "LOOK_EVERY", 0.0)
    monkeypatch.setattr(server_module, "EXPIRE_EVERY", 0.05)
    monkeypatch.setattr(server_module, "REFRESH_EVERY", 0.05)


def settings(folder: AuthorityFolder) -> collector_config.CollectorConfig:
    given = {"listen": "127.0.0.1:0", "http": "off", "data": "off", "tick": "200ms", "window": "10s"}
    given |= {"authority": str(folder.path), "token_listen": "127.0.0.1:0"}
    merged = gather(collector_config.OPTIONS, flags=given, environment={}, prefix="X")
    return collector_config.build(merged, {}, Path("/nowhere"))


def command(*words: object, given: str = "") -> Result:
    return CliRunner().invoke(noonmark, [str(word) for word in words], input=given)


@on_loop
async def test_a_host_enrols_reports_and_renews_over_its_own_connection(
    folder: AuthorityFolder, tmp_path: Path
) -> None:
    own = tmp_path / "own"
    token = command("authority", "token", "--folder", folder.path, "quay").output
    async with running(settings(folder)) as server:
        door = f"127.0.0.1:{server.token_port}"
        words = ("enrol", "--collector", door, "--token-file", "-", "--name", "quay", "--folder", own)
        result = await in_thread(lambda: command(*words, given=token))
        assert result.exit_code == 0, result.output
        assert "agent quay has a certificate until" in result.output
        assert (own / "identity.pem").stat().st_mode & 0o77 == 0
        result = await in_thread(lambda: command(*words, given=token))
        assert result.exit_code == 2
        assert "not known: it was used already" in result.output
        files = identity_files(own)
        async with reporting(Agent("quay", server.port, files)) as agent:
            await until(lambda: agent.connected)
            before = own.joinpath("identity.pem").read_bytes()
            watch = RenewalWatch(own, [HostPort("127.0.0.1", server.port)], rng=random.Random(1))
            about = read_about(own)
            assert about is not None
            assert watch.expires_s() == about.expires_s
            assert await watch._renew()
            assert fingerprint(own.joinpath("identity.pem").read_bytes()) != fingerprint(before)

            def shown() -> str:
                streams = server.ingest._streams.values()
                return next((stream.identity.fingerprint for stream in streams if stream.identity), "")

            await until(lambda: shown() == fingerprint(own.joinpath("identity.pem").read_bytes()))
            assert agent.reporter.statistics().failures == 0
        rows = [json.loads(line) for line in (folder.path / "issued").read_text().splitlines()]
        assert [(row["name"], row["role"]) for row in rows[1:]] == [("quay", "agent")] * 2


@on_loop
async def test_a_reader_and_an_operator_enrol_too(folder: AuthorityFolder, tmp_path: Path) -> None:
    async with running(settings(folder)) as server:
        door = HostPort("127.0.0.1", server.token_port)
        for role in (Role.READER, Role.OPERATOR):
            token, _ = folder.new_token("anna", role, time.time())
            about = await in_thread(lambda token=token, role=role: enrol(door, token, "anna", tmp_path / role.value))
            assert about.role == role.value
            at = ("fleet", f"--collector=127.0.0.1:{server.port}", "--identity", tmp_path / role.value)
            result = await in_thread(lambda at=at: command(*at))
            assert "no estimate yet" in result.output
        words = ("enrol", "--renew", f"--collector=127.0.0.1:{server.port}", "--folder", tmp_path / "reader")
        result = await in_thread(lambda: command(*words))
        assert result.exit_code == 0, result.output
        operator = identity_files(tmp_path / "operator").read()
        reader = identity_files(tmp_path / "reader").read()
        async with grpc.aio.secure_channel(f"127.0.0.1:{server.port}", credentials(operator)) as channel:
            made = await EnrolmentStub(channel).Issue(pb.IssueRequest(name="holm"))
        token = enrolment_token.parse(made.token)
        about = await in_thread(lambda: enrol(door, token, "holm", tmp_path / "holm"))
        assert (about.name, about.role) == ("holm", "agent")
        async with grpc.aio.secure_channel(f"127.0.0.1:{server.port}", credentials(reader)) as channel:
            with pytest.raises(grpc.aio.AioRpcError, match="Issue is for operators"):
                await EnrolmentStub(channel).Issue(pb.IssueRequest(name="holm"))


@on_loop
async def test_an_impostor_learns_no_token(folder: AuthorityFolder, tmp_path: Path) -> None:
    """Between the host and its collector stands another collector, of another authority."""
    other = AuthorityFolder.make(tmp_path / "other", ["127.0.0.1"], time.time())
    token, _ = folder.new_token("quay", Role.AGENT, time.time())
    async with running(settings(other)) as impostor:
        with pytest.raises(NotEnrolled, match="not of the authority that made the token; nothing was told"):
            await in_thread(lambda: enrol(HostPort("127.0.0.1", impostor.token_port), token, "quay", tmp_path / "own"))
        assert impostor.access.counts() == {}
    assert not (tmp_path / "own" / "identity.pem").exists()
    # One who shows the authority's certificate in its chain, but holds no certificate of it, is not believed either.
    own = other.path / "identity.pem"
    own.write_bytes(own.read_bytes() + folder.authority.pem)
    async with running(settings(other)) as impostor:
        with pytest.raises(NotEnrolled, match=r"certificate|no collector answers"):
            await in_thread(lambda: enrol(HostPort("127.0.0.1", impostor.token_port), token, "quay", tmp_path / "own"))
        assert impostor.access.counts() == {}
    assert folder.waiting(time.time())


@on_loop
async def test_refusals_are_told_in_one_line_and_counted(
    folder: AuthorityFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    now_s = time.time()

    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    async with running(settings(folder)) as server:
        door = f"--collector=127.0.0.1:{server.token_port}"
        good, _ = folder.new_token("quay", Role.AGENT, now_s)
        spent = enrolment_token.EnrolmentToken(folder.fingerprint, enrolment_token.secret_of(bytes(32)))
        gone = f"--collector=127.0.0.1:{server.port}"
        for words, code, text in (
            ((door, "--token", good, "--name", "holm"), 2, "for another name than 'holm'"),
            ((door, "--token", spent), 2, "not known"),
            ((door, "--token", "rubbish"), 2, "no enrolment token"),
            ((door,), 2, "give one of --token"),
            ((door, "--token-file", "/none"), 2, "/none: No such file"),
            (("--collector=127.0.0.1:1", "--token", good), 3, "no collector answers at 127.0.0.1:1"),
            ((gone, "--token", good), 3, "--token-listen"),
            (("--collector=a:b:c", "--token", good), 2, "use HOST:PORT"),
            ((door, "--renew", "--token", good), 2, "takes no token"),
            ((door, "--renew"), 2, "authority.pem: cannot be read"),
        ):
            result = await in_thread(lambda words=words: command("enrol", "--folder", tmp_path / "x", *words))
            assert (result.exit_code, result.output.count("\n")) == (code, 1), result.output
            assert text in result.output
        assert server.access.counts()["enrolment-token"] == 2
        long = pb.EnrolRequest(token=good.secret, name="quay", request=bytes(20_000))
        root = grpc.ssl_channel_credentials(folder.authority.pem)
        async with grpc.aio.secure_channel(f"127.0.0.1:{server.token_port}", root) as channel:
            stub = EnrolmentStub(channel)
            for request, words in ((long, "longer than"), (pb.EnrolRequest(name=""), "cannot name a host")):
                with pytest.raises(grpc.aio.AioRpcError, match=words):
                    await stub.Enrol(request)
            with pytest.raises(grpc.aio.AioRpcError, match="show a certificate"):
                await stub.Renew(pb.RenewRequest(request=b"x"))
            with monkeypatch.context() as disk:
                disk.setattr(AuthorityFolder, "_note", full)
                request = pb.EnrolRequest(token=good.secret, name="quay", request=new_key_and_request("quay")[1])
                with pytest.raises(grpc.aio.AioRpcError, match="see the collector's log") as failed:
                    await stub.Enrol(request)
            assert failed.value.code() is grpc.StatusCode.INTERNAL


@on_loop
async def test_one_who_is_refused_cannot_renew(folder: AuthorityFolder, tmp_path: Path) -> None:
    async with running(settings(folder)) as server:
        token, _ = folder.new_token("quay", Role.AGENT, time.time())
        await in_thread(lambda: enrol(HostPort("127.0.0.1", server.token_port), token, "quay", tmp_path / "own"))
        assert command("authority", "refuse", "--folder", folder.path, "quay").exit_code == 0
        with pytest.raises(NotEnrolled, match="not admitted any more"):
            await in_thread(lambda: renew([HostPort("127.0.0.1", server.port)], tmp_path / "own"))
        watch = RenewalWatch(tmp_path / "own", [HostPort("127.0.0.1", server.port)], rng=random.Random(1))
        assert not await watch._renew()
        assert (watch.renewals, watch.failures) == (0, 1)
        assert command("authority", "admit", "--folder", folder.path, "quay").exit_code == 0
        await in_thread(lambda: renew([HostPort("127.0.0.1", 1), HostPort("127.0.0.1", server.port)], tmp_path / "own"))


def test_a_renewal_is_due_by_the_part_of_its_life_and_never_by_a_clock_before_it() -> None:
    assert not is_due(1000.0, 2000.0, 1600.0, 0.65)
    assert is_due(1000.0, 2000.0, 1650.0, 0.65)
    assert not is_due(1000.0, 2000.0, 0.0, 0.65)


@on_loop
async def test_the_watch_waits_until_it_is_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("noonmark.agent.renewal.LOOK_EVERY", 0.001)
    now = [1000.0]
    watch = RenewalWatch(tmp_path, [], rng=random.Random(1), wall_s=lambda: now[0])
    asked: list[float] = []

    async def renewed() -> bool:
        asked.append(now[0])
        (tmp_path / "identity.json").write_text(json.dumps({"issued_s": now[0], "expires_s": now[0] + 100}))
        return True

    monkeypatch.setattr(watch, "_renew", renewed)
    task = asyncio.create_task(watch.run())
    await asyncio.sleep(0.02)
    assert asked == []
    (tmp_path / "identity.json").write_text(json.dumps({"issued_s": 1000.0, "expires_s": 1100.0}))
    await asyncio.sleep(0.02)
    assert asked == []
    now[0] = 1070.0
    await until(lambda: asked)
    await asyncio.sleep(0.02)
    assert asked == [1070.0]
    task.cancel()


@on_loop
async def test_a_renewal_without_a_child_process_fails_and_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("noonmark.agent.renewal.AGAIN_AFTER", 0.001)
    monkeypatch.setattr(sys, "executable", str(tmp_path / "gone"))
    (tmp_path / "identity.json").write_text(json.dumps({"issued_s": 0.0, "expires_s": 1.0}))
    watch = RenewalWatch(tmp_path, [], rng=random.Random(1), wall_s=lambda: 5.0)
    task = asyncio.create_task(watch.run())
    await until(lambda: watch.failures > 1 or task.done())
    assert not task.done()
    task.cancel()


@on_loop
async def test_a_renewal_loads_nothing_from_the_folder_it_runs_in(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "json.py").write_text("open('was-loaded', 'w')\n")
    monkeypatch.chdir(tmp_path)
    await RenewalWatch(tmp_path, [], rng=random.Random(1))._renew()
    assert not (tmp_path / "was-loaded").exists()


@on_loop
async def test_an_answer_that_would_lock_the_host_out_changes_nothing(
    folder: AuthorityFolder, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    own = tmp_path / "own"
    async with running(settings(folder)) as server:
        token, _ = folder.new_token("quay", Role.AGENT, time.time())
        await in_thread(lambda: enrol(HostPort("127.0.0.1", server.token_port), token, "quay", own))
        before = {path.name: path.read_bytes() for path in own.iterdir()}
        _, anothers = new_key_and_request("quay")
        renewed = folder.renew
        monkeypatch.setattr(
            AuthorityFolder, "renew", lambda self, name, role, _, now_s: renewed(name, role, anothers, now_s)
        )
        with pytest.raises(NotEnrolled, match="nothing was changed"):
            await in_thread(lambda: renew([HostPort("127.0.0.1", server.port)], own))
    assert {path.name: path.read_bytes() for path in own.iterdir()} == before


def test_the_commands_of_an_authority(tmp_path: Path) -> None:
    folder = ("--folder", tmp_path / "a")
    result = command("authority", "init", *folder, "--name", "collector.example", "--name", "192.0.2.7")
    assert result.exit_code == 0
    assert f"noonmark collector --authority {tmp_path / 'a'}" in result.output
    for words, text in (
        (("init", *folder, "--name", "x"), "there is an authority already"),
        (("token", *folder, "a,b"), "cannot name a host"),
        (("token", *folder, "quay", "--valid", "-1h"), "no length of time"),
        (("token", *folder, "quay", "--valid", "0s"), "above zero"),
        (("collector", *folder, "no such name"), "neither a DNS name nor an address"),
        (("list", "--folder", tmp_path / "none"), "noonmark authority init"),
        (("admit", *folder, "quay"), "is not refused"),
    ):
        result = command("authority", *words)
        assert (result.exit_code, result.output.count("\n")) == (2, 1), result.output
        assert text in result.output
    assert command("authority", "token", *folder, "quay").exit_code == 0
    second = command("authority", "collector", *folder, "standby.example", "--into", tmp_path / "b")
    assert str(tmp_path / "b" / "identity.pem") in second.output
    lines = command("authority", "list", *folder).output.splitlines()
    assert [line.split()[:3] for line in lines] == [
        ["certificate", "collector", "collector.example"],
        ["token", "agent", "quay"],
    ]
    rows = [json.loads(line) for line in command("authority", "list", *folder, "--json").output.splitlines()]
    assert {row["kind"] for row in rows} == {"certificate", "token"}


def test_a_readers_token_is_shown_once_and_replaced(tmp_path: Path) -> None:
    file = tmp_path / "tokens"
    first = command("token", "board", "--file", file).output.strip()
    command("token", "other", "--file", file)
    again = command("token", "board", "--file", file).output.strip()
    assert first != again
    text = file.read_text()
    assert [line.split()[0] for line in text.splitlines()] == ["other", "board"]
    assert first not in text
    assert file.stat().st_mode & 0o77 == 0
    for name in ("two words", ""):
        assert command("token", name, "--file", file).exit_code == 2
    file.write_text("nonsense\n")
    result = command("token", "board", "--file", file)
    assert result.exit_code == 2
    assert "line 1" in result.output


def test_a_running_agent_never_loads_what_makes_keys() -> None:
    """It would stay in every host's memory."""
    code = (
        "import sys, noonmark.agent.program, noonmark.agent.renewal; "
        "print([m for m in ('cryptography', 'ssl', 'noonmark.agent.enrolment') if sys.modules.get(m)])"
    )
    code = "import sys; sys.modules['ssl'] = None; " + code
    told = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=30)
    assert told.stdout == "[]\n"

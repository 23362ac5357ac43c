"""Mutual TLS end to end, on real gRPC over loopback: who gets in, as whom, and what becomes of renewals."""

from __future__ import annotations

import asyncio
import shutil
import socket
import ssl
from collections.abc import Callable
from pathlib import Path
from typing import Any

import grpc
import grpc.aio
import pytest
from certificates import CLIENT, SERVER, Maker
from click.testing import CliRunner, Result
from grpc_health.v1 import health_pb2, health_pb2_grpc
from secured import Agent, in_thread, look_at_once, on_loop, reporting, running, settings, until

from noonmark.collector import reader_tokens
from noonmark.collector import server as server_module
from noonmark.collector.cli import main as noonmark
from noonmark.collector.query_client import QueryClient
from noonmark.collector.query_errors import NoData, Refused
from noonmark.collector.server import CollectorServer
from noonmark.proto import noonmark_pb2 as pb
from noonmark.proto.channels import Security, credentials
from noonmark.proto.noonmark_pb2_grpc import QueryStub, ReportsStub
from noonmark.proto.options import HostPort
from noonmark.proto.tls_files import TlsFileProblem, TlsFiles, fingerprint

pytestmark = pytest.mark.sockets


@pytest.fixture
def fleet(tmp_path: Path) -> Maker:
    return Maker(tmp_path / "fleet")


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look at files at once, and at connections often."""
    look_at_once(monkeypatch)
    monkeypatch.setattr(server_module, "REFRESH_EVERY", 0.05)


def hosts(server: CollectorServer) -> list[str]:
    return [entry.hello.host for entry in server.directory]


def ask(port: int, security: Security, question: Callable[[QueryClient], Any], host: str = "127.0.0.1") -> Any:
    with QueryClient(f"{host}:{port}", timeout_seconds=5, security=security) as client:
        return question(client)


# --- reports


@on_loop
async def test_records_come_over_tls_and_the_host_is_the_certificates(fleet: Maker) -> None:
    async with running(settings(fleet.collector())) as server:
        async with reporting(Agent("quay", server.port, fleet.agent("quay"))) as agent:
            agent.measure(1, 2, 3)
            await until(lambda: agent.spool.statistics().records_acknowledged == 3)
            assert hosts(server) == ["quay"]
        assert server.ingest.statistics().names_refused == 0


@on_loop
async def test_a_host_that_claims_to_be_another_is_refused_and_counted(fleet: Maker) -> None:
    async with running(settings(fleet.collector())) as server:
        async with reporting(Agent("holm", server.port, fleet.agent("quay"))) as agent:
            await until(lambda: "not of host 'holm'" in agent.failure)
            assert "agent quay" in agent.failure
        assert hosts(server) == []
        assert server.ingest.statistics().names_refused >= 1


@on_loop
async def test_a_readers_certificate_reports_nothing(fleet: Maker) -> None:
    async with running(settings(fleet.collector())) as server:
        async with reporting(Agent("anna", server.port, fleet.reader("anna"))) as agent:
            await until(lambda: "Report is for agents" in agent.failure)
        assert hosts(server) == []
        assert server.access.counts()["wrong-role"] >= 1


@on_loop
async def test_without_a_certificate_of_the_authority_nobody_gets_in(fleet: Maker, tmp_path: Path) -> None:
    stranger = Maker(tmp_path / "strange", "stranger").agent("quay")
    assert stranger.certificate is not None
    forged = TlsFiles(fleet.authority, stranger.certificate, stranger.key)
    expired = fleet.agent("quay", "old", days=(-3.0, -1.0))
    server_only = fleet.agent("quay", "server", usage=(SERVER,))
    async with running(settings(fleet.collector())) as server:
        for files in (forged, expired, server_only, TlsFiles(fleet.authority)):
            async with reporting(Agent("quay", server.port, files)) as agent:
                await until(lambda agent=agent: agent.failure)
                assert not agent.connected
        assert hosts(server) == []
        async with grpc.aio.insecure_channel(f"127.0.0.1:{server.port}") as plain:
            with pytest.raises(grpc.aio.AioRpcError):
                await QueryStub(plain).Span(pb.SpanRequest())


@on_loop
async def test_an_agent_trusts_no_collector_but_its_own_authoritys(fleet: Maker, tmp_path: Path) -> None:
    strange = Maker(tmp_path / "strange", "stranger")
    quay = fleet.agent("quay")
    impostors = {
        "strange authority": strange.collector(),
        "another name": fleet.collector("elsewhere", addresses=("192.0.2.1",), dns=("elsewhere",)),
        "an agent's certificate": fleet.make("posing", addresses=("127.0.0.1",), usage=(CLIENT,)),
        "expired": fleet.collector("old", days=(-3.0, -1.0)),
    }
    for what, files in impostors.items():
        async with running(settings(files)) as server, reporting(Agent("quay", server.port, quay)) as agent:
            await until(lambda agent=agent: agent.failure)
            assert not agent.connected, what
            assert "its certificate is not of the authority" in agent.failure, what
            assert hosts(server) == [], what


@on_loop
async def test_the_collectors_name_may_be_another_than_its_address(fleet: Maker) -> None:
    files = fleet.collector(addresses=(), dns=("collector.ferry.example",))
    async with (
        running(settings(files)) as server,
        reporting(Agent("quay", server.port, fleet.agent("quay"), name="collector.ferry.example")) as agent,
    ):
        await until(lambda: agent.connected)


@on_loop
async def test_tls_1_2_is_refused_by_both_ends(fleet: Maker) -> None:
    """Against Python's own TLS, which offers what it is told to."""
    quay = fleet.agent("quay")
    assert quay.certificate is not None

    def offer(port: int, highest: ssl.TLSVersion) -> str:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.load_verify_locations(quay.authority)
        context.load_cert_chain(quay.certificate, quay.key)  # type: ignore[arg-type]
        context.set_alpn_protocols(["h2"])
        context.maximum_version = highest
        with socket.create_connection(("127.0.0.1", port), 5) as plain:
            try:
                with context.wrap_socket(plain, server_hostname="127.0.0.1") as secured:
                    return str(secured.version())
            except OSError:
                return "refused"

    reader = fleet.reader()
    tokens = fleet.folder / "tokens"
    tokens.write_text("")
    flags = {"reader_tokens": str(tokens), "token_listen": "127.0.0.1:0"}
    async with running(settings(fleet.collector(), **flags)) as server:
        for port in (server.port, server.token_port):
            assert await in_thread(lambda port=port: offer(port, ssl.TLSVersion.TLSv1_2)) == "refused"
            assert await in_thread(lambda port=port: offer(port, ssl.TLSVersion.TLSv1_3)) == "TLSv1.3"

    old = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    files = fleet.collector()
    old.load_cert_chain(files.certificate, files.key)  # type: ignore[arg-type]
    old.set_alpn_protocols(["h2"])
    old.maximum_version = ssl.TLSVersion.TLSv1_2
    spoken: list[str] = []
    listening = await asyncio.start_server(
        lambda reader, writer: spoken.append(str(writer.get_extra_info("ssl_object").version())),
        "127.0.0.1",
        0,
        ssl=old,
    )
    port = listening.sockets[0].getsockname()[1]
    async with reporting(Agent("quay", port, quay)) as agent:
        await until(lambda: agent.failure)
    with pytest.raises(Exception, match="no collector answers"):
        await in_thread(lambda: ask(port, Security(reader), lambda client: client.span()))
    assert spoken == []
    listening.close()


# --- renewal


@on_loop
async def test_a_renewed_certificate_is_shown_without_a_restart_by_either_end(fleet: Maker) -> None:
    files = fleet.collector()
    quay = fleet.agent("quay")

    def shown_by_agent() -> str:
        return next(stream.identity.fingerprint for stream in server.ingest._streams.values() if stream.identity)

    def shown_by_server() -> str:
        return fingerprint(ssl.get_server_certificate(("127.0.0.1", server.token_port)).encode())

    tokens = fleet.folder / "tokens"
    tokens.write_text("")
    flags = {"reader_tokens": str(tokens), "token_listen": "127.0.0.1:0"}
    async with running(settings(files, **flags)) as server, reporting(Agent("quay", server.port, quay)) as agent:
        await until(lambda: server.ingest._streams)
        agents, servers = shown_by_agent(), await in_thread(shown_by_server)
        fleet.agent("quay")
        await until(lambda: server.ingest._streams and shown_by_agent() != agents)
        assert agent.reporter.statistics().failures == 0
        fleet.collector()
        renewed = await in_thread(shown_by_server)
        assert renewed != servers
        # Nonsense in their place changes nothing, and ends nothing.
        assert files.certificate is not None
        files.certificate.write_text("half a certif")
        assert await in_thread(shown_by_server) == renewed
        agent.measure(1)
        await until(lambda: agent.spool.statistics().records_acknowledged == 1)


@on_loop
async def test_a_new_authority_takes_the_place_of_the_old_without_a_restart(fleet: Maker, tmp_path: Path) -> None:
    files, quay = fleet.collector(), fleet.agent("quay")
    async with running(settings(files)) as server:
        async with reporting(Agent("quay", server.port, quay)) as agent:
            await until(lambda: agent.connected)
        successor = Maker(tmp_path / "next", "successor")
        moved = successor.collector()
        late = successor.agent("quay")
        for old, new in (
            (files.certificate, moved.certificate),
            (files.key, moved.key),
            (files.authority, moved.authority),
        ):
            shutil.copy(new, old)  # type: ignore[arg-type]
        async with reporting(Agent("quay", server.port, late)) as agent:
            await until(lambda: agent.connected)


@on_loop
async def test_a_connection_ends_when_its_certificate_expires_or_is_refused(fleet: Maker) -> None:
    refused = fleet.folder / "refused"
    brief = fleet.agent("holm", days=(-1.0, 1.2 / 86_400))
    async with running(settings(fleet.collector(), refused=str(refused))) as server:
        quay = fleet.agent("quay")
        async with (
            reporting(Agent("quay", server.port, quay)) as agent,
            reporting(Agent("holm", server.port, brief)) as leaving,
        ):
            await until(lambda: agent.connected and leaving.connected)
            await until(lambda: "agent holm has expired" in leaving.failure)
            assert agent.connected
            refused.write_text("# stolen last night\nquay\n")
            await until(lambda: "agent quay is not admitted any more" in agent.failure)
            await until(lambda: server.access.counts().get("refused"))
            refused.write_text("")
            await until(lambda: agent.connected)
            assert quay.certificate is not None
            refused.write_text(f"sha256:{fingerprint(quay.certificate.read_bytes()).upper()}\n")
            await until(lambda: not agent.connected)
            fleet.agent("quay")
            await until(lambda: agent.connected)


# --- questions


@on_loop
async def test_questions_are_for_readers_and_of_its_own_clock_for_an_agent(fleet: Maker) -> None:
    async with running(settings(fleet.collector())) as server:

        async def answer(files: TlsFiles, question: Callable[[QueryClient], Any]) -> Any:
            return await in_thread(lambda: ask(server.port, Security(files), question))

        for files in (fleet.reader(), fleet.reader("olga", "operator")):
            assert (await answer(files, lambda client: client.span())).hosts == ()
        quay = fleet.agent("quay")
        with pytest.raises(Refused, match="Span is for readers; this is agent quay"):
            await answer(quay, lambda client: client.span())
        with pytest.raises(Refused, match="Offset is for readers"):
            await answer(quay, lambda client: client.offset("holm"))
        with pytest.raises(Refused, match="Offset is for readers"):
            await answer(quay, lambda client: client.offset("quay", "holm"))
        with pytest.raises(NoData, match="no estimate yet"):
            await answer(quay, lambda client: client.offset("quay"))
        with pytest.raises(Refused, match="names no host and no reader"):
            await answer(fleet.make("odd", uri="noonmark:captain:x"), lambda client: client.span())
        async with grpc.aio.secure_channel(f"127.0.0.1:{server.port}", credentials(quay.read())) as channel:
            await health_pb2_grpc.HealthStub(channel).Check(health_pb2.HealthCheckRequest())
            with pytest.raises(grpc.aio.AioRpcError) as error:
                await anext(aiter(QueryStub(channel).Others(pb.OffsetRequest(a="quay"))))
            assert error.value.code() is grpc.StatusCode.PERMISSION_DENIED


@on_loop
async def test_certificates_without_our_uri_are_agents_or_what_settings_say(fleet: Maker) -> None:
    host = fleet.make("host", dns=("quay", "quay.ferry.example"), usage=(CLIENT, SERVER))
    board = fleet.make("board", dns=("board.ferry.example",))
    async with running(settings(fleet.collector(), reader=("board.ferry.example",))) as server:
        async with reporting(Agent("quay.ferry.example", server.port, host)) as agent:
            await until(lambda: agent.connected)
        await in_thread(lambda: ask(server.port, Security(board), lambda client: client.span()))
        async with reporting(Agent("board.ferry.example", server.port, board)) as agent:
            await until(lambda: "Report is for agents" in agent.failure)


@on_loop
async def test_a_readers_token_reads_and_only_reads(fleet: Maker, tmp_path: Path) -> None:
    tokens, kept = tmp_path / "tokens", tmp_path / "token"
    token = reader_tokens.new_token()
    tokens.write_text(f"# readers\n{reader_tokens.line_of('dashboard', token)}\n")
    kept.write_text(f"{token}\n")
    assert token not in tokens.read_text()
    flags = {"reader_tokens": str(tokens), "token_listen": "127.0.0.1:0"}
    async with running(settings(fleet.collector(), **flags)) as server:
        security = Security(TlsFiles(fleet.authority), token_file=kept)

        def span() -> Any:
            return ask(server.token_port, security, lambda client: client.span())

        await in_thread(span)
        async with grpc.aio.secure_channel(
            f"127.0.0.1:{server.token_port}", grpc.ssl_channel_credentials(fleet.authority.read_bytes())
        ) as channel:
            for metadata, words in (
                ((), "show a certificate"),
                ((("authorization", "Bearer wrong"),), "not known here"),
                ((("authorization", f"Bearer {token}"),), "Report is for agents"),
            ):
                call = ReportsStub(channel).Report(metadata=metadata)
                with pytest.raises(grpc.aio.AioRpcError, match=words):
                    await call.read()
        tokens.write_text("# nobody\n")
        with pytest.raises(Refused, match="not known here"):
            await in_thread(span)
        tokens.write_text("not a line of tokens at all\n")
        with pytest.raises(Refused, match="not known here"):
            await in_thread(span)
        assert server.access.counts()["wrong-token"] >= 3


def test_a_token_is_never_sent_in_the_clear_and_nothing_leaves_the_host_plain(tmp_path: Path) -> None:
    kept = tmp_path / "token"
    kept.write_text("abc\n")
    with pytest.raises(Refused, match="over TLS only"):
        QueryClient("127.0.0.1:1", security=Security(token_file=kept))
    with pytest.raises(Refused, match=r"192.0.2.7: without TLS only a collector on this host"):
        QueryClient("192.0.2.7:18621")
    with pytest.raises(TlsFileProblem, match="without TLS"):
        Agent("quay", 1, None, address="quay").reporter._channel(HostPort("quay", 1))


def command(*words: str) -> Result:
    return CliRunner().invoke(noonmark, words)


@on_loop
async def test_the_reading_commands_take_certificates_and_tokens(fleet: Maker, tmp_path: Path) -> None:
    reader = fleet.reader()
    folder = tmp_path / "mine"
    folder.mkdir()
    shutil.copy(fleet.authority, folder / "authority.pem")
    assert reader.certificate is not None
    assert reader.key is not None
    (folder / "identity.pem").write_bytes(reader.key.read_bytes() + reader.certificate.read_bytes())
    async with running(settings(fleet.collector())) as server:
        at = f"--collector=127.0.0.1:{server.port}"
        for words in (
            ("--identity", str(folder)),
            (
                f"--tls-authority={reader.authority}",
                f"--tls-certificate={reader.certificate}",
                f"--tls-key={reader.key}",
            ),
        ):
            result = await in_thread(lambda words=words: command("fleet", at, *words))
            assert (result.exit_code, result.output) == (
                3,
                "Error: no estimate yet: the collector is waiting for the probes of two hosts or more\n",
            )
        for words, code, text in (
            ((), 3, f"no collector answers at 127.0.0.1:{server.port}"),
            (("--tls-certificate=a",), 2, "needs --tls-authority"),
            (("--identity=/none",), 2, "/none/authority.pem: cannot be read"),
            ((f"--tls-authority={reader.authority}",), 3, "over TLS 1.3 to this certificate or token"),
        ):
            result = await in_thread(lambda words=words: command("fleet", at, "--timeout=5", *words))
            assert result.exit_code == code, result.output
            assert text in result.output
        result = await in_thread(lambda: command("fleet", "--collector=192.0.2.7:18621"))
        assert result.exit_code == 2
        assert "--plaintext-beyond-loopback" in result.output
        gate = ("gate", at, "--budget=1ms", "--timeout=0s", "--host=quay", "--identity", str(folder))
        result = await in_thread(lambda: command(*gate))
        assert result.exit_code == 3
        assert "no estimate yet" in result.output

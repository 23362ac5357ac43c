"""Pages and metrics over TLS and HTTP on loopback: who may read them, and renewed certificates."""

from __future__ import annotations

import asyncio
import base64
import http.client
import shutil
import ssl
import time
import urllib.error
import urllib.request
from pathlib import Path

import pytest
from certificates import SERVER, Maker
from cryptography.hazmat.primitives.asymmetric import rsa
from prometheus_client.parser import text_string_to_metric_families
from secured import LIMIT, in_thread, look_at_once, on_loop, running, settings, until

from noonmark.agent.pages import PageServer, keep_renewed, tls_context
from noonmark.collector import reader_tokens
from noonmark.proto.options import HostPort
from noonmark.proto.tls_files import TlsFileProblem, TlsFiles

pytestmark = pytest.mark.sockets


@pytest.fixture
def fleet(tmp_path: Path) -> Maker:
    return Maker(tmp_path / "fleet")


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Look at files at once."""
    look_at_once(monkeypatch)


def fetch(url: str, files: TlsFiles | None, header: str = "", highest: ssl.TLSVersion | None = None) -> int:
    context = None
    if files is not None:
        context = ssl.create_default_context(cafile=str(files.authority))
        if files.certificate is not None:
            context.load_cert_chain(files.certificate, files.key)
        if highest is not None:
            context.maximum_version = highest
    request = urllib.request.Request(url, headers={"Authorization": header} if header else {})
    try:
        with urllib.request.urlopen(request, timeout=LIMIT, context=context) as answer:
            return int(answer.status)
    except urllib.error.HTTPError as error:
        with error:
            return error.code


@on_loop
async def test_pages_beyond_the_host_need_tls_and_a_reader(fleet: Maker, tmp_path: Path) -> None:
    tokens, token = tmp_path / "tokens", reader_tokens.new_token()
    tokens.write_text(reader_tokens.line_of("board", token))
    basic = base64.b64encode(f"anyone:{token}".encode()).decode()
    flags = {
        "http": "0.0.0.0:0",
        "reader_tokens": str(tokens),
        "token_listen": "127.0.0.1:0",
        "refused": str(tmp_path / "r"),
    }
    files = fleet.collector()
    async with running(settings(files, **flags)) as server:
        site = f"https://127.0.0.1:{server.http_port}"
        stranger, reader, quay = TlsFiles(fleet.authority), fleet.reader(), fleet.agent("quay")

        async def status(path: str, files: TlsFiles, header: str = "") -> int:
            return int(await in_thread(lambda: fetch(site + path, files, header)))

        for path in ("/", "/livez", "/main.js"):
            assert await status(path, stranger) == 200
        for path, found in (("/metrics", 200), ("/api/v1/openapi.json", 200), ("/api/v1/fleet", 503)):
            assert await status(path, stranger) == 401
            assert await status(path, stranger, "Bearer nonsense") == 401
            assert await status(path, stranger, "Basic nonsense") == 401
            assert await status(path, quay) == 403
            assert await status(path, reader) == found
            assert await status(path, stranger, f"Bearer {token}") == found
            assert await status(path, stranger, f"Basic {basic}") == found
        for path in ("/%6Detrics", "//metrics", "/./metrics", "/x/../metrics", "/api%2Fv1/fleet", "/%61pi/v1/fleet"):
            assert await status(path, stranger) in (400, 401, 404), path
        (tmp_path / "r").write_text("anna\n")
        assert await status("/metrics", reader) == 403
        with pytest.raises(OSError, match=r"(?i)alert|version|unsupported|eof"):
            await in_thread(lambda: fetch(site + "/livez", stranger, highest=ssl.TLSVersion.TLSv1_2))
        with pytest.raises(OSError, match=r"(?i)closed|reset|invalid|illegal"):
            await in_thread(lambda: fetch(site.replace("https", "http") + "/livez", None))
        before = await in_thread(lambda: ssl.get_server_certificate(("127.0.0.1", server.http_port)))
        fleet.collector()
        await until(lambda: server.tls is not None and server.tls._shown == 1)
        assert await in_thread(lambda: ssl.get_server_certificate(("127.0.0.1", server.http_port))) != before


@on_loop
async def test_a_connection_that_stays_open_reads_no_longer_than_its_certificate_lasts(fleet: Maker) -> None:
    async with running(settings(fleet.collector(), http="0.0.0.0:0")) as server:
        reader = fleet.reader()
        context = ssl.create_default_context(cafile=str(fleet.authority))
        context.load_cert_chain(str(reader.certificate), str(reader.key))
        kept = http.client.HTTPSConnection("127.0.0.1", server.http_port, timeout=LIMIT, context=context)

        def status() -> int:
            kept.request("GET", "/metrics")
            with kept.getresponse() as answer:
                answer.read()
                return answer.status

        assert await in_thread(status) == 200
        held = kept.sock
        server.access._wall_s = lambda: time.time() + 31 * 86_400
        assert await in_thread(status) == 403
        assert kept.sock is held
        kept.close()


@on_loop
async def test_an_authority_that_was_replaced_is_not_believed_any_more(fleet: Maker, tmp_path: Path) -> None:
    files = fleet.collector()
    fleet.authority.write_bytes("# Fähre, seit 2026\n".encode() + fleet.authority.read_bytes())
    old_reader, old_authority = fleet.reader(), tmp_path / "old.pem"
    shutil.copy(fleet.authority, old_authority)
    old = TlsFiles(old_authority, old_reader.certificate, old_reader.key)
    async with running(settings(files, http="0.0.0.0:0")) as server:
        site = f"https://127.0.0.1:{server.http_port}/metrics"
        assert await in_thread(lambda: fetch(site, old)) == 200
        successor = Maker(tmp_path / "next", "successor")
        moved, new = successor.collector(), successor.reader()
        for held, other in zip(
            (files.certificate, files.key, files.authority),
            (moved.certificate, moved.key, moved.authority),
            strict=True,
        ):
            shutil.copy(other, held)  # type: ignore[arg-type]
        await until(lambda: server.tls is not None and server.tls._shown == 1)
        assert await in_thread(lambda: fetch(site, new)) == 200
        with pytest.raises(OSError, match=r"(?i)unknown ca|alert|eof|reset|closed"):
            await in_thread(lambda: fetch(site, TlsFiles(moved.authority, old.certificate, old.key)))


@on_loop
async def test_a_renewal_that_the_tls_library_does_not_take_leaves_the_old_one(
    fleet: Maker, caplog: pytest.LogCaptureFixture
) -> None:
    files = fleet.collector()
    async with running(settings(files, http="0.0.0.0:0")) as server:
        weak = rsa.generate_private_key(65537, 1024)
        fleet.collector(key=weak)
        await until(lambda: "does not take" in caplog.text)
        await asyncio.sleep(0.05)
        assert caplog.text.count("does not take") == 1
        before = await in_thread(
            lambda: fetch(f"https://127.0.0.1:{server.http_port}/livez", TlsFiles(fleet.authority))
        )
        assert before == 200


@on_loop
async def test_pages_within_the_host_are_open_until_there_are_tokens(fleet: Maker, tmp_path: Path) -> None:
    async with running(settings(fleet.collector(), http="127.0.0.1:0")) as server:
        text = await in_thread(
            lambda: (
                urllib.request.urlopen(f"http://127.0.0.1:{server.http_port}/metrics", timeout=LIMIT).read().decode()
            )
        )
        names = {sample.name for family in text_string_to_metric_families(text) for sample in family.samples}
        assert "noonmark_collector_certificate_expiry_timestamp_seconds" in names
        assert "noonmark_ingest_names_refused_total" in names
    tokens, token = tmp_path / "tokens", reader_tokens.new_token()
    tokens.write_text(reader_tokens.line_of("board", token))
    async with running(settings(None, http="127.0.0.1:0", reader_tokens=str(tokens))) as server:
        site = f"http://127.0.0.1:{server.http_port}"
        assert await in_thread(lambda: fetch(f"{site}/metrics", None)) == 401
        assert await in_thread(lambda: fetch(f"{site}/metrics", None, f"Bearer {token}")) == 200
        assert await in_thread(lambda: fetch(f"{site}/livez", None)) == 200


@on_loop
async def test_an_agents_metrics_over_tls_and_renewed(fleet: Maker) -> None:
    files = fleet.make("metrics", addresses=("127.0.0.1",), usage=(SERVER,))
    assert files.certificate is not None
    assert files.key is not None
    context = tls_context(files.certificate, files.key)
    task = asyncio.create_task(keep_renewed(context, files.certificate, files.key, every=0.01))
    pages = PageServer(lambda: pytest.fail("no metrics were asked for"))
    await pages.start(HostPort("127.0.0.1", 0), files.certificate, files.key)
    assert await in_thread(lambda: fetch(f"https://127.0.0.1:{pages.port}/livez", TlsFiles(fleet.authority))) == 200
    with pytest.raises(OSError, match=r"(?i)alert|version|unsupported|eof"):
        await in_thread(
            lambda: fetch(
                f"https://127.0.0.1:{pages.port}/livez", TlsFiles(fleet.authority), highest=ssl.TLSVersion.TLSv1_2
            )
        )
    listening = await asyncio.start_server(lambda reader, writer: writer.close(), "127.0.0.1", 0, ssl=context)
    port = listening.sockets[0].getsockname()[1]
    before = await in_thread(lambda: ssl.get_server_certificate(("127.0.0.1", port)))
    fleet.make("metrics", addresses=("127.0.0.1",), usage=(SERVER,))
    async with asyncio.timeout(LIMIT):
        while await in_thread(lambda: ssl.get_server_certificate(("127.0.0.1", port))) == before:
            await asyncio.sleep(0.02)
    task.cancel()
    pages.close()
    listening.close()
    with pytest.raises(TlsFileProblem, match="cannot be used"):
        tls_context(files.authority, files.key)

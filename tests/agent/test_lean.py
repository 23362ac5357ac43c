from __future__ import annotations

import subprocess
import sys

import pytest

from noonmark.agent.report import METHOD
from noonmark.proto import noonmark_pb2 as pb


@pytest.mark.processes
def test_agent_loads_neither_openssl_nor_what_few_hosts_need() -> None:
    code = (
        "import noonmark.agent.cli; from noonmark.agent import lean; lean.do_without_openssl(); "
        "import noonmark.agent.program, hashlib, hmac, sys; lean.settle(); "
        "print(hashlib.sha256(b'abc').hexdigest()); "
        "print(hmac.digest(b'Jefe', b'what do ya want for nothing?', 'sha256').hex()); "
        "print(*sorted(name for name, module in sys.modules.items() if module)); "
        "print(any('libcrypto' in line for line in open('/proc/self/maps')))"
    )
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    digest, code, modules, crypto = found.stdout.splitlines()
    # FIPS 180-4's example for SHA-256, and RFC 4231's test case 2 for HMAC-SHA-256.
    assert digest == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert code == "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
    assert crypto == "False"
    loaded = set(modules.split())
    assert not loaded & {"ssl", "_ssl", "_hashlib", "numpy", "noonmark.agent.nmea", "noonmark.agent.ntp_association"}


def test_report_method_is_the_service_s_own() -> None:
    service = pb.DESCRIPTOR.services_by_name["Reports"]
    assert f"/{service.full_name}/{service.methods_by_name['Report'].name}" == METHOD


@pytest.mark.processes
def test_code_that_was_let_go_comes_back_when_it_is_needed() -> None:
    program = """
import concurrent.futures, grpc, hashlib
from noonmark.agent.lean import let_go_of_code
def resident():
    return sum(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("RssFile"))
before = resident()
let_go_of_code()
after = resident()
port = grpc.server(concurrent.futures.ThreadPoolExecutor(1)).add_insecure_port("127.0.0.1:0")
print(before - after > 2000, port > 0, hashlib.sha256(b"").hexdigest()[:8])
"""
    told = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60)
    assert told.stdout.split() == ["True", "True", "e3b0c442"]

from __future__ import annotations

from typing import Any

import pytest

from noonmark.agent import config
from noonmark.agent.reference_config import Device, ReferenceConfig
from noonmark.agent.reference_places import Place
from noonmark.proto.options import ConfigError, HostPort, gather

SECOND_NS = 1_000_000_000


def settle(document: dict[str, Any] | None = None, **environment: str) -> ReferenceConfig:
    settings = gather(
        config.OPTIONS,
        flags={"collector": ("127.0.0.1",)},
        environment={f"NOONMARK_AGENT_{key.upper()}": value for key, value in environment.items()},
        prefix=config.PREFIX,
        document=document,
        document_name="agent.toml",
    )
    return config.build(settings, "quay").reference


def test_a_host_has_no_reference_unless_told() -> None:
    assert settle() == ReferenceConfig()
    assert not settle().sources


def test_the_table_of_the_file() -> None:
    table = {
        "nmea": ["serial:/dev/ttyS0@9600"],
        "nmea_delay": "120ms/30ms",
        "antenna": "moving",
        "pps": ["/dev/pps0:clear=200ns/2us", "/dev/pps1=1us"],
        "phc": "/dev/ptp0:utc",
        "ntp": ["harbour-time", "[::1]:4123"],
        "ntp_interval": "2min",
        "oscillator": "rubidium",
        "lock_after": "30s",
        "lose_after": "2s",
        "holdover": "12h",
        "leap_list": "/etc/leaps",
    }
    found = settle({"reference": table})
    assert found.nmea == (Place("serial", "/dev/ttyS0", 9600),)
    assert found.pps == (
        Device("/dev/pps0", (200, 2_000), "clear"),
        Device("/dev/pps1", (1_000, 5_000), "assert"),
    )
    assert found.phc == (Device("/dev/ptp0", (1_000, 5_000), "utc"),)
    assert found.ntp == (HostPort("harbour-time", 123), HostPort("::1", 4123))
    assert found.leap_list == "/etc/leaps"
    assert (found.receiver.delay_ns, found.receiver.delay_limit_ns) == (120_000_000, 30_000_000)
    assert not found.receiver.fixed_antenna
    assert found.asking.interval_ns == 120 * SECOND_NS
    states = found.states
    assert (states.lock_after_ns, states.lose_after_ns) == (30 * SECOND_NS, 2 * SECOND_NS)
    assert (states.longest_holdover_ns, states.oscillator.name) == (43_200 * SECOND_NS, "rubidium")


def test_the_environment_says_the_same() -> None:
    found = settle(reference_ntp="quay,holm:124", reference_pps="/dev/pps0=50ns")
    assert found.ntp == (HostPort("quay", 123), HostPort("holm", 124))
    assert found.pps[0].declared == (50, 250)
    assert str(found.pps[0]) == "/dev/pps0:assert=50ns/250ns"


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("pps", "pps0", "absolute PATH"),
        ("pps", "/dev/pps0:rising", "assert"),
        ("pps", "/dev/pps0=2us/1us", "not below"),
        ("phc", "/dev/ptp0=soon", "number and a unit"),
        ("nmea", "usb", "serial:DEVICE"),
        ("nmea_delay", "120ms", "MEAN/LIMIT"),
        ("nmea_delay", "120ms/0", "above zero"),
        ("ntp_interval", "1s", "16s to 36h"),
        ("oscillator", "pendulum", "quartz, tcxo"),
        ("anntena", "fixed", "did you mean reference_antenna"),
    ],
)
def test_what_cannot_be_used_is_refused_with_the_remedy(key: str, value: str, told: str) -> None:
    with pytest.raises(ConfigError, match=told):
        settle({"reference": {key: value}})

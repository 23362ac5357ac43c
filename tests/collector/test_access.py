"""Who may ask what: certificates' names, and every call there is."""

from __future__ import annotations

import pytest
from prometheus_client import CollectorRegistry

from noonmark.collector.access import CALLS, Identity, Need, Role, denial, identity
from noonmark.collector.access_control import AccessControl
from noonmark.collector.http_api import Api
from noonmark.collector.page import add_page
from noonmark.collector.state import State
from noonmark.collector.web import application
from noonmark.collector.web_access import GUARDED
from noonmark.proto import noonmark_pb2 as pb

AGENT = identity(["noonmark:agent:quay-gate-1"], [], [], pem=b"")
READER = Identity(("anna",), frozenset({Role.READER}))
OPERATOR = Identity(("olga",), frozenset({Role.OPERATOR}))
NOBODY = Identity((), frozenset())


def test_the_uri_tells_role_and_name_and_then_nothing_else_counts() -> None:
    found = identity(["noonmark:agent:quay-gate-1", "https://holm"], ["holm-db-1"], ["skerry"])
    assert (found.names, found.roles) == (("quay-gate-1",), frozenset({Role.AGENT}))
    assert identity(["noonmark:agent:quay%20gate%201"], [], []).names == ("quay gate 1",)
    assert identity(["noonmark:reader:anna"], ["quay-gate-1"], []).roles == frozenset({Role.READER})


def test_without_our_uri_names_are_dns_names_and_else_the_common_name() -> None:
    found = identity(["spiffe://ferry/quay"], ["quay-gate-1", "quay-gate-1.ferry.example"], ["x"])
    assert found.may_report_as("quay-gate-1")
    assert found.may_report_as("quay-gate-1.ferry.example")
    assert not found.may_report_as("x")
    assert identity([], [], ["holm-db-1"]).may_report_as("holm-db-1")


@pytest.mark.parametrize(
    "found",
    [
        identity([], ["*.ferry.example"], []),
        identity([], [], []),
        identity(["noonmark:agent:"], [], []),
        identity(["noonmark:operator:"], [], []),
        identity(["noonmark:reader:", "noonmark:agent:quay-gate-1"], [], []),
        identity(["noonmark:captain:quay"], ["quay"], []),
        identity(["noonmark:agent"], ["quay"], []),
        identity(["noonmark:agent:quay", "noonmark:operator:olga"], [], []),
    ],
)
def test_what_names_nobody_may_nothing(found: Identity) -> None:
    assert not any(found.may_report_as(name) for name in ("quay", "*.ferry.example", "", "olga"))
    assert denial("/noonmark.v1.Query/Fleet", found) is not None


def test_settings_name_readers_among_certificates_without_our_uri() -> None:
    found = identity([], ["dashboard.ferry.example"], [], readers={"dashboard.ferry.example"})
    assert found.roles == frozenset({Role.READER})
    assert not found.may_report_as("dashboard.ferry.example")
    assert identity([], ["a"], [], operators={"a"}).roles == frozenset({Role.OPERATOR})
    # A URI of ours is not overruled by a setting that was meant for others.
    assert identity(["noonmark:agent:quay"], ["a"], [], operators={"a"}).roles == frozenset({Role.AGENT})


def test_every_call_of_every_service_is_in_the_table() -> None:
    for service in pb.DESCRIPTOR.services_by_name.values():
        for method in service.methods:
            assert f"/{service.full_name}/{method.name}" in CALLS


def test_every_page_is_for_readers_but_the_health_checks_and_the_pages_own_files() -> None:
    app = application(CollectorRegistry(), str)
    Api(State()).add_to(app)
    add_page(app)
    paths = {route.resource.canonical for route in app.router.routes() if route.resource is not None}
    assert {path for path in paths if not path.startswith(GUARDED)} == {
        *("/", "/{name}"),
        *("/healthz", "/livez", "/readyz"),
    }


@pytest.mark.parametrize("method", CALLS)
def test_each_role_may_what_the_table_says(method: str) -> None:
    with_certificate = Identity(("quay",), frozenset({Role.AGENT}), "ab", b"pem")
    may = {
        "nobody": denial(method, None) is None,
        "agent": denial(method, with_certificate) is None,
        "reader": denial(method, READER) is None,
        "operator": denial(method, OPERATOR) is None,
    }
    reads = {"nobody": False, "agent": False, "reader": True, "operator": True}
    expected = {
        Need.NOTHING: dict.fromkeys(may, True),
        Need.CERTIFICATE: {"nobody": False, "agent": True, "reader": False, "operator": False},
        Need.AGENT: {"nobody": False, "agent": True, "reader": False, "operator": False},
        Need.READER: reads,
        Need.READER_OR_OWN: reads,
        Need.OPERATOR: {"nobody": False, "agent": False, "reader": False, "operator": True},
    }
    assert may == expected[CALLS[method]]


def test_an_agent_may_ask_how_its_own_clock_is_and_no_others() -> None:
    offset = "/noonmark.v1.Query/Offset"
    assert denial(offset, AGENT, own=("quay-gate-1",)) is None
    refused = denial(offset, AGENT, own=("holm-db-1",))
    assert refused is not None
    assert refused.known
    assert "quay-gate-1" in refused.text
    assert denial(offset, AGENT) is not None


def test_an_unknown_call_is_for_operators_only() -> None:
    assert denial("/noonmark.v1.Query/Later", READER) is not None
    assert denial("/noonmark.v1.Query/Later", OPERATOR) is None


def test_a_certificate_that_has_expired_meanwhile_is_not_welcome_and_is_not_read_again() -> None:
    now_s = [100.0]
    control = AccessControl(wall_s=lambda: now_s[0])
    who = Identity(("quay-gate-1",), frozenset({Role.AGENT}), certificate=b"not to be read", expires_s=100.0)
    assert control.unwelcome(who) == ""
    now_s[0] = 100.5
    assert "has expired" in control.unwelcome(who)
    assert control.unwelcome(READER) == "", "a token has no dates"


def test_nobody_is_told_apart_from_somebody_else() -> None:
    unknown, known = denial("/noonmark.v1.Query/Fleet", None), denial("/noonmark.v1.Query/Fleet", NOBODY)
    assert unknown is not None
    assert not unknown.known
    assert known is not None
    assert known.known

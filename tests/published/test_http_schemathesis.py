"""Every answer of the HTTP interface against its own OpenAPI description, with schemathesis making up the questions.

Checked by schemathesis: no 5xx, only documented statuses and content types, bodies as their JSON Schema has them, that
data which the description rules out is refused, and that other methods are. Left out is its check that all allowed data
is accepted, since a description cannot say that `since` lies before `until`, or which dates exist.
"""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import schemathesis
from http_server import web_serving
from hypothesis import HealthCheck, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi import checks
from simulated_fleet import lived, simulated_fleet

from noonmark.collector.budgets import BudgetRule, Budgets, parse_budget
from noonmark.collector.http_api import PREFIX, Api
from noonmark.collector.http_openapi import openapi
from noonmark.collector.state import State

pytestmark = pytest.mark.sockets
CHECKS = [
    not_a_server_error,
    checks.status_code_conformance,
    checks.content_type_conformance,
    checks.response_headers_conformance,
    checks.response_schema_conformance,
    checks.negative_data_rejection,
    checks.unsupported_method,
]
# The stream of updates does not end, which is what it is for; test_http_api.py reads it.
SCHEMA = schemathesis.openapi.from_dict(openapi()).exclude(path="/updates")


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    fleet, state = simulated_fleet(), State()
    budgets = Budgets((BudgetRule(parse_budget("1ms")),))
    with (
        lived(fleet, tmp_path_factory.mktemp("history"), state, tick_s=30.0) as history,
        web_serving(state, history, budgets) as site,
    ):
        yield site + PREFIX


@SCHEMA.parametrize()
@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.filter_too_much],
)
def test_answers_are_as_described(address: str, case: schemathesis.Case) -> None:
    case.call_and_validate(base_url=address, checks=CHECKS)


def test_every_route_is_described() -> None:
    assert {PREFIX + path for path in openapi()["paths"]} | {f"{PREFIX}/openapi.json"} == set(Api(State()).routes())

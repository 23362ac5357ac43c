"""The HTTP interface on loopback, over a fleet that was simulated and estimated by the real pipeline."""

from __future__ import annotations

import gzip
import http.client
import json
import threading
import urllib.request
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import pytest
from http_server import web_serving
from simulated_fleet import SimulatedFleet, lived, simulated_fleet

from noonmark.collector import http_api
from noonmark.collector.budgets import BudgetRule, Budgets, parse_budget
from noonmark.collector.estimate import FindingKind, Reference
from noonmark.collector.history import History, HistoryError
from noonmark.collector.http_answers import accepts_gzip
from noonmark.collector.state import State

pytestmark = pytest.mark.sockets
BUDGETS = Budgets((BudgetRule(parse_budget("1ms")), BudgetRule(parse_budget("gates:4ms"), "role", "ticket gate")))


@dataclass(frozen=True)
class Answer:
    status: int
    headers: Mapping[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


@dataclass
class Site:
    """A collector's site, what it was made of, and a plain client."""

    address: str
    fleet: SimulatedFleet
    state: State
    history: History

    def ask(self, path: str, method: str = "GET", **headers: str) -> Answer:
        return ask(self.address, path, method, **headers)


def ask(address: str, path: str, method: str = "GET", **headers: str) -> Answer:
    parts = urlsplit(address)
    connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=20)
    try:
        connection.request(method, path, headers={name.replace("_", "-"): value for name, value in headers.items()})
        reply = connection.getresponse()
        return Answer(reply.status, {name.lower(): value for name, value in reply.getheaders()}, reply.read())
    finally:
        connection.close()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    fleet, state = simulated_fleet(), State()
    with (
        lived(fleet, tmp_path_factory.mktemp("history"), state, tick_s=15.0) as history,
        web_serving(state, history, BUDGETS) as address,
    ):
        yield Site(address, fleet, state, history)


def test_the_fleet_is_the_latest_estimate_with_its_budgets(site: Site) -> None:
    latest = site.state.latest()
    assert latest is not None
    estimate, document = latest.estimate, site.ask("/api/v1/fleet").json

    told = {row["host"]: row for row in document["hosts"]}
    assert set(told) == set(estimate.hosts)
    for place, host in enumerate(estimate.hosts):
        assert told[host]["offset_ns"] == estimate.offset_ns[place]
        assert told[host]["zone"] == site.fleet.facts[host].zone
        expected = "gates" if "-gate-" in host else "1ms"
        assert told[host]["budget"]["name"] == expected
    assert document["sequence"] == latest.sequence
    assert sum(document["fitness"].values()) == len(estimate.hosts)
    assert document["hosts"][0]["budget"]["fitness"] == "out"


def test_a_past_fleet_is_told_as_it_was(site: Site) -> None:
    span = site.history.span()
    assert span is not None
    then = site.ask(f"/api/v1/fleet?at=@{span[0]}ns").json

    assert then["at_ns"] == span[0]
    assert then["sequence"] is None
    kept = site.history.estimate_at(span[0])
    assert kept is not None
    assert {row["host"]: row["offset_ns"] for row in then["hosts"]} == dict(
        zip(kept.hosts, kept.offset_ns.tolist(), strict=True)
    )


def test_a_limit_and_a_search_narrow_the_rows_but_not_the_counts(site: Site) -> None:
    document = site.ask("/api/v1/fleet?matching=booking&limit=2").json

    assert len(document["hosts"]) == 2
    assert document["matching"] == sum("booking" in host for host in site.fleet.probes.hosts)
    assert document["total"] == len(site.fleet.probes.hosts)


def test_a_pair_now_has_a_sentence_with_its_direction(site: Site) -> None:
    a, b = site.fleet.stepped, site.fleet.references[0].host
    document = site.ask(f"/api/v1/offset?a={a}&b={b}").json

    assert document["known"]
    assert document["sentence"].startswith(f"{a} is ahead of {b} by ")
    assert document["lower_ns"] <= document["offset_ns"] <= document["upper_ns"]


def test_an_unknown_host_is_an_answer_with_a_reason(site: Site) -> None:
    answer = site.ask("/api/v1/offset?a=quay-gate-77")

    assert answer.status == 200
    assert not answer.json["known"]
    assert answer.json["offset_ns"] is None
    assert "no host named quay-gate-77 is known; did you mean" in answer.json["reason"]
    assert site.ask("/api/v1/course?a=nobody").json["reason"].startswith("no host named nobody")


def test_a_course_holds_every_tick_and_the_step(site: Site) -> None:
    host = site.fleet.stepped
    document = site.ask(f"/api/v1/course?a={host}&since=-10m").json

    points = document["points"]
    assert document["ticks"] == len(points["at_ns"]) == 7
    assert not document["thinned"]
    assert points["offset_ns"][-1] - points["offset_ns"][0] == pytest.approx(5e6, rel=0.1)
    assert all(
        low <= offset <= high
        for low, offset, high in zip(points["lower_ns"], points["offset_ns"], points["upper_ns"], strict=True)
    )


def test_a_thinned_course_keeps_its_extremes(site: Site) -> None:
    host = site.fleet.stepped
    whole = site.ask(f"/api/v1/course?a={host}&since=-10m").json["points"]
    thinned = site.ask(f"/api/v1/course?a={host}&since=-10m&points=2").json

    assert thinned["thinned"]
    assert len(thinned["points"]["at_ns"]) <= 2
    assert min(thinned["points"]["lowest_ns"]) == min(whole["offset_ns"])
    assert max(thinned["points"]["highest_ns"]) == max(whole["offset_ns"])
    assert max(thinned["points"]["upper_ns"]) == max(whole["upper_ns"])


def test_a_pairs_course_is_the_difference(site: Site) -> None:
    a, b = site.fleet.stepped, "quay-booking-1"
    of_a, of_b, of_pair = (
        np.array(site.ask(f"/api/v1/course?since=-10m&{query}").json["points"]["offset_ns"])
        for query in (f"a={a}", f"a={b}", f"a={a}&b={b}")
    )

    assert (of_pair == of_a - of_b).all()


def test_the_step_is_found_and_told_with_its_host(site: Site) -> None:
    found = site.ask("/api/v1/findings?since=-10m").json["findings"]

    steps = [one for one in found if one["kind"] == FindingKind.STEP]
    assert [one["host"] for one in steps] == [site.fleet.stepped]
    assert steps[0]["size_ns"] == pytest.approx(5e6, rel=0.05)
    of_another = site.ask("/api/v1/findings?since=-10m&host=quay-reference-1").json["findings"]
    assert not [one for one in of_another if one["kind"] == FindingKind.STEP]


def test_paths_and_references_are_told(site: Site) -> None:
    paths = site.ask("/api/v1/paths").json
    references = site.ask("/api/v1/references").json

    assert len(paths["paths"]) == paths["total"] > 40
    assert {asker["host"] for asker in paths["askers"]} == {path["src"] for path in paths["paths"]}
    lost = [(path["sent"], path["lost"]) for path in paths["paths"]]
    assert set(lost) == {(120, 0), (120, 1), (120, 10)}
    assert lost.count((120, 10)) == 1
    (silent,) = paths["unanswered"]
    assert (silent["sent"], silent["lost"]) == (120, 120)
    assert not site.ask(f"/api/v1/paths?host={site.fleet.stepped}").json["unanswered"]
    assert site.ask(f"/api/v1/paths?host={silent['dst']}").json["unanswered"] == [silent]
    of_one = site.ask(f"/api/v1/paths?host={site.fleet.stepped}").json["paths"]
    assert of_one
    assert all(site.fleet.stepped in (path["src"], path["dst"]) for path in of_one)
    assert [row["host"] for row in references["references"]] == [one.host for one in site.fleet.references]
    assert {row["lock"] for row in references["references"]} == {"locked"}


def test_a_declared_reference_that_is_not_heard_is_told(site: Site) -> None:
    state = State()
    state.publish(site.state.latest().estimate, site.fleet.facts)
    declared = (*site.fleet.references, Reference("holm-reference-9", 60.0))
    with web_serving(state, references=declared) as address:
        with urllib.request.urlopen(f"{address}/api/v1/fleet") as reply:
            standing = json.load(reply)["reference_standing"]
        with urllib.request.urlopen(f"{address}/api/v1/references") as reply:
            rows = json.load(reply)["references"]

    assert standing["state"] == "doubtful"
    assert standing["text"].startswith("Not heard: holm-reference-9. 3 of 4 references are locked")
    assert (rows[-1]["host"], rows[-1]["measured"]) == ("holm-reference-9", None)
    of_all = site.ask("/api/v1/fleet").json["reference_standing"]
    assert of_all == {"state": "good", "text": "All 3 references are locked and agree."}
    assert site.ask("/api/v1/fleet?at=-30s").json["reference_standing"] is None


def test_time_is_two_stamps_in_their_order(site: Site) -> None:
    first, second = site.ask("/api/v1/time"), site.ask("/api/v1/time")

    assert first.headers["cache-control"] == "no-store"
    one, other = first.json, second.json
    assert one["received_ns"] <= one["sent_ns"] <= other["received_ns"] <= other["sent_ns"]
    assert one["lock"] == "locked"
    assert one["reference_uncertainty_ns"] == 60.0


def test_the_same_document_is_not_sent_twice(site: Site) -> None:
    first = site.ask("/api/v1/fleet")
    again = site.ask("/api/v1/fleet", If_None_Match=first.headers["etag"])

    assert again.status == 304
    assert again.body == b""
    assert again.headers["etag"] == first.headers["etag"]
    other = site.ask("/api/v1/fleet?limit=3", If_None_Match=first.headers["etag"])
    assert other.status == 200


def test_what_is_asked_for_compressed_comes_compressed(site: Site) -> None:
    plain = site.ask("/api/v1/fleet", Accept_Encoding="identity")
    packed = site.ask("/api/v1/fleet", Accept_Encoding="br, gzip;q=0.5")

    assert packed.headers["content-encoding"] == "gzip"
    assert "content-encoding" not in plain.headers
    assert gzip.decompress(packed.body) == plain.body
    assert len(packed.body) < len(plain.body) / 3
    assert packed.headers["vary"] == plain.headers["vary"] == "Accept-Encoding"


@pytest.mark.parametrize(
    ("header", "allowed"),
    [
        ("", False),
        ("gzip", True),
        ("*", True),
        ("gzip;q=0", False),
        ("deflate, gzip; q=0.1", True),
        ("gzip;q=x", False),
    ],
)
def test_accept_encoding_is_read_as_rfc_9110_has_it(header: str, allowed: bool) -> None:
    assert accepts_gzip(header) is allowed


@pytest.mark.parametrize("path", ["/api/v1/fleet", "/api/v1/nothing", "/metrics", "/healthz", "/nowhere"])
def test_every_answer_is_fenced_in(site: Site, path: str) -> None:
    headers = site.ask(path).headers

    policy = dict(part.strip().partition(" ")[::2] for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["frame-ancestors"] == policy["base-uri"] == policy["form-action"] == "'none'"
    assert headers["x-content-type-options"] == "nosniff"
    assert "access-control-allow-origin" not in headers


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_nothing_can_be_written(site: Site, method: str) -> None:
    described = site.ask("/api/v1/openapi.json").json["paths"]
    for path in described:
        answer = site.ask(f"/api/v1{path}", method)
        assert answer.status == 405
        assert "GET" in answer.headers["allow"]
        assert set(described[path]) == {"get"}


@pytest.mark.parametrize(
    ("path", "line"),
    [
        ("fleet?limit=0", "limit: '0' does not do; use a whole number from 1 to 20000"),
        ("fleet?colour=red", "'colour' is no parameter here; there are: at, limit, matching"),
        ("fleet?at=yesterday", "at: 'yesterday' is no instant"),
        ("fleet?limit=3&limit=4", "limit: give it once"),
        ("fleet?at=2026-11-25T06:55:03", "does not say its time zone"),
        ("offset", "a: the name of a host is needed"),
        ("offset?a=", "a: a value is needed, or leave it out"),
        ("offset?a=x%00y", "a: 'x\\x00y' cannot name a host"),
        ("course?a=x&since=-1h&until=-2h", "since: it must lie before until"),
        ("course?a=x&since=-2000d", "since: at most 400 d can be asked for at once"),
        ("course?a=x&points=1", "points: '1' does not do; use a whole number from 2 to 5000"),
        ("findings?since=2300-01-01T00:00:00Z", "in the future (reference time)"),
        ("time?x=1", "'x' is no parameter here; there are: none"),
    ],
)
def test_a_bad_parameter_gets_one_clear_line(site: Site, path: str, line: str) -> None:
    answer = site.ask(f"/api/v1/{path}")

    assert answer.status == 400
    assert answer.headers["content-type"] == "application/problem+json"
    assert line in answer.json["detail"]
    assert "\n" not in answer.json["detail"]
    assert answer.json["status"] == 400


def test_before_the_first_estimate_it_says_so_and_when_to_come_back() -> None:
    with web_serving(State()) as address:
        answer = ask(address, "/api/v1/fleet")
        span = ask(address, "/api/v1/span").json

    assert answer.status == 503
    assert answer.json["detail"] == "no estimate yet: the collector is waiting for the probes of two hosts or more"
    assert answer.headers["retry-after"] == "2"
    assert span["now_ns"] is None
    assert not span["history"]


def test_without_a_history_the_present_is_answered_and_the_past_refused(site: Site) -> None:
    with web_serving(site.state) as address:
        assert ask(address, "/api/v1/fleet").json["fitness"] is None
        course = ask(address, "/api/v1/course?a=quay-gate-1")
        findings = ask(address, "/api/v1/findings?since=-10m").json

    assert course.status == 404
    assert course.json["detail"] == "this collector keeps no history; start it with --data or --history to have one"
    assert not findings["history"]
    assert FindingKind.STEP in {one["kind"] for one in findings["findings"]}


class DamagedHistory(History):
    def __init__(self) -> None:
        pass

    def hosts(self) -> tuple[str, ...]:
        raise HistoryError("the tick at 5: damaged")

    def close(self) -> None:
        pass


def test_a_damaged_history_is_one_line_and_the_present_goes_on(site: Site) -> None:
    with web_serving(site.state, DamagedHistory()) as address:
        answer = ask(address, "/api/v1/course?a=quay-gate-1")
        assert ask(address, "/api/v1/fleet").status == 200

    assert answer.status == 500
    assert answer.json["detail"] == "the history cannot be read: the tick at 5: damaged"


def test_updates_come_with_each_estimate_until_the_page_leaves(site: Site) -> None:
    latest = site.state.latest()
    assert latest is not None
    state = State()
    state.publish(latest.estimate)
    with web_serving(state) as address:
        parts = urlsplit(address)
        connection = http.client.HTTPConnection(parts.hostname or "", parts.port, timeout=20)
        connection.request("GET", "/api/v1/updates")
        reply = connection.getresponse()
        assert reply.getheader("Content-Type") == "text/event-stream"
        seen: list[dict[str, int]] = []
        while len(seen) < 3:
            line = reply.readline().decode()
            if line.startswith("data: "):
                seen.append(json.loads(line[6:]))
                publisher = threading.Thread(target=state.publish, args=(latest.estimate,))
                publisher.start()
                publisher.join()
        connection.close()

    assert [event["sequence"] for event in seen] == [1, 2, 3]
    assert seen[0]["at_ns"] == latest.estimate.at_ns


def test_who_follows_is_asked_anew_who_it_is_after_a_while(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(http_api, "FOLLOWED_FOR_S", 0.05)
    with web_serving(site.state) as address, urllib.request.urlopen(f"{address}/api/v1/updates", timeout=20) as reply:
        assert reply.read().startswith(b"retry: 2000\n\nevent: estimate\n"), "whole, and ended by the collector"

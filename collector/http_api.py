"""The read-only HTTP interface under /api/v1/ and its live updates. Rim.

Only GET and HEAD exist. The present comes from `State`, the past from the history, both as values that this file only
carries; what reads the history or builds a large document runs in a thread. Documents of the present are built once for
each estimate, however many ask. An unknown host or offset is an answer with its reason; errors are problem documents:
400 for a question that makes no sense, 404 where no history is kept, 503 before the first estimate.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
from collections import OrderedDict
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping, Sequence
from typing import TypeVar

from aiohttp import web

from noonmark.collector import http_documents as documents
from noonmark.collector.budgets import Budgets, fleet_budgets
from noonmark.collector.estimate import Finding, FleetEstimate, PairEstimate, Reference
from noonmark.collector.fitness_watch import FitnessWatch, Since
from noonmark.collector.freshness import Freshness, freshness
from noonmark.collector.http_answers import Body, Problem, document_body, fence, problem_response, respond
from noonmark.collector.http_course import Thinned, TooMany, course_json, thin
from noonmark.collector.http_fleet import fleet_document
from noonmark.collector.http_openapi import openapi
from noonmark.collector.http_parameters import (
    DEFAULT_LISTED,
    DEFAULT_POINTS,
    MAX_LISTED,
    MAX_POINTS,
    BadParameter,
    host_name,
    moment,
    needed,
    only_known,
    stretch,
    whole,
)
from noonmark.collector.instants import SECOND_NS, format_instant
from noonmark.collector.pairs import compare
from noonmark.collector.present_json import pair_json
from noonmark.collector.query import NEAR_NS, Past
from noonmark.collector.reference_time import ReferenceTime
from noonmark.collector.state import Published, State
from noonmark.collector.view_estimate import fleet_view, pair_view
from noonmark.proto.spelling import no_such_host

PREFIX = "/api/v1"
MOST_TICKS = 300_000
"""Ticks read for one course."""
MOST_STREAMS = 256
KEPT_DOCUMENTS = 32
KEEP_ALIVE_S = 15.0
FOLLOWED_FOR_S = 600.0
"""A page that follows asks anew after so long, by itself, so that it is seen whether its reader is still welcome."""
SAME_NS = 10 * SECOND_NS
"""Tellings of one finding may differ by this much in time."""
READERS = 2
"""Long reads of the history at a time, so that one impatient page does not starve the collector."""
_Answer = TypeVar("_Answer")
Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]
log = logging.getLogger("noonmark.collector.http")


class Api:
    """The handlers; `add_to` hangs them on an application."""

    def __init__(
        self,
        state: State,
        history: Past | None = None,
        *,
        budgets: Budgets | None = None,
        references: Sequence[Reference] = (),
    ) -> None:
        """`references` are those that are declared, whether heard of or not."""
        self._state = state
        self._history = history
        self._budgets = budgets or Budgets()
        self._references = tuple(references)
        self._watch = FitnessWatch()
        self._since: Mapping[str, Since] = {}
        self._judged = 0
        self._time = ReferenceTime()
        self._kept: OrderedDict[tuple[str, ...], tuple[int, Body]] = OrderedDict()
        self._building = asyncio.Lock()
        self._readers = asyncio.Semaphore(READERS)
        self._streams = 0
        self._description = document_body(openapi())

    def routes(self) -> Mapping[str, Handler]:
        """Every path of the interface and what answers there."""
        handlers: Mapping[str, Handler] = {
            "/fleet": self.fleet,
            "/offset": self.offset,
            "/course": self.course,
            "/paths": self.paths,
            "/references": self.references,
            "/findings": self.findings,
            "/span": self.span,
            "/time": self.time,
            "/updates": self.updates,
            "/openapi.json": self.description,
        }
        return {PREFIX + path: handler for path, handler in handlers.items()}

    def add_to(self, app: web.Application) -> None:
        """Hang the routes on an application, and the task that follows the estimates."""
        for path, handler in self.routes().items():
            app.router.add_get(path, handler)
        app.middlewares.append(problems)
        app.on_response_prepare.append(fence)
        app.cleanup_ctx.append(self._following)

    async def _following(self, _: web.Application) -> AsyncIterator[None]:
        task = asyncio.create_task(self._follow())
        yield
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)

    async def _follow(self) -> None:
        """Keep since when each host is within or out of its budget, and how evenly the ticks come."""
        sequence = 0
        while True:
            published = await self._state.newer(sequence)
            sequence = published.sequence
            self._time.add(published.estimate.at_ns, published.published_monotonic_ns)
            try:
                await asyncio.to_thread(self._judge, published)
            except Exception:  # one estimate that cannot be judged must not end the following of all
                log.exception("an estimate could not be held against the budgets")

    def _judge(self, published: Published) -> None:
        if not self._budgets or published.sequence <= self._judged:
            return
        view = fleet_view(published.estimate, labels=documents.labels_of(published), paths=False)
        self._since = self._watch.update(view.at_ns, fleet_budgets(view, self._budgets))
        self._judged = published.sequence

    # -- the present -------------------------------------------------------------------------------------------------

    async def fleet(self, request: web.Request) -> web.StreamResponse:
        """Every host, now or at a past moment."""
        query = only_known(request.query.items(), ("at", "limit", "matching"))
        limit = whole(query, "limit", default=DEFAULT_LISTED, least=1, most=MAX_LISTED)
        matching = host_name(query, "matching") or ""
        latest = self._latest()
        at_ns = moment(query, "at", latest.now_ns(self._state.monotonic_ns()))
        if at_ns is None:
            fresh = freshness(latest.age_ns(self._state.monotonic_ns()))
            build = lambda: self._fleet_now(latest, fresh, limit, matching)  # noqa: E731
            key = ("fleet", str(limit), matching, str(fresh.at_least_ns), fresh.state)
            return respond(request, await self._once(latest, key, build))
        history = self._past()
        labels = documents.labels_of(latest)

        def then() -> Body | None:
            estimate = history.estimate_at(at_ns)
            if estimate is None:
                return None
            found = list(history.findings(at_ns - NEAR_NS, at_ns + NEAR_NS))
            view = fleet_view(estimate, labels=labels, paths=False, findings=found)
            return document_body(fleet_document(view, self._budgets, {}, sequence=None, limit=limit, matching=matching))

        body = await self._read(then)
        if body is None:
            raise Problem(404, await self._nothing_then(at_ns))
        return respond(request, body)

    def _fleet_now(self, latest: Published, fresh: Freshness, limit: int, matching: str) -> Body:
        self._judge(latest)
        labels = documents.labels_of(latest)
        view = fleet_view(latest.estimate, labels=labels, told=latest.told(), paths=False)
        return document_body(
            fleet_document(
                view,
                self._budgets,
                self._since,
                sequence=latest.sequence,
                fresh=fresh,
                limit=limit,
                matching=matching,
                standing=documents.standing_json(latest, self._references),
            )
        )

    async def offset(self, request: web.Request) -> web.StreamResponse:
        """a's clock minus b's (or the reference), now or at a past moment."""
        query = only_known(request.query.items(), ("a", "b", "at"))
        a, b = needed(host_name(query, "a"), "a"), host_name(query, "b")
        latest = self._latest()
        now_ns = latest.now_ns(self._state.monotonic_ns())
        at_ns = moment(query, "at", now_ns)
        if at_ns is None:
            pair = await asyncio.to_thread(_pair_now, latest.estimate, a, b, now_ns)
        else:
            history, when = self._past(), at_ns
            pair = await self._read(lambda: history.pair_at(a, b, when))
        return respond(request, document_body(pair_json(pair_view(pair), past=at_ns is not None)))

    async def paths(self, request: web.Request) -> web.StreamResponse:
        """Every path, or those of one host."""
        query = only_known(request.query.items(), ("host", "limit"))
        limit = whole(query, "limit", default=DEFAULT_LISTED, least=1, most=MAX_LISTED)
        host = host_name(query, "host")
        latest = self._latest()
        build = lambda: document_body(documents.paths_json(latest, host, limit))  # noqa: E731
        return respond(request, await self._once(latest, ("paths", str(limit), host or ""), build))

    async def references(self, request: web.Request) -> web.StreamResponse:
        """The references and their state."""
        only_known(request.query.items(), ())
        latest = self._latest()
        build = lambda: document_body(documents.references_json(latest, self._references))  # noqa: E731
        return respond(request, await self._once(latest, ("references",), build))

    async def time(self, request: web.Request) -> web.StreamResponse:
        """Reference time when the request came in and when the answer left."""
        received = self._state.monotonic_ns()
        only_known(request.query.items(), ())
        latest = self._latest()
        doubt = self._time.doubt_ns(received)
        sent = self._state.monotonic_ns()
        stamps = [self._time.at(moment) or latest.now_ns(moment) for moment in (received, sent)]
        body = document_body(documents.time_json(latest, stamps[0], stamps[1], doubt))
        return respond(request, body, cache="no-store")

    # -- the past ----------------------------------------------------------------------------------------------------

    async def course(self, request: web.Request) -> web.StreamResponse:
        """A host or a pair over a stretch of time."""
        query = only_known(request.query.items(), ("a", "b", "since", "until", "points"))
        a, b = needed(host_name(query, "a"), "a"), host_name(query, "b")
        points = whole(query, "points", default=DEFAULT_POINTS, least=2, most=MAX_POINTS)
        span = stretch(query, self._now_ns())
        history = self._past()

        def read() -> Body:
            known = history.hosts()
            missing = next((host for host in (a, b) if host is not None and host not in known), None)
            if missing is not None:
                reason = no_such_host(missing, known)
                return document_body(course_json(a, b, span.since_ns, span.until_ns, Thinned(), reason=reason))
            ticks = history.course(a, b, span.since_ns, span.until_ns)
            thinned = thin(ticks, span.since_ns, span.until_ns, points, most=MOST_TICKS)
            reason = "" if len(thinned) else "nothing was kept of it in that time"
            return document_body(course_json(a, b, span.since_ns, span.until_ns, thinned, reason=reason))

        try:
            async with self._readers:
                body = await self._read(read)
        except TooMany as error:
            raise Problem(400, f"since: that is more than {MOST_TICKS:,} ticks; ask for a shorter time") from error
        return respond(request, body)

    async def findings(self, request: web.Request) -> web.StreamResponse:
        """What was found in a stretch of time; without a history, in the latest estimate."""
        query = only_known(request.query.items(), ("since", "until", "host", "limit"))
        limit = whole(query, "limit", default=DEFAULT_LISTED, least=1, most=MAX_LISTED)
        host = host_name(query, "host")
        latest = self._latest()
        span = stretch(query, latest.now_ns(self._state.monotonic_ns()))
        present = [
            one
            for one in latest.estimate.findings
            if (host is None or documents.about(one, host)) and span.since_ns <= one.at_ns <= span.until_ns
        ]
        history = self._history
        kept = []
        if history is not None:
            kept = await self._read(lambda: list(history.findings(span.since_ns, span.until_ns, host)))
        found = _merged(kept, present)
        document = documents.findings_json(
            span.since_ns, span.until_ns, found, limit=limit, history=history is not None
        )
        return respond(request, await asyncio.to_thread(document_body, document))

    async def span(self, request: web.Request) -> web.StreamResponse:
        """What time it is, and how far back the history goes."""
        only_known(request.query.items(), ())
        latest, history = self._state.latest(), self._history
        kept = None if history is None else await self._read(history.span)
        hosts = 0 if latest is None else len(latest.estimate.hosts)
        document = documents.span_json(self._state.now_ns(), kept, history=history is not None, hosts=hosts)
        return respond(request, document_body(document), cache="no-store")

    # -- live --------------------------------------------------------------------------------------------------------

    async def updates(self, request: web.Request) -> web.StreamResponse:
        """Server-sent events: one for each new estimate, with its number and instant."""
        only_known(request.query.items(), ())
        if self._streams >= MOST_STREAMS:
            raise Problem(503, "too many pages follow already; ask again later", retry_after=30)
        response = web.StreamResponse(
            headers={"Content-Type": "text/event-stream", "Cache-Control": "no-store", "X-Accel-Buffering": "no"}
        )
        await response.prepare(request)
        self._streams += 1
        try:
            await response.write(b"retry: 2000\n\n")
            async with asyncio.timeout(FOLLOWED_FOR_S):
                await self._send_updates(response)
        except TimeoutError:
            log.debug("a page is to ask anew")
        except ConnectionResetError:
            log.debug("a page went away")
        finally:
            self._streams -= 1
        return response

    async def _send_updates(self, response: web.StreamResponse) -> None:
        sequence = 0
        while True:
            try:
                published = await asyncio.wait_for(self._state.newer(sequence), KEEP_ALIVE_S)
            except TimeoutError:
                await response.write(b": still here\n\n")
                continue
            sequence = published.sequence
            data = json.dumps({"sequence": sequence, "at_ns": published.estimate.at_ns})
            await response.write(f"event: estimate\nid: {sequence}\ndata: {data}\n\n".encode())

    async def description(self, request: web.Request) -> web.StreamResponse:
        """This interface in OpenAPI's terms."""
        only_known(request.query.items(), ())
        return respond(request, self._description)

    # -- common ------------------------------------------------------------------------------------------------------

    def _latest(self) -> Published:
        latest = self._state.latest()
        if latest is None:
            raise Problem(
                503, "no estimate yet: the collector is waiting for the probes of two hosts or more", retry_after=2
            )
        return latest

    def _now_ns(self) -> int:
        return self._latest().now_ns(self._state.monotonic_ns())

    def _past(self) -> Past:
        if self._history is None:
            raise Problem(404, "this collector keeps no history; start it with --data or --history to have one")
        return self._history

    async def _nothing_then(self, at_ns: int) -> str:
        span = await self._read(self._past().span)
        if span is None:
            return "the history is empty"
        return f"no estimate at {format_instant(at_ns)}: the history begins at {format_instant(span[0])}"

    async def _read(self, work: Callable[[], _Answer]) -> _Answer:
        """Read the history elsewhere; a damaged store becomes one line."""
        try:
            return await asyncio.to_thread(work)
        except OSError as error:
            log.error("history cannot be read: %s", error)
            raise Problem(500, f"the history cannot be read: {error}") from error

    async def _once(self, latest: Published, key: tuple[str, ...], build: Callable[[], Body]) -> Body:
        """A document of one estimate, built once while several ask for it."""
        async with self._building:
            kept = self._kept.get(key)
            if kept is None or kept[0] != latest.sequence:
                kept = latest.sequence, await asyncio.to_thread(build)
                self._kept[key] = kept
                while len(self._kept) > KEPT_DOCUMENTS:
                    self._kept.popitem(last=False)
            self._kept.move_to_end(key)
            return kept[1]


def _pair_now(estimate: FleetEstimate, a: str, b: str | None, now_ns: int) -> PairEstimate:
    for host in (a, b):
        if host is not None and host not in estimate.hosts:
            return PairEstimate(a, b, now_ns, False, no_such_host(host, estimate.hosts))
    return compare(estimate, a, b, at_ns=now_ns)


def _merged(kept: Sequence[Finding], present: Sequence[Finding]) -> list[Finding]:
    """Both in order of time; what the history has, as the beginning of it or as lasting until now, is told once."""
    until: dict[tuple[object, ...], float] = {}
    for one in kept:
        about = (one.kind, one.host, one.path)
        until[about] = max(until.get(about, 0.0), one.at_ns + one.evidence.get("lasted_s", 0.0) * SECOND_NS)
    new = [one for one in present if one.at_ns > until.get((one.kind, one.host, one.path), -1) + SAME_NS]
    return sorted((*kept, *new), key=lambda one: one.at_ns)


@web.middleware
async def problems(request: web.Request, handler: Handler) -> web.StreamResponse:
    """Errors under the interface's prefix leave as problem documents; everything else is left alone."""
    if not request.path.startswith(PREFIX):
        return await handler(request)
    try:
        return await handler(request)
    except BadParameter as error:
        return problem_response(Problem(400, str(error)))
    except Problem as problem:
        return problem_response(problem)
    except web.HTTPException as error:
        detail = {404: "there is nothing here; see openapi.json", 405: "this interface is read-only: use GET"}
        answer = problem_response(Problem(error.status, detail.get(error.status, error.reason)))
        with contextlib.suppress(KeyError):
            answer.headers["Allow"] = error.headers["Allow"]
        return answer

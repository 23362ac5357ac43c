"""The HTTP interface described in OpenAPI 3.1; its schemas are what tests hold every answer to. Pure."""

from __future__ import annotations

import importlib.metadata
from collections.abc import Mapping, Sequence
from typing import Any

from noonmark.collector.http_parameters import (
    DEFAULT_LISTED,
    DEFAULT_POINTS,
    INSTANT_PATTERN,
    MAX_LISTED,
    MAX_NAME,
    MAX_POINTS,
    NAME_PATTERN,
)

Schema = dict[str, Any]
INTEGER: Schema = {"type": "integer"}
INTEGER_OR_NULL: Schema = {"type": ["integer", "null"]}
NUMBER_OR_NULL: Schema = {"type": ["number", "null"]}
TEXT: Schema = {"type": "string"}
TRUTH: Schema = {"type": "boolean"}
NAMES: Schema = {"type": "array", "items": TEXT}


def entry(properties: Mapping[str, Schema], *, optional: Sequence[str] = (), text: str = "") -> Schema:
    """An object whose properties are all there but for the optional ones. More may be added one day."""
    schema: Schema = {
        "type": "object",
        "properties": dict(properties),
        "required": [name for name in properties if name not in optional],
    }
    return schema | ({"description": text} if text else {})


def listed(items: Schema) -> Schema:
    """An array of one kind of thing."""
    return {"type": "array", "items": items}


def told(schema: Schema, text: str) -> Schema:
    """A schema with its meaning in words."""
    return {**schema, "description": text}


def choice(*values: str) -> Schema:
    """One of some words."""
    return {"type": "string", "enum": list(values)}


def reference_to(name: str) -> Schema:
    """A schema of the components."""
    return {"$ref": f"#/components/schemas/{name}"}


def _or_null(name: str) -> Schema:
    return {"oneOf": [reference_to(name), {"type": "null"}]}


STATES = choice("reference", "measured", "no-route", "stale", "unknown")
FITNESS = choice("within", "out", "cannot-be-shown")
HOST_PROPERTIES: Mapping[str, Schema] = {
    "host": TEXT,
    "state": STATES,
    "offset_ns": told(INTEGER_OR_NULL, "Time error: positive, the host's clock is ahead of the reference."),
    "drift_ppb": told(NUMBER_OR_NULL, "Positive: the clock gains."),
    "uncertainty_ns": told(INTEGER_OR_NULL, "Standard uncertainty (k = 1), rounded up."),
    "lower_ns": told(INTEGER_OR_NULL, "Certain: the offset is not below it. Null: there is no such limit."),
    "upper_ns": told(INTEGER_OR_NULL, "Certain: the offset is not above it. Null: there is no such limit."),
    "drift_uncertainty_ppb": NUMBER_OR_NULL,
    "heard_ns": told(INTEGER_OR_NULL, "Age of the host's newest probe at the estimate's instant."),
    "zone": TEXT,
    "role": TEXT,
    "reference_state": told(
        {"type": ["string", "null"], "enum": ["locked", "holdover", "free-run", None]},
        "Of the host's own source of time (ITU-T G.810). Null: it has none, or does not say.",
    ),
    "claimed_error_ns": told(INTEGER_OR_NULL, "Greatest error that the host's kernel vouches for. Null: it does not."),
}
FINDING = entry(
    {
        "kind": TEXT,
        "at_ns": INTEGER,
        "at": TEXT,
        "size_ns": INTEGER_OR_NULL,
        "text": TEXT,
        "host": TEXT,
        "path": TEXT,
        "src": TEXT,
        "dst": TEXT,
        "evidence": {"type": "object", "additionalProperties": {"type": "number"}},
    },
    optional=("host", "path", "src", "dst", "evidence"),
    text="Something a person should know. How long it lasted is in evidence as lasted_s.",
)
BUDGET = entry(
    {
        "name": TEXT,
        "tolerance_ns": INTEGER,
        "fitness": FITNESS,
        "estimated": told(FITNESS, "What the estimate and its expanded uncertainty would say by themselves."),
        "headroom": told(NUMBER_OR_NULL, "Certain, in multiples of the budget: 1 all of it is left, 0 none."),
        "estimated_headroom": NUMBER_OR_NULL,
        "forecast": {
            "oneOf": [
                entry(
                    {"expected_s": NUMBER_OR_NULL, "earliest_s": NUMBER_OR_NULL, "latest_s": NUMBER_OR_NULL},
                    text="Seconds until the budget is left if the drift stays as it is; null: never.",
                ),
                {"type": "null"},
            ]
        },
        "since_ns": told(INTEGER_OR_NULL, "Since when fitness is what it is; null for a past moment."),
        "since_known": told(TRUTH, "False: it was so already when the collector started."),
    },
    text="A host held against its budget.",
)
LARGEST = entry(
    {
        "ahead": TEXT,
        "behind": TEXT,
        "difference_ns": INTEGER,
        "lower_ns": INTEGER,
        "upper_ns": INTEGER_OR_NULL,
    }
)
COMPONENTS: Mapping[str, Schema] = {
    "Finding": FINDING,
    "Budget": BUDGET,
    "Host": entry({**HOST_PROPERTIES, "budget": _or_null("Budget")}),
    "Fleet": entry(
        {
            "schema": TEXT,
            "reference": {"type": ["string", "null"]},
            "references": NAMES,
            "at_ns": INTEGER,
            "at": TEXT,
            "hosts": told(listed(reference_to("Host")), "Worst first."),
            "findings": listed(reference_to("Finding")),
            "states": told({"type": "object", "additionalProperties": INTEGER}, "Hosts of the whole fleet by state."),
            "largest_difference": {"oneOf": [LARGEST, {"type": "null"}]},
            "notes": NAMES,
            "sequence": told(INTEGER_OR_NULL, "Number of the estimate; null for a past moment."),
            "freshness": told(
                entry({"state": choice("current", "old", "past"), "at_least_ns": INTEGER}),
                "old: nothing was measured for at least so long, and hosts that were measured then are stale.",
            ),
            "total": INTEGER,
            "matching": told(INTEGER, "Hosts that match; `hosts` holds at most `limit` of them."),
            "budgets": listed(entry({"name": TEXT, "tolerance_ns": INTEGER, "source": TEXT})),
            "fitness": {
                "oneOf": [
                    entry({"within": INTEGER, "out": INTEGER, "cannot-be-shown": INTEGER}),
                    {"type": "null"},
                ]
            },
            "verdict": entry({"state": choice("within", "out", "cannot-be-shown", "no-budget", "empty"), "text": TEXT}),
            "reference_standing": {
                "oneOf": [
                    entry({"state": choice("good", "doubtful", "lost", "unknown", "none"), "text": TEXT}),
                    {"type": "null"},
                ],
                "description": "Whether the reference is good now; null for a past moment.",
            },
        }
    ),
    "Offset": entry(
        {
            "schema": TEXT,
            "a": TEXT,
            "b": told({"type": ["string", "null"]}, "Null: the reference."),
            "at_ns": INTEGER,
            "at": TEXT,
            "known": TRUTH,
            "reason": told(TEXT, "Why it is not known, or a caution where it is."),
            "offset_ns": told(INTEGER_OR_NULL, "a's clock minus b's: positive, a is ahead."),
            "uncertainty_ns": INTEGER_OR_NULL,
            "lower_ns": INTEGER_OR_NULL,
            "upper_ns": INTEGER_OR_NULL,
            "drift_ppb": NUMBER_OR_NULL,
            "measured_ns": INTEGER_OR_NULL,
            "sentence": TEXT,
            "findings": listed(reference_to("Finding")),
        }
    ),
    "Course": entry(
        {
            "schema": TEXT,
            "a": TEXT,
            "b": {"type": ["string", "null"]},
            "since_ns": INTEGER,
            "until_ns": INTEGER,
            "ticks": told(INTEGER, "Ticks read."),
            "thinned": told(TRUTH, "Whether a point stands for more than one tick."),
            "points": entry(
                {
                    "at_ns": listed(INTEGER),
                    "ticks": listed(INTEGER),
                    "unknown": told(listed(INTEGER), "How many of the point's ticks had no answer."),
                    "offset_ns": told(listed(INTEGER_OR_NULL), "Median of the point's estimates."),
                    "lowest_ns": listed(INTEGER_OR_NULL),
                    "highest_ns": listed(INTEGER_OR_NULL),
                    "uncertainty_ns": told(listed(INTEGER_OR_NULL), "The greatest of the point's."),
                    "lower_ns": told(listed(INTEGER_OR_NULL), "The widest of the point's limits."),
                    "upper_ns": listed(INTEGER_OR_NULL),
                    "reason": told(listed(INTEGER_OR_NULL), "Place in `reasons`."),
                },
                text="Columns of equal length, one row a point.",
            ),
            "reasons": NAMES,
            "reason": told(TEXT, "Why there is no point at all."),
        }
    ),
    "Paths": entry(
        {
            "schema": TEXT,
            "sequence": INTEGER,
            "at_ns": INTEGER,
            "at": TEXT,
            "total": INTEGER,
            "paths": listed(
                entry(
                    {
                        "src": TEXT,
                        "dst": TEXT,
                        "probes": INTEGER,
                        "min_round_trip_ns": INTEGER,
                        "residual_ns": told(
                            INTEGER_OR_NULL,
                            "The path's own (dst - src) minus what all other paths imply: half of its asymmetry.",
                        ),
                        "state": choice("closed", "asymmetric", "contradicted", "untested"),
                        "sent": told(INTEGER_OR_NULL, "Packets that src sent to dst within the last minute or two."),
                        "lost": told(INTEGER_OR_NULL, "Of them, those not answered in time; null: src does not tell."),
                    }
                )
            ),
            "unanswered": told(
                listed(entry({"src": TEXT, "dst": TEXT, "sent": INTEGER, "lost": INTEGER})),
                "Pairs that are asked and of which no probe is in the window.",
            ),
            "askers": told(
                listed(entry({"host": TEXT, "sent": INTEGER, "lost": INTEGER})),
                "What each asker's probes came to since its agent started.",
            ),
        }
    ),
    "References": entry(
        {
            "schema": TEXT,
            "sequence": INTEGER,
            "at_ns": INTEGER,
            "at": TEXT,
            "mean_of_fleet": TRUTH,
            "text": TEXT,
            "references": listed(
                entry(
                    {
                        "host": TEXT,
                        "declared_uncertainty_ns": {"type": "number"},
                        "declared_limit_ns": {"type": "number"},
                        "lock": choice("locked", "holdover", "free-run", "unknown"),
                        "lock_reason": TEXT,
                        "holdover_s": NUMBER_OR_NULL,
                        "measured": {"oneOf": [entry(HOST_PROPERTIES), {"type": "null"}]},
                        "reason": TEXT,
                        "findings": listed(reference_to("Finding")),
                    }
                )
            ),
            "findings": listed(reference_to("Finding")),
        }
    ),
    "Findings": entry(
        {
            "schema": TEXT,
            "since_ns": INTEGER,
            "until_ns": INTEGER,
            "history": told(TRUTH, "False: only the latest estimate's findings are known."),
            "total": INTEGER,
            "findings": told(listed(reference_to("Finding")), "In order of time, the newest `limit`."),
        }
    ),
    "Span": entry(
        {
            "schema": TEXT,
            "now_ns": told(INTEGER_OR_NULL, "Reference time; null before the first estimate."),
            "history": TRUTH,
            "first_ns": INTEGER_OR_NULL,
            "last_ns": INTEGER_OR_NULL,
            "hosts": INTEGER,
        }
    ),
    "Time": entry(
        {
            "schema": TEXT,
            "received_ns": told(INTEGER, "Reference time when the request came in."),
            "sent_ns": told(INTEGER, "Reference time when the answer left."),
            "estimate_at_ns": INTEGER,
            "sequence": INTEGER,
            "references": NAMES,
            "reference_uncertainty_ns": told(NUMBER_OR_NULL, "Standard, as the best reference declares it."),
            "reference_limit_ns": NUMBER_OR_NULL,
            "late_by_ns": told(
                INTEGER_OR_NULL, "How late both stamps may be, from how unevenly reports came in; null: not known yet."
            ),
            "lock": choice("locked", "holdover", "free-run", "unknown"),
            "lock_reason": TEXT,
            "holdover_s": NUMBER_OR_NULL,
        }
    ),
    "Problem": entry(
        {"type": TEXT, "title": TEXT, "status": INTEGER, "detail": told(TEXT, "One line: what is wrong.")},
        text="An error (RFC 9457).",
    ),
}


def _parameter(name: str, text: str, schema: Schema, *, required: bool = False) -> Schema:
    return {"name": name, "in": "query", "description": text, "required": required, "schema": schema}


def _name(name: str, text: str, *, required: bool = False) -> Schema:
    schema = {"type": "string", "minLength": 1, "maxLength": MAX_NAME, "pattern": NAME_PATTERN}
    return _parameter(name, text, schema, required=required)


def _instant(name: str, text: str) -> Schema:
    text += " RFC 3339 with a zone, @ and seconds since 1970, an age such as -15m, or now; not in the future."
    return _parameter(name, text, {"type": "string", "pattern": INSTANT_PATTERN})


LIMIT = _parameter(
    "limit", "Rows at most.", {"type": "integer", "minimum": 1, "maximum": MAX_LISTED, "default": DEFAULT_LISTED}
)
SINCE = _instant("since", "Start; an hour before the end if left out.")
UNTIL = _instant("until", "End; now if left out.")


def _answers(schema: str, statuses: Sequence[int]) -> Schema:
    words = {
        304: "The asker's copy, named by If-None-Match, is the newest.",
        400: "The question makes no sense.",
        404: "No history is kept, or it does not reach back so far.",
        500: "The history cannot be read.",
        503: "No estimate yet.",
    }
    problem = {"application/problem+json": {"schema": reference_to("Problem")}}
    answers: Schema = {
        "200": {
            "description": "The answer.",
            "headers": {"ETag": {"schema": TEXT}},
            "content": {"application/json": {"schema": reference_to(schema)}},
        },
        "304": {"description": words[304]},
    }
    for status in statuses:
        answers[str(status)] = {"description": words[status], "content": problem}
    return answers


def _operation(name: str, summary: str, schema: str, parameters: Sequence[Schema], statuses: Sequence[int]) -> Schema:
    return {
        "get": {
            "operationId": name,
            "summary": summary,
            "parameters": list(parameters),
            "responses": _answers(schema, statuses),
        }
    }


def openapi() -> Schema:
    """The description as a document."""
    a, b = _name("a", "A host.", required=True), _name("b", "Another host; the reference if left out.")
    streams: Schema = {
        "get": {
            "operationId": "updates",
            "summary": "Server-sent events: `estimate` with sequence and at_ns for each new estimate",
            "parameters": [],
            "responses": {"200": {"description": "The stream.", "content": {"text/event-stream": {"schema": TEXT}}}},
        }
    }
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "noonmark collector",
            "version": importlib.metadata.version("noonmark"),
            "description": "Read-only. Times are integer nanoseconds since 1970 (POSIX) in reference time; a positive "
            "offset means ahead; what is not known is null. Keys are only ever added within v1.",
            "license": {"name": "Apache-2.0", "identifier": "Apache-2.0"},
        },
        "servers": [{"url": "./"}],
        "paths": {
            "/fleet": _operation(
                "fleet",
                "Every host against the reference, worst first",
                "Fleet",
                (
                    _instant("at", "A past moment; the present if left out."),
                    LIMIT,
                    _name("matching", "Only hosts whose name, zone or role contains this."),
                ),
                (400, 404, 500, 503),
            ),
            "/offset": _operation(
                "offset",
                "One host's clock minus another's, or minus the reference",
                "Offset",
                (a, b, _instant("at", "A past moment; the present if left out.")),
                (400, 404, 500, 503),
            ),
            "/course": _operation(
                "course",
                "A host or a pair over time, thinned without hiding extremes",
                "Course",
                (
                    a,
                    b,
                    SINCE,
                    UNTIL,
                    _parameter(
                        "points",
                        "Points at most.",
                        {"type": "integer", "minimum": 2, "maximum": MAX_POINTS, "default": DEFAULT_POINTS},
                    ),
                ),
                (400, 404, 500, 503),
            ),
            "/paths": _operation(
                "paths",
                "Round trips, residuals and losses",
                "Paths",
                (_name("host", "Only paths of this host."), LIMIT),
                (400, 503),
            ),
            "/references": _operation("references", "The references and their state", "References", (), (400, 503)),
            "/findings": _operation(
                "findings",
                "What was found in a stretch of time",
                "Findings",
                (SINCE, UNTIL, _name("host", "Only what concerns this host."), LIMIT),
                (400, 500, 503),
            ),
            "/span": _operation("span", "What time it is, and how far back the history goes", "Span", (), (400, 500)),
            "/time": _operation(
                "time", "Both server stamps of one exchange, in reference time", "Time", (), (400, 503)
            ),
            "/updates": streams,
        },
        "components": {"schemas": dict(COMPONENTS)},
    }

from __future__ import annotations

import json

import numpy as np
from builders import START_NS, Host, build, ferry

from noonmark.collector.estimate import UNBOUNDED_NS, Finding, FindingKind, HostState
from noonmark.collector.present_json import estimate_to_json, fleet_json, pair_json
from noonmark.collector.view_estimate import fleet_view
from noonmark.collector.views import PairView

FINDINGS = [
    Finding(FindingKind.STEP, START_NS - 5, "was set 1 ms ahead", host="quay-gate-2", size_ns=1_000_000),
    Finding(FindingKind.ASYMMETRIC_PATH, START_NS, "one direction is slower", path=("quay-gate-2", "holm-db-1")),
]


def test_an_estimate_has_the_promised_keys_and_only_integers_of_ns() -> None:
    document = json.loads(json.dumps(estimate_to_json(ferry(findings=FINDINGS))))

    assert document["schema"] == "noonmark.estimate/1"
    assert document["reference"] == "quay-ref"
    assert document["at_ns"] == START_NS
    gate = next(host for host in document["hosts"] if host["host"] == "quay-gate-2")
    promised = {"host", "offset_ns", "drift_ppb", "uncertainty_ns", "lower_ns", "upper_ns", "state"}
    assert promised <= gate.keys()
    assert gate["drift_ppb"] == 12_000
    assert all(isinstance(gate[key], int) for key in promised if key.endswith("_ns"))
    assert {"src", "dst", "probes", "min_round_trip_ns", "residual_ns", "state"} <= document["paths"][0].keys()


def test_what_is_unknown_is_null() -> None:
    document = estimate_to_json(build([Host("a", above_ns=UNBOUNDED_NS), Host("b", state=HostState.UNKNOWN)]))

    first, second = document["hosts"]
    assert first["upper_ns"] is None
    assert first["lower_ns"] == -10_000
    assert {second[key] for key in ("offset_ns", "drift_ppb", "uncertainty_ns", "lower_ns", "heard_ns")} == {None}
    assert document["reference"] is None


def test_a_host_without_a_finite_uncertainty_is_null_even_if_called_measured() -> None:
    document = estimate_to_json(build([Host("a", uncertainty_ns=np.inf)]))

    assert document["hosts"][0]["offset_ns"] is None


def test_a_finding_tells_its_host_or_its_path_both_ways() -> None:
    step, skewed = estimate_to_json(ferry(findings=FINDINGS))["findings"]

    assert (step["host"], step["size_ns"]) == ("quay-gate-2", 1_000_000)
    assert "path" not in step
    assert (skewed["path"], skewed["src"], skewed["dst"]) == ("quay-gate-2->holm-db-1", "quay-gate-2", "holm-db-1")
    assert skewed["size_ns"] is None


def test_the_fleet_document_counts_states_and_names_the_largest_difference() -> None:
    document = fleet_json(fleet_view(ferry(), labels={"quay-ref": ("quay", "reference")}, notes=("aged",)))

    assert document["states"] == {"reference": 2, "measured": 2, "stale": 1, "no-route": 1}
    assert document["largest_difference"]["ahead"] == "quay-gate-2"
    assert document["hosts"][0]["zone"] == "quay"
    assert document["notes"] == ["aged"]


def test_a_pair_that_is_not_known_has_no_numbers_and_a_reason() -> None:
    document = pair_json(PairView("a", None, START_NS, False, "nothing was measured"), past=True)

    assert document["b"] is None
    assert document["offset_ns"] is document["lower_ns"] is document["drift_ppb"] is None
    assert document["reason"] == "nothing was measured"
    assert document["sentence"] == "How far a was from the reference is not known: nothing was measured."

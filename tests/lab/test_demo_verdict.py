"""The demonstration's estimate against its truth: errors, what holds, and the document."""

from __future__ import annotations

import dataclasses

import pytest

from noonmark.collector.views import FleetView, HostView
from noonmark.lab.demo_verdict import demo_json, judge, summary, verdict_lines
from noonmark.lab.harbours import DemoHost, make_harbours

EPOCH = 1_767_225_600_000_000_000
AT = EPOCH + 30_000_000_000
HOSTS = make_harbours(5, EPOCH)


def measured(host: DemoHost, error_ns: int = 0, **changes: object) -> HostView:
    offset = host.error_ns(AT) + error_ns
    view = HostView(host.name, "measured", offset, 100, offset - 900, offset + 900, host.drift, 1e-9, 0, host.zone)
    return dataclasses.replace(view, **changes)


def fleet(*views: HostView) -> FleetView:
    return FleetView(AT, ("quay-reference",), views)


def test_exact_measurement_has_no_error_and_breaks_nothing() -> None:
    verdict = judge(fleet(*map(measured, HOSTS)), HOSTS)
    assert verdict.errors_ns == [0] * 15
    assert verdict.complete
    assert verdict.certain
    assert verdict.drift_error == 0
    assert all(row.within_uncertainty for row in verdict.rows)
    assert "15 of 15 hosts measured" in summary(verdict)
    assert "15 of 15 inside their certain limits" in summary(verdict)


def test_error_is_measured_minus_true_and_counted_where_it_is_too_large() -> None:
    views = [measured(HOSTS[0], -201), measured(HOSTS[1], 199), *map(measured, HOSTS[2:])]
    rows = {row.measured.host: row for row in judge(fleet(*views), HOSTS).rows}
    first, second = rows[HOSTS[0].name], rows[HOSTS[1].name]
    assert (first.error_ns, first.within_uncertainty, first.within_limits) == (-201, False, True)
    assert (second.error_ns, second.within_uncertainty) == (199, True)


def test_truth_outside_the_limits_is_told() -> None:
    views = [measured(HOSTS[0], 901), *map(measured, HOSTS[1:])]
    verdict = judge(fleet(*views), HOSTS)
    assert not verdict.certain
    assert "14 of 15 inside their certain limits" in summary(verdict)
    line = next(line for line in verdict_lines(verdict) if line.startswith(HOSTS[0].name))
    assert line.endswith("neither")
    assert "+900 ns" in line


def test_absent_limits_are_kept_and_one_sided_ones_count() -> None:
    open_above = measured(HOSTS[0], 950, upper_ns=None)
    open_below = measured(HOSTS[1], 950, lower_ns=None)
    rows = {row.measured.host: row for row in judge(fleet(open_above, open_below), HOSTS).rows}
    assert not rows[HOSTS[0].name].within_limits
    assert rows[HOSTS[1].name].within_limits


def test_host_that_was_not_measured_is_unknown_and_not_forgotten() -> None:
    verdict = judge(fleet(*map(measured, HOSTS[:9])), HOSTS)
    assert len(verdict.rows) == 15
    assert not verdict.complete
    assert len(verdict.errors_ns) == 9
    assert sum("unknown" in line for line in verdict_lines(verdict)) == 6
    assert not any("limits" in line for line in verdict_lines(verdict) if "unknown" in line)
    assert judge(fleet(), HOSTS).errors_ns == []
    assert summary(judge(fleet(), HOSTS)) == "No host was measured."


def test_table_fits_eighty_columns() -> None:
    views = [measured(host, 12_345_678, uncertainty_ns=123_456) for host in HOSTS]
    assert max(map(len, verdict_lines(judge(fleet(*views), HOSTS)))) <= 80


def test_document_has_the_truth_at_the_estimates_own_instant() -> None:
    document = demo_json(fleet(*map(measured, HOSTS)), HOSTS)
    assert document["at_ns"] == AT
    assert document["schema"] == "noonmark.estimate/1"
    assert set(document["truth"]) == {host.name for host in HOSTS}
    host = HOSTS[3]
    assert document["truth"][host.name]["offset_ns"] == host.error_ns(AT)
    assert document["truth"][host.name]["drift_ppb"] == pytest.approx(host.drift * 1e9, abs=1e-3)
    offsets = {entry["host"]: entry["offset_ns"] for entry in document["hosts"]}
    assert offsets == {name: entry["offset_ns"] for name, entry in document["truth"].items()}

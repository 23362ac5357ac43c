"""Simulated clocks: what they read is exactly true time plus the time error that the truth gives."""

from __future__ import annotations

import numpy as np
import pytest

from noonmark.lab.clocks import LEAD_NS, NS, SLEW_LIMIT, Breaks, ClockModel, Discipline, knot_step_ns, make_clocks
from noonmark.lab.noise import PowerLaw

START = 1_767_225_600 * NS
QUIET = ClockModel(0.0, 0.0, 0.0, PowerLaw(), 0.0, 0.0)


def clocks_of(model: ClockModel, hosts: int = 3, seconds: float = 60.0, breaks: Breaks | None = None, seed: int = 7):
    return make_clocks(
        np.random.default_rng(seed), (model,), np.zeros(hosts, np.int64), seconds, breaks or Breaks.none()
    )


def same_host(host: int, elapsed: list[int]) -> tuple[np.ndarray, np.ndarray]:
    return np.full(len(elapsed), host, np.int32), np.array(elapsed, np.int64)


def test_reading_is_the_floor_of_true_time_plus_time_error() -> None:
    clocks = clocks_of(ClockModel(offset_ns=3 * 3600e9, drift=200e-6))
    host, elapsed = same_host(1, [0, 1, 59 * NS + 123_456_789])
    whole, rest = clocks.time_error(host, elapsed)
    expected = [START + e + int(w) + int(np.floor(r)) for e, w, r in zip(elapsed.tolist(), whole, rest, strict=True)]
    assert clocks.read(host, elapsed, START).tolist() == expected


def test_reading_ticks_in_the_clocks_granularity() -> None:
    fine, coarse = clocks_of(ClockModel()), clocks_of(ClockModel(granularity_ns=1_000))
    host, elapsed = same_host(2, list(range(0, 50 * NS, 777_777_777)))
    readings = coarse.read(host, elapsed, START)
    assert not (readings % 1_000).any()
    assert ((fine.read(host, elapsed, START) - readings) >= 0).all()
    assert ((fine.read(host, elapsed, START) - readings) < 1_000).all()


def test_drift_is_the_slope_of_the_time_error() -> None:
    clocks = clocks_of(ClockModel())
    host, elapsed = same_host(0, [10 * NS + 200_000_000, 40 * NS + 100_000_000])
    later = elapsed + 500_000_000
    (w0, r0), (w1, r1) = clocks.time_error(host, elapsed), clocks.time_error(host, later)
    assert ((w1 - w0) + (r1 - r0)) / 5e8 == pytest.approx(clocks.drift(host, elapsed), abs=1e-15)


def test_step_shows_at_its_instant_and_not_before() -> None:
    breaks = Breaks.from_rows([(1, 20 * NS, -5_000_000, 0.0, True)])
    clocks = clocks_of(QUIET, breaks=breaks)
    host, elapsed = same_host(1, [20 * NS - 1, 20 * NS])
    assert clocks.time_error(host, elapsed)[0].tolist() == [0, -5_000_000]
    assert clocks.epoch(host, elapsed).tolist() == [1, 2]
    other, _ = same_host(0, [0, 0])
    assert clocks.time_error(other, elapsed)[0].tolist() == [0, 0]
    assert clocks.epoch(other, elapsed).tolist() == [1, 1]


def test_several_breaks_of_one_host_add_up() -> None:
    rows = [(0, 30 * NS, 0, -SLEW_LIMIT, False), (0, 10 * NS, 0, SLEW_LIMIT, False), (0, 40 * NS, 7, 0.0, False)]
    clocks = clocks_of(QUIET, breaks=Breaks.from_rows(rows))
    host, elapsed = same_host(0, [10 * NS, 20 * NS, 30 * NS, 50 * NS])
    whole, rest = clocks.time_error(host, elapsed)
    assert (whole + rest).tolist() == pytest.approx([0, 5_000_000, 10_000_000, 10_000_007])
    assert clocks.drift(host, elapsed).tolist() == pytest.approx([5e-4, 5e-4, 0, 0], abs=1e-18)


def test_offset_and_drift_stay_within_their_spread_and_fill_it() -> None:
    model = ClockModel(offset_ns=1e6, drift=20e-6, noise=PowerLaw(), daily_amplitude=0.0, hvac_amplitude=0.0)
    clocks = clocks_of(model, hosts=2000)
    every, zero = np.arange(2000, dtype=np.int32), np.zeros(2000, np.int64)
    whole, rest = clocks.time_error(every, zero)
    offset, drift = whole + rest, clocks.drift(every, zero)
    # Standard deviation of a uniform distribution: half-width / sqrt(3).
    assert np.abs(offset).max() <= 1e6
    assert np.std(offset) == pytest.approx(1e6 / np.sqrt(3), rel=0.05)
    assert np.abs(drift).max() <= 20.1e-6
    assert np.std(drift) == pytest.approx(20e-6 / np.sqrt(3), rel=0.05)


def test_temperature_swings_the_frequency_by_no_more_than_its_amplitude() -> None:
    model = ClockModel(0.0, 0.0, 0.0, PowerLaw(), daily_amplitude=0.0, hvac_amplitude=4e-7, hvac_period_s=100.0)
    clocks = clocks_of(model, hosts=50, seconds=400.0)
    drifts = np.array([clocks.drift(*same_host(host, list(range(0, 400 * NS, NS)))) for host in range(50)])
    assert np.abs(drifts).max() <= 4e-7
    assert (drifts.max(axis=1) > 1e-7).all()
    assert (drifts.min(axis=1) < -1e-7).all()


def test_steered_clock_stays_near_zero_and_never_slews_too_fast() -> None:
    model = ClockModel(offset_ns=300_000.0, drift=40e-6, noise=PowerLaw(), discipline=Discipline(noise_ns=20_000.0))
    clocks = clocks_of(model, hosts=40, seconds=600.0)
    hosts = np.repeat(np.arange(40, dtype=np.int32), 600)
    elapsed = np.tile(np.arange(600) * NS, 40)
    whole, rest = clocks.time_error(hosts, elapsed)
    late = (whole + rest).reshape(40, 600)[:, 300:]
    assert np.abs(late).max() < 200_000
    assert np.abs(clocks.drift(hosts, elapsed)).max() <= SLEW_LIMIT + 41e-6


def test_knots_of_large_fleets_stay_within_the_memory_bound() -> None:
    assert knot_step_ns(1_000, 60.0) == NS
    step = knot_step_ns(100_000, 86_400.0)
    assert 100_000 * (86_400 * NS + 2 * LEAD_NS) / step < 41_000_000


def test_beyond_the_span_the_last_rate_goes_on() -> None:
    clocks = clocks_of(ClockModel(), seconds=30.0)
    host, elapsed = same_host(0, [31 * NS + NS // 2, 100 * NS])
    (w0, w1), (r0, r1) = clocks.time_error(host, elapsed)
    drift = clocks.drift(host, elapsed)
    assert drift[0] == drift[1]
    assert (w1 - w0) + (r1 - r0) == pytest.approx(drift[0] * (elapsed[1] - elapsed[0]), abs=1e-6)

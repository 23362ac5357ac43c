"""Simulated clocks whose time error is exactly known at every instant. Pure.

True time is integer nanoseconds; `elapsed` counts from the start of the simulation. A clock's time error is a whole
number of nanoseconds (large offsets), plus a continuous part that is straight between equally spaced knots (drift,
ageing, noise, temperature, discipline), plus breaks at exact instants (steps and changes of rate). What a program reads
is the floor of true time + time error, to the clock's granularity. So truth is no approximation: `time_error` computes
it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from noonmark.collector.estimate import Bool, Float64, Int32, Int64
from noonmark.lab.noise import PowerLaw, frequency_noise, phase_from_frequency, phase_noise

NS = 1_000_000_000
SLEW_LIMIT = 500e-6
"""The fastest that adjtimex(2) slews a clock."""
LEAD_NS = 2 * NS
"""Knots begin this long before the simulation's start and end as long after its end."""
MAX_KNOTS = 40_000_000
"""Of all clocks together: bounds the memory at 320 MB; long simulations of large fleets get coarser knots."""
ROWS_AT_ONCE = 4096
DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Discipline:
    """A loop that steers the clock to a distant server's time, as a host's time daemon does."""

    poll_s: float = 16.0
    noise_ns: float = 50_000.0
    """Standard deviation of what the loop believes its offset to be."""
    gain: float = 0.3
    """Share of the offset removed in one poll."""
    frequency_gain: float = 0.03
    """Share of the offset per poll interval that goes into the lasting frequency correction."""


SERVER_NOISE = PowerLaw(white_frequency=1e-9, flicker_frequency=3e-10, random_walk_frequency=1e-11)
"""Of a server's plain quartz; common practice, no source."""


@dataclass(frozen=True, slots=True)
class ClockModel:
    """One kind of clock. Spreads are half-widths of uniform distributions, drawn once for each clock."""

    offset_ns: float = 1e6
    drift: float = 20e-6
    ageing_per_day: float = 1e-9
    """Half-width of the change of fractional frequency a day."""
    noise: PowerLaw = SERVER_NOISE
    daily_amplitude: float = 2e-7
    """Greatest fractional frequency shift by the day's warmth."""
    hvac_amplitude: float = 2e-8
    """The same by the air conditioning."""
    hvac_period_s: float = 900.0
    granularity_ns: int = 1
    discipline: Discipline | None = None


@dataclass(frozen=True, slots=True)
class Breaks:
    """Exact instants at which clocks step or change rate, sorted by host and then by time; B rows."""

    host: Int32
    elapsed_ns: Int64
    jump_ns: Int64
    rate: Float64
    """Change of fractional frequency from this instant on."""
    begins_epoch: Bool
    """The host itself notices, and starts a new clock epoch."""

    @classmethod
    def none(cls) -> Breaks:
        """No breaks at all."""
        whole = np.zeros(0, np.int64)
        return cls(np.zeros(0, np.int32), whole, whole, np.zeros(0), np.zeros(0, np.bool_))

    @classmethod
    def from_rows(cls, rows: list[tuple[int, int, int, float, bool]]) -> Breaks:
        """Sort rows of (host, elapsed_ns, jump_ns, rate, begins_epoch)."""
        if not rows:
            return cls.none()
        host, elapsed, jump, rate, epoch = zip(*sorted(rows), strict=True)
        return cls(
            np.array(host, np.int32),
            np.array(elapsed, np.int64),
            np.array(jump, np.int64),
            np.array(rate, np.float64),
            np.array(epoch, np.bool_),
        )


@dataclass(frozen=True, slots=True)
class Clocks:
    """H realised clocks. `phase_ns` has K knots a clock, `step_ns` apart, the first at elapsed -LEAD_NS."""

    whole_ns: Int64
    phase_ns: Float64
    step_ns: int
    granularity_ns: Int64
    breaks: Breaks
    first_break: Int64
    """(H + 1): breaks of host h are rows first_break[h] to first_break[h + 1]."""

    def _cell(self, elapsed_ns: Int64) -> Int64:
        return np.clip((elapsed_ns + LEAD_NS) // self.step_ns, 0, self.phase_ns.shape[1] - 2)

    def time_error(self, host: Int32, elapsed_ns: Int64) -> tuple[Int64, Float64]:
        """Time error x of each host at each true instant: (whole nanoseconds, the rest in ns); their sum is x.

        Positive: the clock is ahead of true time. Shapes: `host` and `elapsed_ns` alike; so are both results.
        Beyond the simulated span the last (first) cell's rate goes on.
        """
        cell = self._cell(elapsed_ns)
        knots = self.phase_ns.shape[1]
        flat = self.phase_ns.reshape(-1)
        at = host.astype(np.int64) * knots + cell
        left = flat[at]
        within = (elapsed_ns + LEAD_NS - cell * self.step_ns) / self.step_ns
        rest = left + (flat[at + 1] - left) * within
        whole = self.whole_ns[host]
        for rows, row in self._breaks_of(host):
            past = elapsed_ns[rows] - self.breaks.elapsed_ns[row]
            after = past >= 0
            whole[rows] += np.where(after, self.breaks.jump_ns[row], 0)
            rest[rows] += np.where(after, self.breaks.rate[row] * past, 0.0)
        return whole, rest

    def drift(self, host: Int32, elapsed_ns: Int64) -> Float64:
        """Fractional frequency error at each true instant, seconds per second (right-hand derivative)."""
        cell = self._cell(elapsed_ns)
        slope = (self.phase_ns[host, cell + 1] - self.phase_ns[host, cell]) / self.step_ns
        for rows, row in self._breaks_of(host):
            after = elapsed_ns[rows] >= self.breaks.elapsed_ns[row]
            slope[rows] += np.where(after, self.breaks.rate[row], 0.0)
        return slope

    def epoch(self, host: Int32, elapsed_ns: Int64) -> Int64:
        """Number of the clock epoch at each instant, from 1."""
        number = np.ones(host.shape, np.int64)
        for rows, row in self._breaks_of(host):
            after = (elapsed_ns[rows] >= self.breaks.elapsed_ns[row]) & self.breaks.begins_epoch[row]
            number[rows] += after
        return number

    def read(self, host: Int32, elapsed_ns: Int64, start_ns: int | Int64) -> Int64:
        """What programs read: floor of (start + elapsed + time error) to the clock's granularity, ns."""
        whole, rest = self.time_error(host, elapsed_ns)
        reading = whole + np.floor(rest).astype(np.int64) + elapsed_ns + start_ns
        granularity = self.granularity_ns[host]
        if granularity.max(initial=1) > 1:
            reading -= reading % granularity
        return reading

    def _breaks_of(self, host: Int32) -> list[tuple[Int64, Int64]]:
        """For the k-th break of any host: the positions in `host` that have one, and which row of `breaks` it is."""
        if not len(self.breaks.host):
            return []
        first = self.first_break[host]
        count = self.first_break[host + 1] - first
        passes = []
        for k in range(int(count.max(initial=0))):
            rows = np.flatnonzero(count > k)
            passes.append((rows, first[rows] + k))
        return passes


def knot_step_ns(hosts: int, seconds: float) -> int:
    """Distance of knots: 1 s, or as much more as MAX_KNOTS asks for."""
    span_s = seconds + 2 * LEAD_NS / NS
    return NS * max(1, math.ceil(hosts * (span_s + 2) / MAX_KNOTS))


def make_clocks(
    rng: np.random.Generator, models: tuple[ClockModel, ...], model_of: Int64, seconds: float, breaks: Breaks
) -> Clocks:
    """Draw one clock for each entry of `model_of` (index into `models`), alive for `seconds`."""
    hosts = len(model_of)
    step_ns = knot_step_ns(hosts, seconds)
    knots = math.ceil((seconds * NS + 2 * LEAD_NS) / step_ns) + 1
    phase = np.empty((hosts, knots))
    whole = np.zeros(hosts, np.int64)
    granularity = np.ones(hosts, np.int64)
    for number, model in enumerate(models):
        members = np.flatnonzero(model_of == number)
        granularity[members] = model.granularity_ns
        for begin in range(0, len(members), ROWS_AT_ONCE):
            rows = members[begin : begin + ROWS_AT_ONCE]
            offset = rng.uniform(-model.offset_ns, model.offset_ns, len(rows))
            whole[rows] = np.floor(offset).astype(np.int64)
            phase[rows] = _draw_phase(rng, model, len(rows), knots, step_ns / NS)
            phase[rows] += (offset - whole[rows])[:, None]
            if model.discipline is not None:
                phase[rows] = _steer(rng, model.discipline, phase[rows] + whole[rows][:, None], step_ns / NS)
                phase[rows] -= whole[rows][:, None]
    first = np.searchsorted(breaks.host, np.arange(hosts + 1))
    return Clocks(whole, phase, step_ns, granularity, breaks, first)


def _draw_phase(rng: np.random.Generator, model: ClockModel, rows: int, knots: int, step_s: float) -> Float64:
    """Free-running phase at the knots in ns, (rows, knots), zero at elapsed 0 but for phase noise."""
    t = np.arange(knots) * step_s - LEAD_NS / NS
    phase = phase_from_frequency(frequency_noise(rng, model.noise, rows, knots - 1, step_s), step_s)
    drift = rng.uniform(-model.drift, model.drift, (rows, 1))
    ageing = rng.uniform(-model.ageing_per_day, model.ageing_per_day, (rows, 1)) / DAY_S
    phase += (drift * t + ageing * t * t / 2) * 1e9
    for amplitude, period_s in ((model.daily_amplitude, DAY_S), (model.hvac_amplitude, model.hvac_period_s)):
        if amplitude:
            omega = 2 * math.pi / period_s
            start = rng.uniform(0, 2 * math.pi, (rows, 1))
            strength = amplitude * rng.uniform(0.3, 1.0, (rows, 1))
            phase += strength / omega * (np.cos(start) - np.cos(omega * t + start)) * 1e9
    zero = int(LEAD_NS / NS / step_s)
    phase -= phase[:, zero : zero + 1]
    return phase + phase_noise(rng, model.noise, rows, knots)


def _steer(rng: np.random.Generator, loop: Discipline, free_ns: Float64, step_s: float) -> Float64:
    """Apply a proportional-integral loop to free-running phases; its rate stays within SLEW_LIMIT."""
    rows, knots = free_ns.shape
    every = max(1, round(loop.poll_s / step_s))
    turn = rng.integers(0, every, rows)
    steered = np.zeros((rows, knots))
    settled = min(knots - 1, every)
    # The loop has long been running when the simulation starts: it already knows the clock's usual rate.
    lasting = (free_ns[:, 0] - free_ns[:, settled]) * 1e-9 / (settled * step_s)
    correction, total = lasting.copy(), np.zeros(rows)
    for knot in range(knots):
        steered[:, knot] = free_ns[:, knot] + total
        polled = (knot + turn) % every == 0
        seen = (steered[:, knot] + rng.standard_normal(rows) * loop.noise_ns) * 1e-9 / (every * step_s)
        lasting = np.where(polled, np.clip(lasting - loop.frequency_gain * seen, -SLEW_LIMIT, SLEW_LIMIT), lasting)
        wanted = np.clip(lasting - loop.gain * seen, -SLEW_LIMIT, SLEW_LIMIT)
        correction = np.where(polled, wanted, correction)
        total += correction * step_s * 1e9
    return steered

"""A board's crystal, its pings and its rows in true time, to measure what the fitted clock makes of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.bridge.device_clock import WRAP, DeviceClock, widen

FIRST_PINGS = 20
ROWS = 40


@dataclass(frozen=True)
class Line:
    """round_trip_s: least and most, evenly spread. forward_share: of it on the way to the board, None any share."""

    round_trip_s: tuple[float, float] = (0.3e-3, 5e-3)
    forward_share: float | None = None


@dataclass(frozen=True)
class Crystal:
    """drift_ppm: of the board. warming_ppm: more of it after warming up for some 20 minutes, as 1 - exp."""

    drift_ppm: float = 0.0
    warming_ppm: float = 0.0
    warming_s: float = 600.0
    tick0: int = WRAP - 30_000_000

    def tick(self, since_s: float) -> int:
        """Return the tick at a true instant, not wrapped; the integral of its speed."""
        warm_s = since_s - self.warming_s * (1.0 - math.exp(-since_s / self.warming_s))
        return self.tick0 + int(since_s * 1e6 + self.drift_ppm * since_s + self.warming_ppm * warm_s)


@dataclass
class Outcome:
    """age_s, error_s: of the first row of each frame, since the start; error of the grid against the truth.

    grids: number of grids. least_step_s: smallest time from a row to the next one, over joins of grids too.
    """

    age_s: NDArray[np.float64]
    error_s: NDArray[np.float64]
    grids: int
    least_step_s: float
    clock: DeviceClock

    def p99_ms(self, from_s: float = 5.0, to_s: float = math.inf) -> float:
        """Return the error [ms] that 99 % of rows stay below."""
        chosen = (self.age_s >= from_s) & (self.age_s < to_s)
        return float(np.quantile(np.abs(self.error_s[chosen]), 0.99) * 1e3)


class _Pinger:
    """Sends pings over a line, now and then one whose answer is nonsense."""

    def __init__(
        self, clock: DeviceClock, crystal: Crystal, line: Line, random: np.random.Generator, stray: int
    ) -> None:
        self._clock, self._crystal, self._line, self._random, self._stray = clock, crystal, line, random, stray
        self._count = 0

    def ping(self, at_s: float) -> float:
        """Give the clock a ping that leaves at an instant; return when its pong is back."""
        random, line = self._random, self._line
        self._count += 1
        trip_s = random.uniform(*line.round_trip_s)
        share = random.uniform() if line.forward_share is None else line.forward_share
        there_s = at_s + share * trip_s
        left_s = there_s + random.uniform(20e-6, 200e-6)
        back_s = left_s + (1.0 - share) * trip_s
        ticks = (self._crystal.tick(there_s), self._crystal.tick(left_s))
        if self._stray and self._count > FIRST_PINGS and self._count % self._stray == 0:
            ticks = (int(random.integers(WRAP)),) * 2
        self._clock.add_ping(round(at_s * 1e9), round(back_s * 1e9), ticks[0] % WRAP, ticks[1] % WRAP)
        return back_s


def simulate(
    crystal: Crystal,
    line: Line,
    seconds: float,
    seed: int,
    rate_hz: int = 1000,
    late_s: float = 10e-6,
    stray_every: int = 0,
) -> Outcome:
    """Run a clock. late_s: mean lateness of the sampling interrupt. stray_every: every so many-th pong is nonsense."""
    random = np.random.default_rng(seed)
    clock = DeviceClock(1_000_000, rate_hz)
    pinger = _Pinger(clock, crystal, line, random, stray_every)
    at_s = 0.0
    for _ in range(FIRST_PINGS):
        at_s = pinger.ping(at_s)
    start_s, next_ping_s, last_s = at_s + 0.01, at_s + 0.1, -1.0
    start_tick = crystal.tick(start_s)
    ages, errors, grids, least_s = [], [], set(), math.inf
    true_s = start_s
    for index in range(0, int(seconds * rate_hz), ROWS):
        target = start_tick + index * 1_000_000 // rate_hz
        for _ in range(4):  # the true instant of a tick; drift is small, so this settles at once
            true_s += (target - crystal.tick(true_s)) * 1e-6
        while next_ping_s < true_s:
            pinger.ping(next_ping_s)
            next_ping_s += 0.1 if next_ping_s < 10 else 1.0
        tick32 = crystal.tick(true_s + random.exponential(late_s)) % WRAP
        clock.add_rows(index, widen(tick32, clock.tick_near(round((true_s + 0.05) * 1e9))))
        grid = clock.grid_at(index)
        grids.add(grid)
        first_s = grid.time_ns(index) * 1e-9
        least_s, last_s = min(least_s, first_s - last_s), grid.time_ns(index + ROWS - 1) * 1e-9
        clock.end_rows(index + ROWS)
        ages.append(true_s - start_s)
        errors.append(first_s - true_s)
    return Outcome(np.array(ages), np.array(errors), len(grids), least_s, clock)

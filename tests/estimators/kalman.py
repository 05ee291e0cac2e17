"""Fixed-lag smoother: Kalman filter forward, Rauch-Tung-Striebel backward, over a tile and its halo.

State: travel and its derivatives up to acceleration (white jerk drives it) or jerk (white snap).
Gains are the steady ones of each ratio of process to sensor noise; the ratio is chosen per tile as
the one under which the innovations are likeliest, of a grid. All tiles run side by side.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import factorial

import numpy as np
from numpy.typing import NDArray

from dutylog.motion.shaft_speed import TileShape

Array = NDArray[np.float64]

BATCH = 1024
"""Windows smoothed at once: the filtered states of one batch stay below 100 MB."""


@dataclass(frozen=True, slots=True)
class SteadyGains:
    """Of one noise ratio, time in samples. step: (k, k). gain: (k,). back: (k, k) of the backward pass.

    spread: innovation variance over sensor variance.
    """

    step: Array
    gain: Array
    back: Array
    spread: float


def compute_gains(order: int, ratio: float) -> SteadyGains:
    """Return the steady gains of a chain of `order` integrators.

    Args:
        ratio: process noise over sensor variance, per sample, of the last derivative.
    Source:
        Riccati recursion until it stands; R. E. Kalman 1960; H. Rauch, F. Tung, C. Striebel, AIAA
        Journal 3 (1965), both from memory. Process noise of a white last derivative:
        q / ((i! j!) (i + j + 1)) with i, j integrations to go.
    """
    step = np.array([[1.0 / factorial(j - i) if j >= i else 0.0 for j in range(order)] for i in range(order)])
    to_go = order - 1 - np.arange(order)
    scale = np.array([float(factorial(int(i))) for i in to_go])
    noise = ratio / (np.outer(scale, scale) * (to_go[:, None] + to_go[None, :] + 1.0))
    ahead = np.eye(order)
    for _ in range(20_000):
        gain = ahead[:, 0] / (ahead[0, 0] + 1.0)
        now = ahead - np.outer(gain, ahead[0])
        following = step @ now @ step.T + noise
        settled = np.allclose(following, ahead, rtol=1e-12, atol=0.0)
        ahead = following
        if settled:
            break
    gain = ahead[:, 0] / (ahead[0, 0] + 1.0)
    now = ahead - np.outer(gain, ahead[0])
    return SteadyGains(step, gain, now @ step.T @ np.linalg.inv(step @ now @ step.T + noise), float(ahead[0, 0] + 1.0))


@dataclass(frozen=True, slots=True)
class FixedLag:
    """order: 3 constant acceleration, 4 constant jerk. corners_hz: the grid, as bandwidths."""

    name: str
    order: int
    corners_hz: tuple[float, ...] = (5.0, 8.0, 12.0, 18.0, 27.0, 40.0, 60.0, 90.0)
    bandwidth: str = "5 to 90 Hz, chosen per tile"

    @property
    def lag_s(self) -> float:
        """Return the future a tile waits for at 1 kHz [s]."""
        return TileShape.for_rate(1000).future * 1e-3

    def estimate(self, windows_m: Array, shape: TileShape, dt_s: float) -> tuple[Array, Array]:
        """See Candidate."""
        # A chain of k integrators over white noise meets the sensor's floor where (w dt)^2k = ratio.
        grid = [compute_gains(self.order, (2.0 * np.pi * hz * dt_s) ** (2 * self.order)) for hz in self.corners_hz]
        parts = [self._smooth(windows_m[i : i + BATCH], shape, grid) for i in range(0, len(windows_m), BATCH)]
        travel, speed = (np.concatenate(column) for column in zip(*parts, strict=True))
        return travel, speed / dt_s

    def _smooth(self, windows_m: Array, shape: TileShape, grid: list[SteadyGains]) -> tuple[Array, Array]:
        first = windows_m[:, :1]
        series = np.ascontiguousarray((windows_m - first).T)
        costs = []
        for gains in grid:
            rest = _innovations(series, gains)[shape.past :]
            costs.append(np.log(np.mean(rest**2, axis=0) / gains.spread + 1e-30) + np.log(gains.spread))
        best = np.argmin(costs, axis=0)
        travel, speed = np.empty((len(first), shape.n)), np.empty((len(first), shape.n))
        for number in np.unique(best):
            mine = np.flatnonzero(best == number)
            states = _two_passes(series[:, mine], grid[number])[shape.past : shape.past + shape.n]
            travel[mine], speed[mine] = states[:, 0].T, states[:, 1].T
        return travel + first, speed


def _innovations(series: Array, gains: SteadyGains) -> Array:
    """Return what each sample says beyond its prediction (length, windows)."""
    state = np.zeros((len(gains.gain), series.shape[1]))
    rest = np.empty_like(series)
    for index, sample in enumerate(series):
        state = gains.step @ state
        rest[index] = sample - state[0]
        state += gains.gain[:, None] * rest[index]
    return rest


def _two_passes(series: Array, gains: SteadyGains) -> Array:
    """Return smoothed states (length, order, windows)."""
    states = np.empty((len(series), len(gains.gain), series.shape[1]))
    state = np.zeros(states.shape[1:])
    for index, sample in enumerate(series):
        state = gains.step @ state
        state = state + gains.gain[:, None] * (sample - state[0])
        states[index] = state
    for index in range(len(series) - 2, -1, -1):
        states[index] += gains.back @ (states[index + 1] - gains.step @ states[index])
    return states

"""A damped cosine fitted to evenly spaced values by least squares; numpy alone.

x = rest + exp(-s t) (a cos w t + b sin w t). For one s and w the other three follow from three linear equations, so
a grid over s and w finds the neighbourhood; Levenberg's and Marquardt's steps over all five do the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_GRID_HZ = (0.5, 5.0, 20)
_GRID_RATIOS = (0.04, 0.1, 0.18, 0.27, 0.37, 0.48, 0.6, 0.75)
_GRID_VALUES = 60
_STEPS = 16
_GAIN_RATIO = 1e-7
"""A step that gains less of the leftover than this is the last: far below what noise does to frequency and ratio."""


@dataclass(frozen=True, slots=True)
class DampedCosine:
    """One least-squares fit. values: s [1/s], w [rad/s], rest, a, b. covariance: of s and w."""

    values: Floats
    covariance: Floats
    rms: float

    @property
    def place(self) -> tuple[float, float]:
        """Return s and w, to begin another fit from."""
        return float(self.values[0]), float(self.values[1])

    @property
    def damped_hz(self) -> float:
        """Return the frequency of the swing as it is seen [Hz]."""
        return float(self.values[1]) / (2.0 * math.pi)

    @property
    def natural_hz(self) -> float:
        """Return the undamped frequency [Hz]: sqrt(s^2 + w^2) / 2 pi."""
        return self._natural / (2.0 * math.pi)

    @property
    def ratio(self) -> float:
        """Return the damping ratio s / sqrt(s^2 + w^2)."""
        return float(self.values[0]) / self._natural

    @property
    def rest(self) -> float:
        """Return where it comes to rest."""
        return float(self.values[2])

    @property
    def swing(self) -> float:
        """Return the envelope at the first value."""
        return math.hypot(float(self.values[3]), float(self.values[4]))

    @property
    def natural_sd_hz(self) -> float:
        """Return the standard deviation of the undamped frequency [Hz]."""
        s, w = float(self.values[0]), float(self.values[1])
        return self._sd_along(s / self._natural, w / self._natural) / (2.0 * math.pi)

    @property
    def ratio_sd(self) -> float:
        """Return the standard deviation of the damping ratio."""
        s, w = float(self.values[0]), float(self.values[1])
        return self._sd_along(w * w / self._natural**3, -s * w / self._natural**3)

    @property
    def _natural(self) -> float:
        return math.hypot(float(self.values[0]), float(self.values[1]))

    def _sd_along(self, by_s: float, by_w: float) -> float:
        """Return the deviation of what changes by so much with s and w. Source: propagation of error."""
        slope = np.array([by_s, by_w])
        return math.sqrt(max(float(slope @ self.covariance @ slope), 0.0))


def _model(values: Floats, time_s: Floats) -> tuple[Floats, Floats]:
    """Return the damped cosine and its derivatives (n, 5) by s, w, rest, a, b."""
    s, w, rest, a, b = values
    fall, angle = np.exp(-s * time_s), w * time_s
    cos, sin = fall * np.cos(angle), fall * np.sin(angle)
    swing = a * cos + b * sin
    slopes = np.stack([-time_s * swing, time_s * (b * cos - a * sin), np.ones_like(time_s), cos, sin], axis=1)
    return rest + swing, slopes


def _linear(s: float, w: float, time_s: Floats, values_seen: Floats) -> Floats:
    """Return rest, a, b that fit best at one s and w."""
    fall = np.exp(-s * time_s)
    columns = np.stack([np.ones_like(time_s), fall * np.cos(w * time_s), fall * np.sin(w * time_s)], axis=1)
    return np.asarray(np.linalg.lstsq(columns, values_seen, rcond=None)[0], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class Neighbourhood:
    """Where on a grid a damped cosine fits best. left_over_ratio: rms of what it leaves over the swing there."""

    s: float
    w: float
    left_over_ratio: float


@lru_cache(maxsize=2)
def _grid(count: int, rate_hz: float) -> tuple[Floats, Floats, Floats]:
    """Return s, w (g,) of a grid and orthonormal columns (g, count, 3) that span rest, a and b there."""
    time_s = np.arange(count) / rate_hz
    hz, ratio = (axis.ravel() for axis in np.meshgrid(np.geomspace(*_GRID_HZ), _GRID_RATIOS))
    natural = 2.0 * math.pi * hz
    s, w = ratio * natural, natural * np.sqrt(1.0 - ratio**2)
    fall, angle = np.exp(-s[:, None] * time_s), w[:, None] * time_s
    columns = np.stack([np.ones_like(fall), fall * np.cos(angle), fall * np.sin(angle)], axis=2)
    return s, w, np.asarray(np.linalg.qr(columns)[0], dtype=np.float64)


def find_neighbourhood(values_seen: Floats, rate_hz: float) -> Neighbourhood:
    """Return the best of a grid of frequencies and damping ratios, judged by some of the values."""
    step = max(1, len(values_seen) // _GRID_VALUES)
    seen = values_seen[::step]
    s, w, spans = _grid(len(seen), rate_hz / step)
    caught = np.einsum("gnk,n->gk", spans, seen)
    squares = float(seen @ seen) - np.einsum("gk,gk->g", caught, caught)
    best = int(np.argmin(squares))
    _, a, b = _linear(float(s[best]), float(w[best]), np.arange(len(seen)) * step / rate_hz, seen).tolist()
    rms, swing = math.sqrt(max(float(squares[best]), 0.0) / len(seen)), math.hypot(a, b)
    return Neighbourhood(float(s[best]), float(w[best]), rms / swing if swing > 0.0 else math.inf)


def fit_damped_cosine(values_seen: Floats, rate_hz: float, noise: float, near: tuple[float, float]) -> DampedCosine:
    """Fit by Levenberg's and Marquardt's steps from an s and w nearby."""
    time_s = np.arange(len(values_seen)) / rate_hz
    s, w = near
    values = np.array([s, w, *_linear(s, w, time_s, values_seen)])
    made, slopes = _model(values, time_s)
    left = values_seen - made
    squares, damping = float(left @ left), 1e-3
    for _ in range(_STEPS):
        normal = slopes.T @ slopes
        step = np.linalg.lstsq(normal + damping * np.diag(np.diag(normal)), slopes.T @ left, rcond=None)[0]
        tried = values + step
        tried[0] = max(tried[0], 1e-6)
        tried[1] = max(abs(tried[1]), 1e-3)
        made, new_slopes = _model(tried, time_s)
        new_left = values_seen - made
        new_squares = float(new_left @ new_left)
        if new_squares < squares:
            gained = squares - new_squares
            values, slopes, left, squares, damping = tried, new_slopes, new_left, new_squares, damping * 0.2
            if gained < _GAIN_RATIO * squares:
                break
        else:
            damping *= 5.0
            if damping > 1e8:
                break
    count = len(values_seen)
    variance = max(squares / max(count - 5, 1) * _stretch(left), noise**2)
    covariance = np.asarray(np.linalg.pinv(slopes.T @ slopes)[:2, :2] * variance, dtype=np.float64)
    return DampedCosine(values, covariance, math.sqrt(squares / count))


def _stretch(left: Floats) -> float:
    """Return by how much the leftover's likeness to itself makes the fit worse than white noise would.

    Source: variance of a mean of alike values, 1 + 2 sum of autocorrelations, summed to the first below 0.
    """
    left = left - left.mean()
    power = float(left @ left)
    if power <= 0.0:
        return 1.0
    total = 1.0
    for lag in range(1, len(left) // 2):
        likeness = float(left[:-lag] @ left[lag:]) / power
        if likeness <= 0.0:
            break
        total += 2.0 * likeness
    return total

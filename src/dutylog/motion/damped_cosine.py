"""A damped cosine fitted to evenly spaced values by least squares; numpy alone.

x = rest + exp(-s t) (a cos w t + b sin w t). For one s and w the other three follow from three linear equations, so
a grid over s and w finds the neighbourhood; Levenberg's and Marquardt's steps over all five do the rest.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]
Turns = NDArray[np.complex128]
Values = tuple[float, float, float, float, float]

_GRID_VALUES = 60
_STEPS = 16
_GAIN_RATIO = 1e-7
"""A step that gains less of the leftover than this is the last: far below what noise does to frequency and ratio."""


@dataclass(frozen=True, slots=True)
class DampedCosine:
    """One least-squares fit. values: s [1/s], w [rad/s], rest, a, b. rms: of what it leaves over.

    noise: rms of one value as it was given. rows: (6, n) its derivatives by the values, then what it leaves over.
    """

    values: Values
    rms: float
    noise: float
    rows: Floats = field(repr=False)

    @property
    def place(self) -> tuple[float, float]:
        """Return s and w, to begin another fit from."""
        return self.values[0], self.values[1]

    @property
    def damped_hz(self) -> float:
        """Return the frequency of the swing as it is seen [Hz]."""
        return self.values[1] / (2.0 * math.pi)

    @property
    def natural_hz(self) -> float:
        """Return the undamped frequency [Hz]: sqrt(s^2 + w^2) / 2 pi."""
        return math.hypot(*self.place) / (2.0 * math.pi)

    @property
    def ratio(self) -> float:
        """Return the damping ratio s / sqrt(s^2 + w^2)."""
        return self.values[0] / math.hypot(*self.place)

    @property
    def rest(self) -> float:
        """Return where it comes to rest."""
        return self.values[2]

    @property
    def swing(self) -> float:
        """Return the envelope at the first value."""
        return math.hypot(self.values[3], self.values[4])

    def deviations(self) -> tuple[float, float]:
        """Return the standard deviations of the undamped frequency [Hz] and of the damping ratio.

        Not worked out with every fit: it costs as much as the fit, and few of them are believed.
        """
        slopes, left = self.rows[:5], self.rows[5]
        count = len(left)
        variance = max(self.rms**2 * count / max(count - 5, 1) * _stretch(left), self.noise**2)
        covariance = np.linalg.pinv(slopes @ slopes.T)[:2, :2] * variance
        s, w = self.place
        natural = math.hypot(s, w)
        along = np.array([[s / natural / (2.0 * math.pi), w / natural / (2.0 * math.pi)],
                          [w * w / natural**3, -s * w / natural**3]])  # fmt: skip
        # Source: propagation of error.
        by_hz, by_ratio = np.einsum("ki,ij,kj->k", along, covariance, along).tolist()
        return math.sqrt(max(by_hz, 0.0)), math.sqrt(max(by_ratio, 0.0))


@dataclass(frozen=True, slots=True)
class Grid:
    """Where to look first. hz: lowest, highest and number of undamped frequencies. ratios: damping ratios."""

    hz: tuple[float, float, int]
    ratios: tuple[float, ...]


COARSE = Grid((0.5, 5.0, 20), (0.04, 0.1, 0.18, 0.27, 0.37, 0.48, 0.6, 0.75))
FINE = Grid((0.5, 5.0, 30), (0.02, 0.05, 0.08, 0.12, 0.17, 0.23, 0.3, 0.38, 0.47, 0.58, 0.7, 0.82))


def _turns(s: float, w: float, count: int, rate_hz: float) -> Turns:
    """Return exp((-s + i w) t) at each value: its real part is the cosine, its imaginary part the sine.

    Each is the one before times the same number, which costs a tenth of what exponentials and cosines do; rounding
    grows to 1e-13 over 1000 values.
    """
    turns = np.full(count, cmath.exp(complex(-s, w) / rate_hz))
    turns[0] = 1.0
    return np.multiply.accumulate(turns, out=turns)


def _rows(values: Values, minus_s: Floats, rate_hz: float, values_seen: Floats) -> Floats:
    """Return (6, n): derivatives of the damped cosine by s, w, rest, a, b, then what it leaves over.

    minus_s: (n,) time of each value, negative [s].
    """
    s, w, rest, a, b = values
    turns = _turns(s, w, len(minus_s), rate_hz)
    # (a - i b) (cos + i sin): the swing, and less its derivative by the angle
    swing = complex(a, -b) * turns
    rows = np.ones((6, len(minus_s)))
    np.multiply(swing.real, minus_s, out=rows[0])
    np.multiply(swing.imag, minus_s, out=rows[1])
    rows[3], rows[4] = turns.real, turns.imag
    np.subtract(values_seen, rest, out=rows[5])
    rows[5] -= swing.real
    return rows


def _solve(products: Floats) -> list[float]:
    """Return what symmetric equations (k, k) with their right side in a last column say; zeros where they don't."""
    try:
        return list(np.linalg.solve(products[:, :-1], products[:, -1]).tolist())
    except np.linalg.LinAlgError:
        return [0.0] * len(products)


@dataclass(frozen=True, slots=True)
class Neighbourhood:
    """Where on a grid a damped cosine fits best. left_over_ratio: rms of what it leaves over the swing there."""

    s: float
    w: float
    left_over_ratio: float


@lru_cache(maxsize=4)
def _spans(grid: Grid, count: int, rate_hz: float) -> tuple[Floats, Floats, Singles, Floats]:
    """Return s, w (g,) of a grid, orthonormal rows (3 g, count) that span rest, a and b there, and a, b by them.

    The rows in single precision: half a megabyte less that is kept, and read at every look. The last is (g, 3, 3): what
    each of rest, cosine and sine is of the orthonormal rows, upper triangles.
    """
    time_s = np.arange(count) / rate_hz
    hz, ratio = (axis.ravel() for axis in np.meshgrid(np.geomspace(*grid.hz), grid.ratios))
    natural = 2.0 * math.pi * hz
    s, w = ratio * natural, natural * np.sqrt(1.0 - ratio**2)
    fall, angle = np.exp(-s[:, None] * time_s), w[:, None] * time_s
    columns = np.stack([np.ones_like(fall), fall * np.cos(angle), fall * np.sin(angle)], axis=2)
    spans, triangles = np.linalg.qr(columns)
    return s, w, spans.transpose(0, 2, 1).astype(np.float32, order="C").reshape(-1, count), triangles


def find_neighbourhood(values_seen: Floats, rate_hz: float, grid: Grid = COARSE) -> Neighbourhood:
    """Return the best of a grid of frequencies and damping ratios, judged by some of the values."""
    step = max(1, len(values_seen) // _GRID_VALUES)
    # About their mean, which any rest takes up: what is left of large squares would be rounding.
    seen = (values_seen[::step] - values_seen.mean()).astype(np.float32)
    s, w, spans, triangles = _spans(grid, len(seen), rate_hz / step)
    caught = (spans @ seen).reshape(-1, 3)
    squares = np.einsum("gk,gk->g", caught, caught)
    best = int(squares.argmax())
    left = max(float(seen @ seen) - float(squares[best]), 0.0)
    _, of_cos, of_sin = caught[best].tolist()
    _, (_, cos, between), (_, _, sin) = triangles[best].tolist()
    b = of_sin / sin
    swing = math.hypot((of_cos - between * b) / cos, b)
    return Neighbourhood(
        float(s[best]), float(w[best]), math.sqrt(left / len(seen)) / swing if swing > 0.0 else math.inf
    )


def fit_damped_cosine(values_seen: Floats, rate_hz: float, noise: float, near: tuple[float, float]) -> DampedCosine:
    """Fit by Levenberg's and Marquardt's steps from an s and w nearby."""
    minus_s = np.arange(len(values_seen)) / -rate_hz
    rows = _rows((*near, 0.0, 0.0, 0.0), minus_s, rate_hz, values_seen)
    rest, a, b = _solve(rows[2:5] @ rows[2:].T)
    values = (*near, rest, a, b)
    rows = _rows(values, minus_s, rate_hz, values_seen)
    # All that a step needs in one product: normal equations, their right side in the last column, squares left.
    products = rows @ rows.T
    squares, damping = float(products[5, 5]), 1e-3
    for _ in range(_STEPS):
        damped = products[:5].copy()
        damped.flat[::7] *= 1.0 + damping
        step = _solve(damped)
        s, w, rest, a, b = (value + change for value, change in zip(values, step, strict=True))
        tried = max(s, 1e-6), max(abs(w), 1e-3), rest, a, b
        new_rows = _rows(tried, minus_s, rate_hz, values_seen)
        new_products = new_rows @ new_rows.T
        new_squares = float(new_products[5, 5])
        if new_squares < squares:
            gained = squares - new_squares
            values, rows, products, squares, damping = tried, new_rows, new_products, new_squares, damping * 0.2
            if gained < _GAIN_RATIO * squares:
                break
        else:
            damping *= 5.0
            if damping > 1e8:
                break
    return DampedCosine(values, math.sqrt(squares / len(values_seen)), noise, rows)


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

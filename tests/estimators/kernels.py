"""Kernels: central difference, windowed polynomial, least-squares filter; one for all or one per tile.

A kernel is a pair of filters of the same odd length, one that smooths and one that differentiates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from tests.estimators.candidate import measure_floor

from dutylog.motion.shaft_speed import TileShape

Array = NDArray[np.float64]

REST_RATIO = 1.05
"""A kernel is gentle enough while what it takes away is no more than this times the noise. Judgement."""


@dataclass(frozen=True, slots=True)
class Kernel:
    """smooth, derive: (2 m + 1,) weights of samples -m..m; derive gives the slope for each sample."""

    smooth: Array
    derive: Array

    def apply(self, windows_m: Array, shape: TileShape, dt_s: float) -> tuple[Array, Array]:
        """Return travel and speed of the tiles; the halo is longer than any kernel here."""
        half = len(self.smooth) // 2
        near = windows_m[:, shape.past - half : shape.past + shape.n + half]
        views = np.lib.stride_tricks.sliding_window_view(near, len(self.smooth), axis=1)
        both = views @ np.stack([self.smooth, self.derive], axis=1)
        return both[:, :, 0], both[:, :, 1] / dt_s


def windowed_polynomial(half: int, degree: int = 3) -> Kernel:
    """Return the polynomial of a degree fitted by least squares to 2 half + 1 samples, read at the middle.

    Source:
        A. Savitzky, M. Golay, Analytical Chemistry 36 (1964), from memory: the fit is linear in the
        samples, so its value and slope at the middle are fixed weights, rows of the pseudo-inverse.
    """
    offsets = np.arange(-half, half + 1) / half
    weights = np.linalg.pinv(np.vander(offsets, degree + 1, increasing=True))
    return Kernel(weights[0], weights[1] / half)


def least_squares_filter(half: int, pass_ratio: float, stop_ratio: float) -> Kernel:
    """Return the filters whose response is nearest to 1 and to a derivative below pass_ratio and to 0 above stop_ratio.

    Args:
        pass_ratio, stop_ratio: shares of the sample rate, below 0.5; what lies between is left free.
    Source:
        Linear-phase filter design by least squares on a dense frequency grid: cosine terms for the
        even filter, sine terms for the odd one; both are ordinary linear least squares.
    """
    band = np.linspace(0.0, 0.5, 16 * half)
    kept = (band <= pass_ratio) | (band >= stop_ratio)
    omega, wanted = 2.0 * np.pi * band[kept], (band[kept] <= pass_ratio).astype(np.float64)
    steps = np.arange(1, half + 1)
    cosines = np.concatenate([np.ones((len(omega), 1)), 2.0 * np.cos(np.outer(omega, steps))], axis=1)
    even = np.linalg.lstsq(cosines, wanted, rcond=None)[0]
    odd = np.linalg.lstsq(2.0 * np.sin(np.outer(omega, steps)), wanted * omega, rcond=None)[0]
    smooth = np.concatenate([even[:0:-1], even])
    # Unit sum and unit slope: a steady shaft and a steady speed come out exact.
    derive = np.concatenate([-odd[::-1], [0.0], odd])
    return Kernel(smooth / smooth.sum(), derive / np.dot(derive, np.arange(-half, half + 1)))


@dataclass(frozen=True, slots=True)
class Plain:
    """The plain way: travel as read, speed from both neighbours."""

    name: str = "central difference"
    bandwidth: str = "all"
    lag_s: float = 0.001

    def estimate(self, windows_m: Array, shape: TileShape, dt_s: float) -> tuple[Array, Array]:
        """See Candidate."""
        near = windows_m[:, shape.past - 1 : shape.past + shape.n + 1]
        return near[:, 1:-1], (near[:, 2:] - near[:, :-2]) / (2.0 * dt_s)


@dataclass(frozen=True, slots=True)
class Fixed:
    """One kernel for everything."""

    name: str
    bandwidth: str
    kernel: Kernel

    @property
    def lag_s(self) -> float:
        """Return half the kernel at 1 kHz [s]."""
        return (len(self.kernel.smooth) // 2) * 1e-3

    def estimate(self, windows_m: Array, shape: TileShape, dt_s: float) -> tuple[Array, Array]:
        """See Candidate."""
        return self.kernel.apply(windows_m, shape, dt_s)


@dataclass(frozen=True, slots=True)
class Chosen:
    """Per tile the smoothest kernel that takes away no more than the noise floor.

    kernels: smoothest first; the last one is taken where none is gentle enough.
    """

    name: str
    bandwidth: str
    kernels: tuple[Kernel, ...]

    @property
    def lag_s(self) -> float:
        """Return half the longest kernel at 1 kHz [s]."""
        return max(len(kernel.smooth) // 2 for kernel in self.kernels) * 1e-3

    def estimate(self, windows_m: Array, shape: TileShape, dt_s: float) -> tuple[Array, Array]:
        """See Candidate."""
        tile = windows_m[:, shape.past : shape.past + shape.n]
        allowed = REST_RATIO * measure_floor(windows_m)
        travel, speed = np.empty_like(tile), np.empty_like(tile)
        waiting = np.arange(len(tile))
        for kernel in self.kernels:
            x, v = kernel.apply(windows_m[waiting], shape, dt_s)
            travel[waiting], speed[waiting] = x, v
            # A kernel's middle weight w leaves sqrt(1 - 2 w + |k|^2) of white noise in the rest; w = |k|^2 for
            # a polynomial. Compared with that, so that short kernels aren't called gentle for being short.
            middle = kernel.smooth[len(kernel.smooth) // 2]
            left = np.sqrt(1.0 - 2.0 * middle + np.sum(kernel.smooth**2))
            rest = np.sqrt(np.mean((tile[waiting] - x) ** 2, axis=1))
            waiting = waiting[rest > left * allowed[waiting]]
            if not len(waiting):
                break
        return travel, speed

"""Spectral shrinkage: the engine's own estimator, and the same idea written out with its exponent free."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.motion.shaft_speed import ShaftSpeedEstimator, TileShape

Array = NDArray[np.float64]

BANDWIDTH = "what stands above the floor"


@dataclass(frozen=True, slots=True)
class Production:
    """The estimator that the engine runs."""

    name: str = "spectral shrinkage (engine)"
    bandwidth: str = BANDWIDTH

    @property
    def lag_s(self) -> float:
        """Return the future a tile waits for at 1 kHz [s]."""
        return TileShape.for_rate(1000).future * 1e-3

    def estimate(self, windows_m: Array, shape: TileShape, dt_s: float) -> tuple[Array, Array]:
        """See Candidate; the estimator is asked tile by tile, four channels at once, as the engine does."""
        estimator = ShaftSpeedEstimator(shape, dt_s)
        parts = [estimator.prepare(windows_m[start : start + 4], dt_s) for start in range(0, len(windows_m), 4)]
        return np.concatenate([part[0] for part in parts]), np.concatenate([part[1] for part in parts])


@dataclass(frozen=True, slots=True)
class Shrinkage:
    """Gain (1 - floor / power) ** exponent for speed, exponent 1 for travel; bins near the floor are 0.

    exponent: 0.5 keeps the power, 1 is Wiener's gain, 0 only selects bins.
    """

    name: str
    exponent: float
    bandwidth: str = BANDWIDTH
    gain_bins: int = 5
    decision_bins: int = 21
    decision_level: float = 3.0

    @property
    def lag_s(self) -> float:
        """Return the future a tile waits for at 1 kHz [s]."""
        return TileShape.for_rate(1000).future * 1e-3

    def estimate(self, windows_m: Array, shape: TileShape, dt_s: float) -> tuple[Array, Array]:
        """See Candidate."""
        flank = min(shape.past, shape.future) * 2 // 3
        taper = np.ones(shape.length)
        taper[:flank] = 0.5 - 0.5 * np.cos(np.pi * (np.arange(flank) + 0.5) / flank)
        taper[-flank:] = taper[:flank][::-1]
        edge = shape.length // 10
        left = windows_m[:, :edge].mean(axis=1, keepdims=True)
        rise = windows_m[:, -edge:].mean(axis=1, keepdims=True) - left
        trend = left + rise * np.linspace(0.0, 1.0, shape.length)
        spectrum = np.fft.rfft((windows_m - trend) * taper, axis=1)
        power = np.abs(spectrum) ** 2
        bins = power.shape[1]
        floor = np.median(power[:, bins // 2 : int(0.98 * bins)], axis=1, keepdims=True) / np.log(2.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            wiener = np.maximum(0.0, 1.0 - floor / _mean_around(power, self.gain_bins))
        wiener[_mean_around(power, self.decision_bins) <= self.decision_level * floor] = 0.0
        kept = wiener > 0.0
        gain = np.where(kept, np.where(kept, wiener, 1.0) ** self.exponent, 0.0)
        turn = 2j * np.pi * np.fft.rfftfreq(shape.length)
        tile = slice(shape.past, shape.past + shape.n)
        travel = np.fft.irfft(spectrum * wiener, shape.length, axis=1)[:, tile] + trend[:, tile]
        speed = np.fft.irfft(spectrum * gain * turn, shape.length, axis=1)[:, tile] + rise / (shape.length - 1)
        return travel, speed / dt_s


def _mean_around(values: Array, width: int) -> Array:
    """Return the running mean over `width` (odd) neighbours, mirrored at the ends."""
    padded = np.pad(values, ((0, 0), (width // 2, width // 2)), mode="reflect")
    total = np.cumsum(np.pad(padded, ((0, 0), (1, 0))), axis=1)
    mean: Array = np.maximum((total[:, width:] - total[:, :-width]) / width, 0.0)
    return mean

"""Mains hum taken out beforehand, so that candidates without a notion of it are compared on the same ground."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MAINS_HZ = (50.0, 60.0)
HARMONICS = (1, 2, 3, 4, 5)
OFF_RATIO = 0.005
LEVEL = 6.0
"""A line counts as hum when its power stands this far above both sides. Low, because a sine fitted to mere
noise takes no more away than one bin of it (judgement; at 12 the weak third harmonic is found in half the tiles)."""
SIDE_BINS = np.arange(4, 13)


def remove_hum(windows_m: Array, dt_s: float) -> Array:
    """Return windows without the sines found near mains harmonics, each fitted by least squares.

    Args:
        windows_m: (windows, length) travel [m].
        dt_s: sample spacing [s].
    """
    clean = windows_m.copy()
    length = windows_m.shape[1]
    taper = np.hanning(length)
    power = np.abs(np.fft.rfft((clean - clean.mean(axis=1, keepdims=True)) * taper, axis=1)) ** 2
    per_hz = length * dt_s
    for center_hz in (mains * harmonic for mains in MAINS_HZ for harmonic in HARMONICS):
        reach_hz = center_hz * OFF_RATIO + 0.3
        low, high = round((center_hz - reach_hz) * per_hz), round((center_hz + reach_hz) * per_hz) + 1
        if low <= SIDE_BINS[-1] + 1 or high + SIDE_BINS[-1] >= power.shape[1]:
            continue
        peak = low + np.argmax(power[:, low:high], axis=1)[:, None]
        row = np.arange(len(power))[:, None]
        sides = np.maximum(power[row, peak - SIDE_BINS].mean(axis=1), power[row, peak + SIDE_BINS].mean(axis=1))
        found = np.flatnonzero(power[row, peak][:, 0] > LEVEL * sides)
        if len(found):
            # Between two bins the peak of this taper lies where a parabola through the logarithms has it.
            before, at, after = (np.log(power[found, peak[found, 0] + step]) for step in (-1, 0, 1))
            place = peak[found, 0] + 0.5 * (before - after) / (before - 2.0 * at + after)
            clean[found] -= _fit_sines(clean[found], 2.0 * np.pi * place / length, taper)
    return clean


def _fit_sines(windows_m: Array, omega: Array, taper: Array) -> Array:
    """Return for each window the sine of omega [rad/sample] that fits it best under the taper."""
    phase = np.exp(1j * omega[:, None] * np.arange(windows_m.shape[1]))
    level = windows_m - windows_m.mean(axis=1, keepdims=True)
    amplitude = 2.0 * np.sum(level * taper * phase.conj(), axis=1) / taper.sum()
    sines: Array = (amplitude[:, None] * phase).real
    return sines

"""Shaft travel and speed from noisy samples: spectral shrinkage in overlapping windows.

Why not differentiate: F(v) * v is convex, so noise in v adds energy that never happened, and any
smoothing that fits one road removes energy on another. Here every window measures its own noise
floor and keeps, at each frequency, the share of power that stands above it.

Derivation: for a bin with power P = S + N (signal and noise independent) the gain sqrt(1 - N / P)
leaves the power S: what a linear damper would turn to heat is kept without bias. (The Wiener gain
1 - N / P is the best guess of the wave itself but leaves S^2 / P < S.) Known as power spectral
subtraction; Source: M. Berouti, R. Schwartz, J. Makhoul, ICASSP 1979, from memory. Bins whose
neighbourhood does not stand clear of the floor are set to zero, so a standing shaft earns nothing.

Bandwidth: whatever stands above the floor, at most Nyquist. Lag: `future` samples (0.45 s at 1 kHz).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError

Array = NDArray[np.float64]

# Smoothing of the power spectrum for the gain and for the decision whether a bin holds signal, in
# bins of about 0.5 Hz; the decision level over the floor. Chosen on the recordings of tests/data/cases
# (energy within 0.2 % at every sensor grade; lower levels let noise through, higher ones cut signal).
_GAIN_BINS = 5
_DECISION_BINS = 21
_DECISION_LEVEL = 3.0
# The floor is read where no shaft moves: the upper half of the band, short of the last 2 %.
_FLOOR_BAND = (0.5, 0.98)
# Mains hum: harmonics looked at, how far off nominal the mains may be (0.5 %), how far a line must
# stand over its neighbours, and how many bins either side it leaks into with this taper.
_MAINS_HZ = (50.0, 60.0)
_MAINS_HARMONICS = (1, 2, 3, 4, 5)
_MAINS_OFF_RATIO = 0.005
_LINE_LEVEL = 12.0
_LINE_HALF_BINS = 4
_LINE_BINS = np.arange(-_LINE_HALF_BINS, _LINE_HALF_BINS + 1)
_SIDE_BINS = np.concatenate([np.arange(-12, -_LINE_HALF_BINS), np.arange(_LINE_HALF_BINS + 1, 13)])


@dataclass(frozen=True, slots=True)
class TileShape:
    """How a tile of n samples sits in its window: `past` samples, the tile, `future` samples."""

    n: int
    length: int
    past: int
    future: int

    @staticmethod
    def for_rate(samples_per_second: int) -> TileShape:
        """Return the shape for round(rate) samples a tile; the window is a power of two >= 2 tiles."""
        if samples_per_second < 1:
            raise InputError(f"samples_per_second is {samples_per_second}, must be at least 1")
        n = samples_per_second
        length = 1 << (2 * n - 1).bit_length()
        length = max(length, 64)
        past = (length - n) * 4 // 7
        return TileShape(n, length, past, length - n - past)


def compute_taper(shape: TileShape) -> Array:
    """Return the window's weights (length,): 1 over the tile and its near halo, cosine flanks outside."""
    flank = min(shape.past, shape.future) * 2 // 3
    weights = np.ones(shape.length)
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(flank) + 0.5) / max(flank, 1))
    weights[:flank] = rise
    weights[shape.length - flank :] = rise[::-1]
    return weights


class ShaftSpeedEstimator:
    """Windows in, prepared travel and shaft speed of the tile out; keeps no state between tiles."""

    def __init__(self, shape: TileShape, dt_s: float) -> None:
        """shape: of tile and window. dt_s: nominal sample spacing [s], > 0, to find mains hum by."""
        if not dt_s > 0:
            raise InputError(f"dt_s is {dt_s}, must be positive")
        self.shape = shape
        self._taper = compute_taper(shape)
        self._taper_power = float(np.sum(self._taper**2))
        self._ramp = np.linspace(0.0, 1.0, shape.length)
        self._tapered_ramp = self._ramp * self._taper
        freq_hz: Array = np.fft.rfftfreq(shape.length, dt_s).astype(np.float64)
        self._derive = 2j * np.pi * np.fft.rfftfreq(shape.length)
        self._floor = slice(int(_FLOOR_BAND[0] * len(freq_hz)), int(_FLOOR_BAND[1] * len(freq_hz)))
        self._lines = _line_bands(freq_hz)

    def prepare(self, window_m: Array, dt_s: float) -> tuple[Array, Array, Array]:
        """Return prepared travel, shaft speed and noise of the tile.

        Args:
            window_m: (channels, length) float [m], finite.
            dt_s: sample spacing of this window [s].
        Returns:
            travel (channels, n) [m], speed (channels, n) [m/s] and noise (channels,) [m rms].
        Raises:
            InputError: another window length.
        Source:
            Module docstring; tests/motion/test_shaft_speed.py and the recordings with known truth.
        """
        shape = self.shape
        if window_m.shape[1] != shape.length:
            raise InputError(f"window of {window_m.shape[1]} samples, expected {shape.length}")
        edge = max(1, shape.length // 10)
        left = window_m[:, :edge].mean(axis=1, keepdims=True)
        rise = window_m[:, -edge:].mean(axis=1, keepdims=True) - left
        tapered = window_m * self._taper
        tapered -= left * self._taper
        tapered -= rise * self._tapered_ramp
        spectrum = np.fft.rfft(tapered, axis=1)
        power = np.square(spectrum.real)
        power += np.square(spectrum.imag)
        # Median of an exponential variable is ln 2 of its mean; the median ignores lines in the band.
        band = power[:, self._floor]
        middle = band.shape[1] // 2
        floor = np.partition(band, middle, axis=1)[:, middle, None] / np.log(2.0)
        self._remove_lines(spectrum, power)
        gain = _shrinkage(power, floor)
        channels = len(window_m)
        both = np.empty((2 * channels, spectrum.shape[1]), dtype=np.complex128)
        spectrum *= gain
        np.multiply(spectrum, gain, out=both[:channels])
        np.multiply(spectrum, self._derive, out=both[channels:])
        tile = slice(shape.past, shape.past + shape.n)
        signals = np.fft.irfft(both, shape.length, axis=1)[:, tile]
        travel = rise * self._ramp[tile]
        travel += left
        travel += signals[:channels]
        speed = signals[channels:] + rise / (shape.length - 1)
        speed /= dt_s
        return travel, speed, np.sqrt(floor[:, 0] / self._taper_power)

    def _remove_lines(self, spectrum: NDArray[np.complex128], power: Array) -> None:
        """Take mains hum out, in place: narrow lines near mains harmonics that stand over both sides."""
        channels = np.arange(len(power))[:, None]
        for low, high in self._lines:
            peak = low + np.argmax(power[:, low:high], axis=1)[:, None]
            sides = power[channels, peak + _SIDE_BINS]
            half = len(_SIDE_BINS) // 2
            level = np.maximum(sides[:, :half].mean(axis=1), sides[:, half:].mean(axis=1))
            stands_out = np.flatnonzero(power[channels, peak][:, 0] > _LINE_LEVEL * level)
            if len(stands_out):
                rows, bins = channels[stands_out], peak[stands_out] + _LINE_BINS
                spectrum[rows, bins] = 0.0
                power[rows, bins] = level[stands_out, None]


def _line_bands(freq_hz: Array) -> tuple[tuple[int, int], ...]:
    """Return bin ranges around mains harmonics that lie well inside the spectrum."""
    bands = []
    per_hz = 1.0 / (freq_hz[1] - freq_hz[0])
    for mains_hz in _MAINS_HZ:
        for harmonic in _MAINS_HARMONICS:
            center_hz = mains_hz * harmonic
            off_hz = center_hz * _MAINS_OFF_RATIO + 0.3
            low = round((center_hz - off_hz) * per_hz)
            high = round((center_hz + off_hz) * per_hz) + 1
            if low > 13 and high + 13 < len(freq_hz) * 0.9:
                bands.append((low, high))
    return tuple(bands)


def _shrinkage(power: Array, floor: Array) -> Array:
    """Return the gain (channels, bins) that keeps the power above the floor."""
    near, wide = _box_sums(power)
    clear = wide > (_DECISION_LEVEL * _DECISION_BINS) * floor
    # Bins that are kept lie well above the floor, so nothing is divided by zero.
    ratio = np.divide(_GAIN_BINS * floor, near, out=np.ones_like(near), where=clear & (near > 0.0))
    np.subtract(1.0, ratio, out=ratio)
    np.maximum(ratio, 0.0, out=ratio)
    return np.sqrt(ratio, out=ratio)


def _box_sums(power: Array) -> tuple[Array, Array]:
    """Return running sums over _GAIN_BINS and over _DECISION_BINS neighbours, mirrored at both ends."""
    half, bins = _DECISION_BINS // 2, power.shape[1]
    total = np.empty((len(power), bins + 2 * half + 1))
    total[:, 0] = 0.0
    total[:, 1 : half + 1] = power[:, half:0:-1]
    total[:, half + 1 : half + 1 + bins] = power
    total[:, half + 1 + bins :] = power[:, -2 : -half - 2 : -1]
    np.cumsum(total, axis=1, out=total)
    inner = half - _GAIN_BINS // 2
    near = total[:, inner + _GAIN_BINS : inner + _GAIN_BINS + bins] - total[:, inner : inner + bins]
    return near, total[:, _DECISION_BINS:] - total[:, :-_DECISION_BINS]

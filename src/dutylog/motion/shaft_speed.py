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

# Smoothing of the power spectrum for the gain, and for the decision whether a bin holds signal, in
# bins of about 0.5 Hz; the decision level over the floor. Chosen on the recordings of tests/data/cases
# and on 48 simulated drives (shared/SHAFT_SPEED.md): lower levels let noise through, higher ones cut
# off the tail of smooth roads and of an idling engine. For speed the tail counts most, so its level is
# lower; above the split a wider mean, which scatters less, allows a lower one still, until noise in
# speed, which grows with frequency, makes a wrong "yes" dear.
_GAIN_BINS = 5
_LOW_BINS = 21
_HIGH_BINS = 61
_TRAVEL_LEVEL = 3.0
_SPEED_LOW_LEVEL = 2.5
_SPEED_HIGH_LEVELS = ((60.0, 1.6), (150.0, 3.0))
_SPLIT_HZ = 40.0
# Slower samplers hold noise and motion in the same few Hz; there the levels for speed are those for travel.
_TUNED_NYQUIST_HZ = 250.0
# The floor is read where no shaft moves: the upper half of the band, short of the last 2 %.
_FLOOR_BAND = (0.5, 0.98)
# Mains hum: harmonics looked at, how far off nominal the mains may be (0.5 %), how far a line must
# stand over its neighbours, and how many bins either side it leaks into with this taper; more where it
# stands so far out that the neighbours are its own leak.
_MAINS_HZ = (50.0, 60.0)
_MAINS_HARMONICS = (1, 2, 3, 4, 5)
_MAINS_OFF_RATIO = 0.005
_LINE_LEVEL = 12.0
_STRONG_RATIO = 300.0
_LEAK_BINS = 12
_LINE_HALF_BINS = 4
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
        fine = freq_hz[-1] >= _TUNED_NYQUIST_HZ
        self._speed_level = _SPEED_LOW_LEVEL if fine else _TRAVEL_LEVEL
        self._split = int(np.searchsorted(freq_hz, _SPLIT_HZ)) if fine else len(freq_hz)
        self._high_sums: Array = _HIGH_BINS * np.interp(freq_hz[self._split :], *np.array(_SPEED_HIGH_LEVELS).T)

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
        self._remove_lines(spectrum, power, floor)
        for_travel, for_speed = self._gains(power, floor)
        channels = len(window_m)
        both = np.empty((2 * channels, spectrum.shape[1]), dtype=np.complex128)
        np.multiply(spectrum, for_travel, out=both[:channels])
        spectrum *= self._derive
        np.multiply(spectrum, for_speed, out=both[channels:])
        tile = slice(shape.past, shape.past + shape.n)
        signals = np.fft.irfft(both, shape.length, axis=1)[:, tile]
        travel = rise * self._ramp[tile]
        travel += left
        travel += signals[:channels]
        speed = signals[channels:] + rise / (shape.length - 1)
        speed /= dt_s
        return travel, speed, np.sqrt(floor[:, 0] / self._taper_power)

    def _remove_lines(self, spectrum: NDArray[np.complex128], power: Array, floor: Array) -> None:
        """Take mains hum out, in place: narrow lines near mains harmonics that stand over both sides."""
        if not self._lines.size:
            return
        near = power[:, self._lines]
        peak = self._lines[np.arange(len(self._lines)), np.argmax(near, axis=2)]
        sides = np.take_along_axis(power, (peak[:, :, None] + _SIDE_BINS).reshape(len(power), -1), axis=1)
        sides = sides.reshape(len(power), len(self._lines), 2, -1).mean(axis=3).max(axis=2)
        for row, line in np.argwhere(near.max(axis=2) > _LINE_LEVEL * sides):
            cut = slice(peak[row, line] - _LINE_HALF_BINS, peak[row, line] + _LINE_HALF_BINS + 1)
            before, side = power[row, cut], sides[row, line]
            # A line goes down to the level beside it, not to nothing: where chance or a wheel made it,
            # what is left has the power that belongs there.
            left = np.minimum(before, side)
            spectrum[row, cut] *= np.sqrt(np.divide(left, before, out=np.zeros_like(left), where=before > 0.0))
            if before[_LINE_HALF_BINS] > _STRONG_RATIO * side:
                # Beside so strong a line that level is its own leak.
                cut = slice(peak[row, line] - _LEAK_BINS, peak[row, line] + _LEAK_BINS + 1)
                spectrum[row, cut] = 0.0
                left = np.minimum(power[row, cut], floor[row])
            power[row, cut] = left

    def _gains(self, power: Array, floor: Array) -> tuple[Array, Array]:
        """Return the gains (channels, bins) for travel and for speed that keep what stands above the floor."""
        sums = _RunningSums(power)
        above, split = sums.over(_LOW_BINS), self._split
        clear_travel = above > (_TRAVEL_LEVEL * _LOW_BINS) * floor
        clear_speed = above > (self._speed_level * _LOW_BINS) * floor
        np.greater(sums.over(_HIGH_BINS, split), floor * self._high_sums, out=clear_speed[:, split:])
        near = sums.over(_GAIN_BINS)
        # Bins that are kept lie well above the floor, so nothing is divided by zero.
        kept = clear_speed | clear_travel
        kept &= near > 0.0
        share = np.divide(_GAIN_BINS * floor, near, out=np.ones_like(near), where=kept)
        np.subtract(1.0, share, out=share)
        np.maximum(share, 0.0, out=share)
        for_speed = np.sqrt(share)
        for_speed *= clear_speed
        share *= clear_travel
        return share, for_speed


def _line_bands(freq_hz: Array) -> NDArray[np.intp]:
    """Return the bins (bands, width) around mains harmonics that lie well inside the spectrum.

    Each band is only as wide as the mains may be off, so that a corrugation's harmonic beside it stays;
    shorter ones repeat their last bin, so that one array operation serves them all.
    """
    per_hz = 1.0 / (freq_hz[1] - freq_hz[0])
    bands = []
    for center_hz in (mains_hz * harmonic for mains_hz in _MAINS_HZ for harmonic in _MAINS_HARMONICS):
        off_hz = center_hz * _MAINS_OFF_RATIO + 0.3
        low, high = round((center_hz - off_hz) * per_hz), round((center_hz + off_hz) * per_hz)
        if low > _LEAK_BINS and high + _LEAK_BINS < len(freq_hz) * 0.9:
            bands.append(np.arange(low, high + 1))
    width = max((len(band) for band in bands), default=0)
    return np.array([np.pad(band, (0, width - len(band)), mode="edge") for band in bands], dtype=np.intp)


class _RunningSums:
    """Sums over neighbours, mirrored at both ends, of any odd width up to _HIGH_BINS."""

    def __init__(self, power: Array) -> None:
        half, self._bins = _HIGH_BINS // 2, power.shape[1]
        total = np.empty((len(power), self._bins + 2 * half + 1))
        total[:, 0] = 0.0
        total[:, 1 : half + 1] = power[:, half:0:-1]
        total[:, half + 1 : half + 1 + self._bins] = power
        total[:, half + 1 + self._bins :] = power[:, -2 : -half - 2 : -1]
        self._total = np.cumsum(total, axis=1, out=total)

    def over(self, width: int, first: int = 0) -> Array:
        """Return the sum over `width` bins around each, from bin `first` on."""
        start = _HIGH_BINS // 2 - width // 2 + first
        stop = start + self._bins - first
        return self._total[:, start + width : stop + width] - self._total[:, start:stop]

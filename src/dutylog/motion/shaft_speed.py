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

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError

Array = NDArray[np.float64]
Singles = NDArray[np.float32]

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
FULL_BANDWIDTH_HZ = 2 * _TUNED_NYQUIST_HZ
"""Travel sampled less often is bandwidth-limited: motion faster than half its rate isn't in it. What that costs on
recorded travel stands in shared/SHAFT_SPEED.md."""
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
        freq_hz: Array = np.fft.rfftfreq(shape.length, dt_s).astype(np.float64)
        self._derive = 2j * np.pi * np.fft.rfftfreq(shape.length)
        self._floor = slice(int(_FLOOR_BAND[0] * len(freq_hz)), int(_FLOOR_BAND[1] * len(freq_hz)))
        self._lines = _line_bands(freq_hz)
        fine = freq_hz[-1] >= _TUNED_NYQUIST_HZ
        self._speed_level = _SPEED_LOW_LEVEL if fine else _TRAVEL_LEVEL
        self._split = int(np.searchsorted(freq_hz, _SPLIT_HZ)) if fine else len(freq_hz)
        self._scratch: _Scratch | None = None
        levels = np.interp(freq_hz[self._split :], *np.array(_SPEED_HIGH_LEVELS).T)
        self._per_high_sum: Array = 1.0 / (_HIGH_BINS * levels)

    def prepare(self, window_m: Array, dt_s: float) -> tuple[Singles, Singles, Array]:
        """Return prepared travel, shaft speed and noise of the tile.

        The way back from the spectrum is in single precision: 0.03 um in 0.5 m, below what any sensor resolves.

        Args:
            window_m: (..., length) float [m], finite; each of the leading places is a channel of its own.
            dt_s: sample spacing of this window [s].
        Returns:
            travel (channels, n) [m], speed (channels, n) [m/s] and noise (channels,) [m rms].
        Raises:
            InputError: another window length.
        Source:
            Module docstring; tests/motion/test_shaft_speed.py and the recordings with known truth.
        """
        shape = self.shape
        if window_m.shape[-1] != shape.length:
            raise InputError(f"window of {window_m.shape[-1]} samples, expected {shape.length}")
        work = self._scratch_for(window_m.shape[:-1])
        edge = max(1, shape.length // 10)
        left = window_m[..., :edge].mean(axis=-1, keepdims=True)
        rise = window_m[..., -edge:].mean(axis=-1, keepdims=True) - left
        tapered = np.multiply(rise, self._ramp, out=work.windows)
        tapered += left
        np.subtract(window_m, tapered, out=tapered)
        tapered *= self._taper
        channels = math.prod(window_m.shape[:-1])
        spectrum = np.fft.rfft(tapered.reshape(channels, -1), axis=1, out=work.spectrum)
        power = np.square(spectrum.real, out=work.power)
        power += np.square(spectrum.imag, out=work.spare)
        # Median of an exponential variable is ln 2 of its mean; the median ignores lines in the band.
        band = power[:, self._floor]
        middle = band.shape[1] // 2
        floor = np.partition(band, middle, axis=1)[:, middle, None] / np.log(2.0)
        self._remove_lines(spectrum, power, floor)
        for_travel, for_speed, bins = self._gains(power, floor, work)
        kept = spectrum[:, :bins]
        back = work.hold(bins)
        back[0, :, :bins] = kept * for_travel
        kept *= self._derive[:bins]
        back[1, :, :bins] = kept * for_speed
        tile = slice(shape.past, shape.past + shape.n)
        # The published types of irfft know double precision only; it gives what it is given.
        signals = np.fft.irfft(back, shape.length, out=work.signals)[:, :, tile]  # type: ignore[arg-type]
        rise = rise.reshape(channels, 1)
        line = rise * self._ramp[tile]
        line += left.reshape(channels, 1)
        travel = signals[0] + line.astype(np.float32)
        speed = signals[1] + (rise / (shape.length - 1)).astype(np.float32)
        speed *= np.float32(1.0 / dt_s)
        return travel, speed, np.sqrt(floor[:, 0] / self._taper_power)

    def _scratch_for(self, shape: tuple[int, ...]) -> _Scratch:
        """Return work arrays for so many windows, those of the last call where they fit."""
        if self._scratch is None or self._scratch.windows.shape[:-1] != shape:
            self._scratch = _Scratch(shape, self.shape.length)
        return self._scratch

    def _remove_lines(self, spectrum: NDArray[np.complex128], power: Array, floor: Array) -> None:
        """Take mains hum out, in place: narrow lines near mains harmonics that stand over both sides."""
        if not self._lines.size:
            return
        near = power[:, self._lines]
        peak = self._lines[np.arange(len(self._lines)), np.argmax(near, axis=2)]
        sides = np.take_along_axis(power, (peak[:, :, None] + _SIDE_BINS).reshape(len(power), -1), axis=1)
        sides = sides.reshape(len(power), len(self._lines), 2, -1).mean(axis=3).max(axis=2)
        rows, lines = np.nonzero(near.max(axis=2) > _LINE_LEVEL * sides)
        if not len(rows):
            return
        middle, side = peak[rows, lines], sides[rows, lines, None]
        cut = (rows[:, None], middle[:, None] + np.arange(-_LINE_HALF_BINS, _LINE_HALF_BINS + 1))
        # A line goes down to the level beside it, not to nothing: where chance or a wheel made it,
        # what is left has the power that belongs there.
        before = power[cut]
        left = np.minimum(before, side)
        spectrum[cut] *= np.sqrt(np.divide(left, before, out=np.zeros_like(left), where=before > 0.0))
        power[cut] = left
        for number in np.flatnonzero(before[:, _LINE_HALF_BINS] > _STRONG_RATIO * side[:, 0]):
            # Beside so strong a line that level is its own leak.
            row, wide = rows[number], slice(middle[number] - _LEAK_BINS, middle[number] + _LEAK_BINS + 1)
            spectrum[row, wide] = 0.0
            power[row, wide] = np.minimum(power[row, wide], floor[row])

    def _gains(self, power: Array, floor: Array, work: _Scratch) -> tuple[Array, Array, int]:
        """Return the gains (channels, bins) for travel and for speed that keep what stands above the floor.

        Also the number of bins, from the lowest on, that hold all that is kept.
        """
        sums, split = _RunningSums(power, work.total), self._split
        above = work.spare
        sums.over(_LOW_BINS, above)
        clear_travel = above > (_TRAVEL_LEVEL * _LOW_BINS) * floor
        clear_speed = above > (self._speed_level * _LOW_BINS) * floor
        high = above[:, split:]
        sums.over(_HIGH_BINS, high, split)
        high *= self._per_high_sum
        np.greater(high, floor, out=clear_speed[:, split:])
        kept = np.flatnonzero((clear_speed | clear_travel).any(axis=0))
        bins = int(kept[-1]) + 1 if len(kept) else 1
        near = above[:, :bins]
        sums.over(_GAIN_BINS, near)
        # Bins that are kept lie well above the floor, so nothing is divided by zero.
        share = np.divide(_GAIN_BINS * floor, near, out=np.ones_like(near), where=near > 0.0)
        np.subtract(1.0, share, out=share)
        np.maximum(share, 0.0, out=share)
        for_speed = np.sqrt(share)
        for_speed *= clear_speed[:, :bins]
        share *= clear_travel[:, :bins]
        return share, for_speed, bins


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


class _Scratch:
    """Work arrays that stay in the cache from call to call: with new ones most of the time goes to memory."""

    def __init__(self, shape: tuple[int, ...], length: int) -> None:
        channels, bins = math.prod(shape), length // 2 + 1
        self.windows = np.empty((*shape, length))
        self.spectrum = np.empty((channels, bins), dtype=np.complex128)
        self.power = np.empty((channels, bins))
        self.spare = np.empty((channels, bins))
        self.total = np.empty((channels, bins + 2 * (_HIGH_BINS // 2) + 1))
        # The windows are done with once their spectrum is known.
        self.signals = self.windows.view(np.float32).reshape(2, channels, length)
        self._back = np.zeros((2, channels, bins), dtype=np.complex64)
        self._held = 0

    def hold(self, bins: int) -> NDArray[np.complex64]:
        """Return the spectra (2, channels, bins) of travel and speed, zero from bin `bins` on."""
        if bins < self._held:
            self._back[:, :, bins : self._held] = 0.0
        self._held = bins
        return self._back


class _RunningSums:
    """Sums over neighbours, mirrored at both ends, of any odd width up to _HIGH_BINS."""

    def __init__(self, power: Array, total: Array) -> None:
        """total: work array, _HIGH_BINS columns wider than power (channels, bins)."""
        half, bins = _HIGH_BINS // 2, power.shape[1]
        total[:, 0] = 0.0
        total[:, 1 : half + 1] = power[:, half:0:-1]
        total[:, half + 1 : half + 1 + bins] = power
        total[:, half + 1 + bins :] = power[:, -2 : -half - 2 : -1]
        self._total = np.cumsum(total, axis=1, out=total)

    def over(self, width: int, out: Array, first: int = 0) -> None:
        """Fill `out` with the sums over `width` bins around each from `first` on."""
        start = _HIGH_BINS // 2 - width // 2 + first
        stop = start + out.shape[1]
        np.subtract(self._total[:, start + width : stop + width], self._total[:, start:stop], out=out)

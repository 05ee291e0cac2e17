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
from dutylog.motion.short_rows import short_rows_context
from dutylog.motion.window_spectra import GAIN_BINS, HIGH_BINS, LOW_BINS, WindowSpectra

Array = NDArray[np.float64]
Singles = NDArray[np.float32]
Spectra = NDArray[np.complex64]

# The decision level over the floor, of means over LOW_BINS and HIGH_BINS. Chosen on the recordings of
# tests/data/cases and on 48 simulated drives (shared/SHAFT_SPEED.md): lower levels let noise through,
# higher ones cut off the tail of smooth roads and of an idling engine. For speed the tail counts most, so
# its level is lower; above the split a wider mean, which scatters less, allows a lower one still, until
# noise in speed, which grows with frequency, makes a wrong "yes" dear.
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
# Median of an exponential variable over its mean.
_MEDIAN_RATIO = math.log(2.0)
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
_LINE_BINS = np.arange(-_LINE_HALF_BINS, _LINE_HALF_BINS + 1)
# Sides of eight bins, nearest first; added up in halves.
_SIDE_WIDTH = 8
_SIDE_BINS = np.arange(_LINE_HALF_BINS + 1, _LINE_HALF_BINS + 1 + _SIDE_WIDTH)[:, None, None] * np.array([[-1], [1]])
# [m^2] Less than the rounding of a window leaves (about 1e-31 in double precision), yet no subnormal number of single
# precision, which most processors are slow with.
_NO_POWER = 1e-36
WINDOW_VALUES = 48 * 2048
"""Windows of so many values are worked through at once: with fewer the calls cost more, more wouldn't fit the cache.
Measured."""


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
        taper = compute_taper(shape)
        self._taper_power = float(np.sum(taper**2))
        # Between its flanks the taper is 1.
        self._flank = int(np.argmax(taper == 1.0))
        self._rise, self._fall = taper[: self._flank], taper[shape.length - self._flank :]
        self._ramp = np.linspace(0.0, 1.0, shape.length)
        self._tile_ramp = self._ramp[shape.past : shape.past + shape.n].astype(np.float32)
        freq_hz: Array = np.fft.rfftfreq(shape.length, dt_s).astype(np.float64)
        self._derive = 2j * np.pi * np.fft.rfftfreq(shape.length)
        self._floor = slice(int(_FLOOR_BAND[0] * len(freq_hz)), int(_FLOOR_BAND[1] * len(freq_hz)))
        self._lines = _LineFinder(freq_hz)
        fine = freq_hz[-1] >= _TUNED_NYQUIST_HZ
        self._speed_level = _SPEED_LOW_LEVEL if fine else _TRAVEL_LEVEL
        self._split = int(np.searchsorted(freq_hz, _SPLIT_HZ)) if fine else len(freq_hz)
        levels = np.interp(freq_hz[self._split :], *np.array(_SPEED_HIGH_LEVELS).T)
        self._per_high_sum = (1.0 / (HIGH_BINS * levels)).astype(np.float32)
        self._scratch: WindowSpectra | None = None
        self._context = short_rows_context()

    def prepare(self, window_m: Array, dt_s: float) -> tuple[Singles, Singles, Array]:
        """Return prepared travel, shaft speed and noise of the tile, or of tiles that follow each other.

        All behind the spectrum is in single precision: 0.1 um in 0.5 m, below what any sensor resolves.

        Args:
            window_m: (channels, length) or (channels, tiles, length) float [m], finite.
            dt_s: sample spacing of these windows [s].
        Returns:
            travel (channels, n) [m], speed (channels, n) [m/s] and noise (channels,) [m rms]; of several tiles
            (channels, tiles * n) and (channels, tiles).
        Raises:
            InputError: another window length.
        Source:
            Module docstring; tests/motion/test_shaft_speed.py and the recordings with known truth.
        """
        shape = self.shape
        if window_m.shape[-1] != shape.length:
            raise InputError(f"window of {window_m.shape[-1]} samples, expected {shape.length}")
        windows = window_m if window_m.ndim == 3 else window_m[:, None]
        channels, tiles, _ = windows.shape
        travel = np.empty((channels, tiles, shape.n), dtype=np.float32)
        speed, noise = np.empty_like(travel), np.empty((channels, tiles))
        at_once = max(1, WINDOW_VALUES // max(1, channels * shape.length))
        for start in range(0, tiles, at_once):
            some = slice(start, start + at_once)
            out = travel[:, some], speed[:, some], noise[:, some]
            self._context.run(self._prepare_some, windows[:, some], dt_s, *out)
        noise /= self._taper_power
        np.sqrt(noise, out=noise)
        flat = channels, tiles * shape.n
        return travel.reshape(flat), speed.reshape(flat), noise.reshape(window_m.shape[:-1])

    def _prepare_some(self, windows: Array, dt_s: float, travel: Singles, speed: Singles, noise: Array) -> None:
        """Fill travel, speed (channels, tiles, n) and floor (channels, tiles) of as many tiles as fit the cache."""
        shape = self.shape
        work = self._scratch_for(*windows.shape[:2])
        left, rise = self._taper(windows, work)
        spectrum, power = work.transform()
        # The median ignores lines in the band. Floats that aren't negative are in the order of their bits, which are
        # faster to sort. Measured.
        band = power[:, self._floor].copy()
        middle = band.shape[1] // 2
        band.view(np.int32).partition(middle, axis=1)
        floor = band[:, middle, None] / _MEDIAN_RATIO
        noise[...] = floor.reshape(noise.shape)
        # Where nothing but zeros came in, nothing stands above this either.
        np.maximum(floor, _NO_POWER, out=floor)
        self._lines.remove(spectrum, power, floor)
        for_travel, for_speed = self._gains(floor, work)
        bins = for_travel.shape[1]
        kept, back = spectrum[:, :bins], work.back
        back[:, :, bins:] = work.nothing[bins:]
        np.multiply(kept, for_travel, out=back[0, :, :bins])
        kept *= (self._derive[:bins] / dt_s).astype(np.complex64)
        np.multiply(kept, for_speed, out=back[1, :, :bins])
        # The published types of irfft know double precision only; it gives what it is given.
        signals = np.fft.irfft(back, shape.length, out=work.signals)  # type: ignore[arg-type]
        signals = signals.reshape(2, *windows.shape)[..., shape.past : shape.past + shape.n]
        np.multiply(rise.astype(np.float32), self._tile_ramp, out=travel)
        travel += left.astype(np.float32)
        travel += signals[0]
        np.add(signals[1], (rise / ((shape.length - 1) * dt_s)).astype(np.float32), out=speed)

    def _taper(self, windows: Array, work: WindowSpectra) -> tuple[Array, Array]:
        """Fill work with the tapered windows less the lines between their ends; return where they start and rise."""
        edge = max(1, self.shape.length // 10)
        left = np.add.reduce(windows[..., :edge], axis=-1, keepdims=True) / edge
        rise = np.add.reduce(windows[..., -edge:], axis=-1, keepdims=True) / edge - left
        tapered = np.multiply(rise, self._ramp, out=work.windows)
        tapered += left
        np.subtract(windows, tapered, out=tapered)
        tapered[..., : self._flank] *= self._rise
        tapered[..., self.shape.length - self._flank :] *= self._fall
        return left, rise

    def _scratch_for(self, channels: int, tiles: int) -> WindowSpectra:
        """Return work arrays for so many windows, those of the last call where they fit: new memory costs more."""
        if self._scratch is None or self._scratch.windows.shape[:2] != (channels, tiles):
            self._scratch = WindowSpectra(channels, tiles, self.shape.length)
        return self._scratch

    def _gains(self, floor: Singles, work: WindowSpectra) -> tuple[Singles, Singles]:
        """Return the gains (windows, bins) for travel and for speed that keep what stands above the floor.

        Bins are those from the lowest on that hold all that is kept in any window.
        """
        split = self._split
        few, low, high = work.sums()
        clear_travel, clear_speed = work.clear
        np.greater(low, (_TRAVEL_LEVEL * LOW_BINS) * floor, out=clear_travel)
        np.greater(low[:, :split], (self._speed_level * LOW_BINS) * floor, out=clear_speed[:, :split])
        high = high[:, split:]
        high *= self._per_high_sum
        np.greater(high, floor, out=clear_speed[:, split:])
        (kept,) = np.logical_or.reduce(work.clear, axis=(0, 1)).nonzero()
        bins = int(kept[-1]) + 1 if len(kept) else 1
        share, least = few[:, :bins], GAIN_BINS * floor
        np.maximum(share, least, out=share)
        np.divide(least, share, out=share)
        np.subtract(1.0, share, out=share)
        for_speed = np.sqrt(share, out=low[:, :bins])
        for_speed *= clear_speed[:, :bins]
        share *= clear_travel[:, :bins]
        return share, for_speed


class _LineFinder:
    """Finds mains hum in spectra and takes it out: narrow lines near mains harmonics."""

    def __init__(self, freq_hz: Array) -> None:
        self._bands = _line_bands(freq_hz)
        band, column = np.nonzero(np.diff(self._bands, axis=1, prepend=-1))
        self._band, self._bins = band, self._bands[band, column]
        self._nearest = self._bins + _SIDE_BINS[: _SIDE_WIDTH // 2]

    def remove(self, spectrum: Spectra, power: Singles, floor: Singles) -> None:
        """Take the lines out of spectrum and power of each window, in place."""
        if not len(self._bins):
            return
        rows, bands = self._candidates(power)
        if not len(rows):
            return
        near = power[rows[:, None], self._bands[bands]]
        peak = self._bands[bands, near.argmax(axis=1)]
        # Added up in pairs, not by `reduce`: in what order that goes depends on how many there are.
        sides = power[rows, peak + _SIDE_BINS]
        while len(sides) > 1:
            sides = sides[: len(sides) // 2] + sides[len(sides) // 2 :]
        highest = np.maximum(sides[0, 0], sides[0, 1]) / _SIDE_WIDTH
        (sure,) = (power[rows, peak] > _LINE_LEVEL * highest).nonzero()
        if not len(sure):
            return
        rows, middle, side = rows[sure], peak[sure], highest[sure, None]
        cut = (rows[:, None], middle[:, None] + _LINE_BINS)
        # A line goes down to the level beside it, not to nothing: where chance or a wheel made it,
        # what is left has the power that belongs there.
        before = power[cut]
        after = np.minimum(before, side)
        spectrum[cut] *= np.sqrt(after / np.maximum(before, _NO_POWER))
        power[cut] = after
        for number in (before[:, _LINE_HALF_BINS] > _STRONG_RATIO * side[:, 0]).nonzero()[0]:
            # Beside so strong a line that level is its own leak.
            row, wide = rows[number], slice(middle[number] - _LEAK_BINS, middle[number] + _LEAK_BINS + 1)
            spectrum[row, wide] = 0.0
            power[row, wide] = np.minimum(power[row, wide], floor[row])

    def _candidates(self, power: Singles) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Return windows and bands, some twice, where a bin stands as far over half of each side as a line would."""
        fours = power[:, self._nearest]
        pairs = fours[:, :2] + fours[:, 2:]
        sums = pairs[:, 0] + pairs[:, 1]
        beside = np.maximum(sums[:, 0], sums[:, 1])
        # What stands so far over the sum of a side stands over any part of it. The hair: sums are rounded.
        beside *= _LINE_LEVEL / _SIDE_WIDTH * (1.0 - 1e-5)
        rows, bins = np.divmod(np.flatnonzero(power[:, self._bins] > beside), len(self._bins))
        return rows, self._band[bins]


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
    padded = [np.pad(band, (0, width - len(band)), mode="edge") for band in bands]
    return np.array(padded, dtype=np.intp).reshape(len(bands), width)

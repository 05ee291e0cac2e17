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
from dutylog.motion.short_rows import short_rows_context

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
_LINE_BINS = np.arange(-_LINE_HALF_BINS, _LINE_HALF_BINS + 1)
# Sides of eight bins.
_SIDE_BINS = np.concatenate([np.arange(-12, -_LINE_HALF_BINS), np.arange(_LINE_HALF_BINS + 1, 13)])
# Less than any power that isn't nothing, and yet more than any floor divided by the largest number.
_NO_POWER = 1e-290
WINDOW_TILES = 12
"""Windows of so many tiles are worked through at once: more wouldn't fit the cache. Measured."""


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
        freq_hz: Array = np.fft.rfftfreq(shape.length, dt_s).astype(np.float64)
        self._derive = 2j * np.pi * np.fft.rfftfreq(shape.length)
        self._floor = slice(int(_FLOOR_BAND[0] * len(freq_hz)), int(_FLOOR_BAND[1] * len(freq_hz)))
        # Median of an exponential variable over its mean.
        self._median_ratio = np.log(2.0)
        self._lines = _LineFinder(freq_hz)
        fine = freq_hz[-1] >= _TUNED_NYQUIST_HZ
        self._speed_level = _SPEED_LOW_LEVEL if fine else _TRAVEL_LEVEL
        self._split = int(np.searchsorted(freq_hz, _SPLIT_HZ)) if fine else len(freq_hz)
        levels = np.interp(freq_hz[self._split :], *np.array(_SPEED_HIGH_LEVELS).T)
        self._per_high_sum: Array = 1.0 / (_HIGH_BINS * levels)
        self._scratch: _Scratch | None = None
        self._context = short_rows_context()

    def prepare(self, window_m: Array, dt_s: float) -> tuple[Singles, Singles, Array]:
        """Return prepared travel, shaft speed and noise of the tile, or of tiles that follow each other.

        The way back from the spectrum is in single precision: 0.03 um in 0.5 m, below what any sensor resolves.

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
        for start in range(0, tiles, WINDOW_TILES):
            some = slice(start, start + WINDOW_TILES)
            out = travel[:, some], speed[:, some], noise[:, some]
            self._context.run(self._prepare_some, windows[:, some], dt_s, *out)
        flat = channels, tiles * shape.n
        return travel.reshape(flat), speed.reshape(flat), noise.reshape(window_m.shape[:-1])

    def _prepare_some(self, windows: Array, dt_s: float, travel: Singles, speed: Singles, noise: Array) -> None:
        """Fill travel, speed (channels, tiles, n) and noise (channels, tiles) of as many tiles as fit the cache."""
        shape, n = self.shape, self.shape.n
        work = self._scratch_for(*windows.shape[:2])
        edge = max(1, shape.length // 10)
        left = np.add.reduce(windows[..., :edge], axis=-1, keepdims=True) / edge
        rise = np.add.reduce(windows[..., -edge:], axis=-1, keepdims=True) / edge - left
        tapered = np.multiply(rise, self._ramp, out=work.windows)
        tapered += left
        np.subtract(windows, tapered, out=tapered)
        tapered[..., : self._flank] *= self._rise
        tapered[..., shape.length - self._flank :] *= self._fall
        spectrum = np.fft.rfft(work.rows, axis=1, out=work.spectrum)
        power = np.square(spectrum.real, out=work.power)
        power += np.square(spectrum.imag, out=work.spare)
        # The median ignores lines in the band.
        band = power[:, self._floor].copy()
        middle = band.shape[1] // 2
        band.partition(middle, axis=1)
        floor = band[:, middle, None] / self._median_ratio
        self._lines.remove(spectrum, floor, work)
        for_travel, for_speed, bins = self._gains(floor, work)
        kept = spectrum[:, :bins]
        back = work.hold(bins)
        np.multiply(kept, for_travel, out=back[0, :, :bins], casting="same_kind")
        kept *= self._derive[:bins]
        np.multiply(kept, for_speed, out=back[1, :, :bins], casting="same_kind")
        # The published types of irfft know double precision only; it gives what it is given.
        signals = np.fft.irfft(back, shape.length, out=work.signals)  # type: ignore[arg-type]
        tile = slice(shape.past, shape.past + n)
        signals = signals.reshape(2, *windows.shape)[..., tile]
        line = np.multiply(rise, self._ramp[tile], out=work.spare[:, :n].reshape(travel.shape))
        line += left
        # A sum in single precision, whatever comes in.
        np.add(signals[0], line, out=travel, dtype=np.float32, casting="same_kind")
        np.add(signals[1], rise / (shape.length - 1), out=speed, dtype=np.float32, casting="same_kind")
        speed *= np.float32(1.0 / dt_s)
        np.sqrt(floor.reshape(noise.shape) / self._taper_power, out=noise)

    def _scratch_for(self, channels: int, tiles: int) -> _Scratch:
        """Return work arrays for so many windows, those of the last call where they fit."""
        if self._scratch is None or self._scratch.windows.shape[:2] != (channels, tiles):
            self._scratch = _Scratch(channels, tiles, self.shape.length)
        return self._scratch

    def _gains(self, floor: Array, work: _Scratch) -> tuple[Array, Array, int]:
        """Return the gains (windows, bins) for travel and for speed that keep what stands above the floor.

        Also the number of bins, from the lowest on, that hold all that is kept.
        """
        split, above = self._split, work.spare
        work.sum_up()
        work.sums(_LOW_BINS, above)
        clear_travel, clear_speed = work.clear
        np.greater(above, (_TRAVEL_LEVEL * _LOW_BINS) * floor, out=clear_travel)
        np.greater(above[:, :split], (self._speed_level * _LOW_BINS) * floor, out=clear_speed[:, :split])
        high = above[:, split:]
        work.sums(_HIGH_BINS, high, split)
        high *= self._per_high_sum
        np.greater(high, floor, out=clear_speed[:, split:])
        (kept,) = np.logical_or.reduce(work.clear, axis=(0, 1)).nonzero()
        bins = int(kept[-1]) + 1 if len(kept) else 1
        share = above[:, :bins]
        work.sums(_GAIN_BINS, share)
        # Bins that are kept lie well above the floor; of the others none may divide by zero.
        np.maximum(share, _NO_POWER, out=share)
        np.divide(_GAIN_BINS * floor, share, out=share)
        np.subtract(1.0, share, out=share)
        np.maximum(share, 0.0, out=share)
        for_speed = np.sqrt(share)
        for_speed *= clear_speed[:, :bins]
        share *= clear_travel[:, :bins]
        return share, for_speed, bins


class _LineFinder:
    """Finds mains hum in spectra and takes it out: narrow lines near mains harmonics."""

    def __init__(self, freq_hz: Array) -> None:
        self._bands = _line_bands(freq_hz)
        band, column = np.nonzero(np.diff(self._bands, axis=1, prepend=-1))
        self._band, self._bins = band, self._bands[band, column]
        first, last = (int(self._bins.min()), int(self._bins.max())) if len(band) else (0, 0)
        reach = int(_SIDE_BINS[-1])
        self._around = slice(first - reach, last + reach + 1)
        # Where among sums of a side's width over the bins around all bands those beside each bin begin.
        self._left = self._bins - first
        self._right = self._left + reach + _LINE_HALF_BINS + 1

    def remove(self, spectrum: NDArray[np.complex128], floor: Array, work: _Scratch) -> None:
        """Take the lines out of spectrum and power of each window, in place."""
        if not len(self._bins):
            return
        power = work.power
        rows, bands = self._candidates(power, work)
        if not len(rows):
            return
        near = power[rows[:, None], self._bands[bands]]
        peak = self._bands[bands, near.argmax(axis=1)]
        sides = power[rows[:, None], peak[:, None] + _SIDE_BINS].reshape(len(rows), 2, -1)
        left, right = (np.add.reduce(sides, axis=2) / sides.shape[2]).T
        highest = np.maximum(left, right)
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

    def _candidates(self, power: Array, work: _Scratch) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Return windows and bands, in order, where some bin stands as far over its own sides as a line would."""
        around = power[:, self._around]
        width = around.shape[1]
        pairs = np.add(around[:, 1:], around[:, :-1], out=work.spare[:, : width - 1])
        fours = np.add(pairs[:, 2:], pairs[:, :-2], out=work.total[:, : width - 3])
        eights = np.add(fours[:, 4:], fours[:, :-4], out=work.spare[:, : width - 7])
        beside = np.maximum(eights[:, self._left], eights[:, self._right])
        # The hair: a mean of eight may be rounded otherwise.
        beside *= _LINE_LEVEL / 8 * (1.0 - 1e-9)
        rows, bins = (power[:, self._bins] > beside).nonzero()
        found = sorted(set(zip(rows.tolist(), self._band[bins].tolist(), strict=True)))
        return np.array([row for row, _ in found], dtype=np.intp), np.array([band for _, band in found], dtype=np.intp)


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


class _Scratch:
    """Work arrays that stay in the cache from call to call: with new ones most of the time goes to memory."""

    def __init__(self, channels: int, tiles: int, length: int) -> None:
        rows, bins, half = channels * tiles, length // 2 + 1, _HIGH_BINS // 2
        self.rows = np.empty((rows, length))
        self.windows = self.rows.reshape(channels, tiles, length)
        # The windows are done with once their spectrum is known.
        self.signals = self.rows.view(np.float32).reshape(2, rows, length)
        self.spectrum = np.empty((rows, bins), dtype=np.complex128)
        self._mirrored = np.zeros((rows, bins + 2 * half + 1))
        self.power = self._mirrored[:, half + 1 : half + 1 + bins]
        self.total = np.empty_like(self._mirrored)
        self.spare = np.empty((rows, bins))
        self.clear = np.empty((2, rows, bins), dtype=np.bool_)
        self._back = np.zeros((2, rows, bins), dtype=np.complex64)
        self._held = 0

    def hold(self, bins: int) -> NDArray[np.complex64]:
        """Return the spectra (2, windows, bins) of travel and speed, zero from bin `bins` on."""
        if bins < self._held:
            self._back[:, :, bins : self._held] = 0.0
        self._held = bins
        return self._back

    def sum_up(self) -> None:
        """Add up the power for `sums`, mirrored at both ends."""
        half = _HIGH_BINS // 2
        self._mirrored[:, 1 : half + 1] = self.power[:, half:0:-1]
        self._mirrored[:, -half:] = self.power[:, -2 : -half - 2 : -1]
        np.cumsum(self._mirrored, axis=1, out=self.total)

    def sums(self, width: int, out: Array, first: int = 0) -> None:
        """Fill `out` with the sums of power over `width` bins, an odd number, around each from `first` on."""
        start = _HIGH_BINS // 2 - width // 2 + first
        stop = start + out.shape[1]
        np.subtract(self.total[:, start + width : stop + width], self.total[:, start:stop], out=out)

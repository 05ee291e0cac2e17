"""Work arrays for the spectra of many windows at once, and moving sums of their power.

They stay in the cache from call to call: with new ones most of the time goes to memory. Beyond the spectrum itself all
is in single precision, half as much to move.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Singles = NDArray[np.float32]
Spectra = NDArray[np.complex64]

# Bins of about 0.5 Hz that a sum of power spans: for the gain, and for the decision whether a bin holds signal, at low
# and at high frequency. Chosen with the levels in shaft_speed.py; `steps` below says which sums they are made of.
GAIN_BINS = 5
LOW_BINS = 21
HIGH_BINS = 61
_CACHE_LINE_BYTES = 64
# Half of the widest sum and a little more, so that rows begin with a line of the cache.
_MIRRORED_BINS = 32


class WindowSpectra:
    """Windows in the order of their work: as they are tapered, spectrum, power, sums of it, what goes back, signals.

    windows: (channels, tiles, length), to be filled. clear: (2, windows, bins), whether a bin is kept for travel and
    for speed. back: (2, windows, bins), spectra of both. signals: (2, windows, length), of both.

    What isn't needed at the same time lies in the same place: windows, then spectrum and sums for the gain, then
    signals; the spectrum as it comes, then power and shorter sums, then what goes back; squares, then wider sums.
    """

    def __init__(self, channels: int, tiles: int, length: int) -> None:
        """length: of a window, an even number of at least 64."""
        rows, bins = channels * tiles, length // 2 + 1
        # All rows of power are added up as if they were one; what that makes of the end of one and the start of the
        # next is never looked at.
        padded = rows, bins + 2 * _MIRRORED_BINS - 1
        flat = math.prod(padded) + _MIRRORED_BINS
        first = _aligned(max(8 * rows * length, 4 * flat + 8 * rows * bins))
        second = _aligned(max(16 * rows * bins, 12 * flat))
        third = _aligned(8 * flat)
        windows = first[: 8 * rows * length]
        self._rows = windows.view(np.float64).reshape(rows, length)
        self.windows = self._rows.reshape(channels, tiles, length)
        self.signals = windows.view(np.float32).reshape(2, rows, length)
        five = first[: 4 * flat].view(np.float32)
        self._spectrum = first[4 * flat :][: 8 * rows * bins].view(np.complex64).reshape(rows, bins)
        spectra = second[: 16 * rows * bins]
        self._double = spectra.view(np.complex128).reshape(rows, bins)
        self.back = spectra.view(np.complex64).reshape(2, rows, bins)
        # A row of zeros is faster to copy than one zero. Measured.
        self.nothing = np.zeros(bins, dtype=np.complex64)
        one, spare, other = second[: 12 * flat].view(np.float32).reshape(3, flat)
        low, high = third.view(np.float32).reshape(2, flat)
        self.clear = np.empty((2, rows, bins), dtype=np.bool_)

        def around(sums: Singles, width: int) -> Singles:
            """Return those of so wide sums, an odd number of bins, that stand around each bin (windows, bins)."""
            return sums[_MIRRORED_BINS - width // 2 :][: math.prod(padded)].reshape(padded)[:, :bins]

        self._power = around(one, 1)
        # Real and imaginary parts side by side: squared in one go, half the time of each by itself. Measured.
        self._parts = self._spectrum.view(np.float32).reshape(rows, bins, 2)
        self._squares = third[: 8 * rows * bins].view(np.float32).reshape(rows, bins, 2)
        self._sums = around(five, GAIN_BINS), around(low, LOW_BINS), around(high, HIGH_BINS)
        ends = one[: math.prod(padded)].reshape(padded)
        self._left, self._right = ends[:, :_MIRRORED_BINS], ends[:, 1 - _MIRRORED_BINS :]
        # Sums of so wide ones, of those that begin where these end, and where they go.
        steps = (
            (one, 1, one, 1, spare),
            (spare, 2, spare, 2, other),
            (other, 4, one, 1, five),
            (other, 4, other, 4, spare),
            (spare, 8, spare, 8, other),
            (other, 16, five, 5, low),
            (other, 16, other, 16, high),
            (high, 32, spare, 8, high),
            (high, 40, low, 21, high),
        )
        sizes = [math.prod(padded) - width - next_width + 1 for _, width, _, next_width, _ in steps]
        self._steps = [
            (sums[:size], next_sums[width : width + size], out[:size])
            for (sums, width, next_sums, _, out), size in zip(steps, sizes, strict=True)
        ]

    def transform(self) -> tuple[Spectra, Singles]:
        """Return spectrum and power (windows, bins) of the windows."""
        np.fft.rfft(self._rows, axis=1, out=self._double)
        np.copyto(self._spectrum, self._double, casting="same_kind")
        squares = np.square(self._parts, out=self._squares)
        np.add(squares[..., 0], squares[..., 1], out=self._power)
        return self._spectrum, self._power

    def sums(self) -> tuple[Singles, Singles, Singles]:
        """Return the power (windows, bins) summed over the bins for the gain and for the low and high decision.

        It is mirrored at both ends. Nothing is ever taken off a sum, so single precision does, and what is strong
        elsewhere in the spectrum leaves no trace.
        """
        self._left[...] = self._power[:, _MIRRORED_BINS:0:-1]
        self._right[...] = self._power[:, -2 : -_MIRRORED_BINS - 1 : -1]
        for sums, next_sums, out in self._steps:
            np.add(sums, next_sums, out=out)
        return self._sums


def _aligned(size: int) -> NDArray[np.uint8]:
    """Return so many bytes from the start of a line of the cache on: sums take half the time then. Measured."""
    raw = np.empty(size + _CACHE_LINE_BYTES, dtype=np.uint8)
    start = -raw.ctypes.data % _CACHE_LINE_BYTES
    return raw[start : start + size]

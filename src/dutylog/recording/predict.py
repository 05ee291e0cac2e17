"""The `predict` codec: travel in little more room than its noise takes (shared/RECORDING.md, Codecs).

Samples become integers that are small where the signal is smooth (pairs.py, then differences), and
these become symbols of one byte, low bits beside them where they are too large for that. The symbols
are Huffman-coded by zlib, which is told not to look for repetition: there is none in noise.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.recording import deflate
from dutylog.recording.pairs import split_pairs

Ints = NDArray[Any]

MAX_LEVELS = 4
"""What a reader takes."""

USED_LEVELS = 3
"""What a writer uses. Measured: a fourth level saves 1.6 % at idle, 0.1 % over a desert lap, and
reading it takes 20 % longer."""

MAX_ORDER = 3
SURE_LEVELS = 2
"""So often what moves at all is split in any case: of 600 seconds of recorded and simulated travel all but two were."""
FEW_VALUES = 128
"""So few, a second of slow channels, are written as first differences: choosing would cost more than all the rest."""
MIN_SPLIT_ROWS = 16
"""Shorter runs aren't split further: their edges, predicted less well, would be all there is."""

SPIKE_RATIO = 32
"""Largest against mean size from which on values are held to 8 times the mean, until that changes
little. Gaussian noise reaches 5; a second of recorded desert travel in a hundred reaches 33."""
MAX_CUTS = 30

ESCAPE = 255
"""The symbol of a value too large for one; the value itself stands at the end of the payload."""

HEAD_BYTES = 2
_GAUSS = math.pi * math.pi * math.e


class PredictError(ValueError):
    """The bytes are no predict payload of the stated shape."""


@dataclass(frozen=True, slots=True)
class _Plan:
    """What a frame's samples become. bands: residues of each level, then what is left at the last."""

    order: int
    bands: tuple[Ints, ...]


def pack_predict(data: NDArray[Any]) -> bytes:
    """Return samples as a predict payload.

    Args:
        data: (n, channels) of i2, i4, f4 or f8, little-endian, n > 0.
    Source:
        shared/RECORDING.md, Codecs of samples.
    """
    signed = np.dtype(f"<i{data.dtype.itemsize}")
    rows = np.ascontiguousarray(data).view(signed)
    unused_bits = _count_unused_bits(rows)
    values = rows.T.astype(work_type(signed), order="C")
    values >>= unused_bits
    values -= values[:, :1].copy()
    plan = _choose_plan(values, USED_LEVELS if signed.itemsize < values.itemsize else 0)
    head = bytes((len(plan.bands) - 1 | plan.order << 4, unused_bits))
    return b"".join((head, rows[0].tobytes(), _pack_bands(plan.bands)))


def work_type(signed: np.dtype[Any]) -> np.dtype[Any]:
    """Return the integers a sample type is computed in: twice as wide, 8-byte samples modulo 2^64."""
    return np.dtype("<i4" if signed.itemsize == 2 else "<i8")


def _count_unused_bits(rows: Ints) -> int:
    """Return how many low bits are 0 in every sample: of floats that are multiples of a power of two, many."""
    used = int(np.bitwise_or.reduce(rows, axis=None))
    return (used & -used).bit_length() - 1 if used else 0


def band_lengths(n: int, levels: int) -> list[int]:
    """Return how many values a channel has in each band."""
    lengths = []
    for _ in range(levels):
        lengths.append(n // 2)
        n -= n // 2
    return [*lengths, n]


def _choose_plan(values: Ints, max_levels: int) -> _Plan:
    """Split into pairs for as long as that is estimated to save room."""
    if values.size <= FEW_VALUES:
        return _Plan(1, (_differences(values, 1),))
    bands: list[Ints] = []
    while len(bands) < min(SURE_LEVELS, max_levels) and values.shape[1] >= MIN_SPLIT_ROWS << SURE_LEVELS:
        values, residues = split_pairs(values, len(bands))
        bands.append(residues)
    spent_bits, best_bits = 0.0, math.inf
    best = _Plan(0, (*bands, values))
    while True:
        order, rest, rest_bits = _choose_order(values)
        if spent_bits + rest_bits >= best_bits:
            return best
        best_bits = spent_bits + rest_bits
        best = _Plan(order, (*bands, rest))
        if len(bands) == max_levels or values.shape[1] < MIN_SPLIT_ROWS:
            return best
        values, residues = split_pairs(values, len(bands))
        bands.append(residues)
        spent_bits += _estimate_bits(residues)


def _choose_order(values: Ints) -> tuple[int, Ints, float]:
    """Return the order whose differences are smallest, they, and the room they are estimated to take."""
    order, best, best_bits = 0, values, math.inf
    rest = values
    for step in range(1, MAX_ORDER + 1):
        rest = _differences(rest, step)
        bits = _estimate_bits(rest)
        if bits >= best_bits:
            break
        order, best, best_bits = step, rest, bits
    return order, best, best_bits


def _differences(values: Ints, step: int) -> Ints:
    """Return the values of an order from those of the order before it."""
    rest = values.copy()
    rest[:, step:] -= values[:, step - 1 : -1]
    return rest


def _estimate_bits(values: Ints) -> float:
    """Return about how many bits values take: the entropy of rounded Gaussian noise of their mean size.

    Source: entropy of a Gaussian, log2(sqrt(2 pi e) sigma), and its mean size, sqrt(2 / pi) sigma,
    so pi^2 e = 26.8 times the square; the 1 brings values that are all 0 to no bits.
    """
    n: int = values.shape[1]
    means = [total / n for total in _sum_sizes(values)]
    return 0.5 * n * sum(math.log2(1.0 + _GAUSS * mean * mean) for mean in means)


def _sum_sizes(values: Ints) -> list[int]:
    """Return for each channel the sum of sizes, spikes cut down so that they don't speak for the rest."""
    n = values.shape[1]
    sizes = np.abs(values)
    totals = _sum_rows(sizes)
    if int(np.maximum.reduce(sizes, axis=None)) * n <= SPIKE_RATIO * max(totals):
        return totals
    for _ in range(MAX_CUTS):
        limits = np.array([8 * total // n + 1 for total in totals])
        before, totals = totals, _sum_rows(np.minimum(sizes, limits[:, None]))
        if all(10 * total >= 9 * old for total, old in zip(totals, before, strict=True)):
            break
    return totals


def _sum_rows(sizes: Ints) -> list[int]:
    """Return sums; of 8-byte samples one may wrap, and a negative one says nothing."""
    return [max(0, total) for total in np.add.reduce(sizes, axis=1).tolist()]


def _choose_shifts(band: Ints) -> list[int]:
    """Return for each channel how many low bits to set apart.

    As many as leave symbols of 1 to 2 in the mean: about what the residues of noise of one count are
    anyway, so that one Huffman code suits all. More would tear up what differs in likelihood.
    """
    n = band.shape[1]
    return [max(0, (2 * total // n).bit_length() - 1) for total in _sum_sizes(band)]


def _pack_bands(bands: tuple[Ints, ...]) -> bytes:
    """Return symbols, low bits and escaped values of all bands."""
    work = bands[0].dtype
    width_bits = 8 * work.itemsize
    unsigned = np.dtype(f"<u{work.itemsize}")
    shifts = [shift for band in bands for shift in _choose_shifts(band)]
    lengths = [band.shape[1] for band in bands for _ in range(len(band))]
    flat = np.concatenate([band.ravel() for band in bands])
    zigzag = ((flat << 1) ^ (flat >> (width_bits - 1))).view(unsigned)
    symbols, low_bits = zigzag, b""
    if any(shifts):
        symbols = zigzag >> np.repeat(np.array(shifts, unsigned), lengths)
        low_bits = _pack_low_bits(zigzag, shifts, lengths)
    escaped = b""
    if np.maximum.reduce(symbols) >= ESCAPE:
        escaped = zigzag[symbols >= ESCAPE].tobytes()
        symbols = np.minimum(symbols, ESCAPE)
    return b"".join((_deflate(bytes(shifts), symbols.astype(np.uint8)), low_bits, escaped))


def _pack_low_bits(zigzag: Ints, shifts: list[int], lengths: list[int]) -> bytes:
    """Return the low bits of values as bit planes; a shift and a length for each run of values, in their order."""
    low = zigzag.astype(np.uint8) if max(shifts) <= 8 else zigzag
    runs: dict[int, list[Ints]] = {}
    at = 0
    for shift, length in zip(shifts, lengths, strict=True):
        runs.setdefault(shift, []).append(low[at : at + length])
        at += length
    masks = (1 << np.arange(max(shifts), dtype=low.dtype))[:, None]
    # What isn't 0 packs as 1.
    return b"".join(
        np.packbits(np.concatenate(runs[shift]) & masks[:shift], axis=1).tobytes() for shift in sorted(runs) if shift
    )


def _deflate(head: bytes, symbols: NDArray[np.uint8]) -> bytes:
    """Return head and symbols as one raw deflate stream."""
    octets = head + symbols.tobytes()
    packed = deflate.pack(octets, 1, strategy=zlib.Z_HUFFMAN_ONLY, is_raw=True)
    if 4 * np.count_nonzero(symbols) < symbols.size:
        # A Huffman code takes a bit a symbol at the least: a signal that stands still repeats.
        packed = min(packed, deflate.pack(octets, 6, is_raw=True), key=len)
    return packed

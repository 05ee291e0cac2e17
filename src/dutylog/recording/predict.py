"""The `predict` codec: travel in little more room than its noise takes (shared/RECORDING.md, Codecs).

Samples become integers that are small where the signal is smooth (pairs.py, then differences), and
these become symbols of one byte, low bits beside them where they are too large for that. The symbols
are Huffman-coded by zlib, which is told not to look for repetition: there is none in noise.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.recording.pairs import join_pairs, split_pairs

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

_HEAD_BYTES = 2
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
    values = rows.T.astype(_work_type(signed), order="C")
    values >>= unused_bits
    values -= values[:, :1].copy()
    plan = _choose_plan(values, USED_LEVELS if signed.itemsize < values.itemsize else 0)
    head = bytes((len(plan.bands) - 1 | plan.order << 4, unused_bits))
    return b"".join((head, rows[0].tobytes(), _pack_bands(plan.bands)))


def unpack_predict(payload: bytes | memoryview, dtype: np.dtype[Any], n: int, channels: int) -> NDArray[Any]:
    """Return the (n, channels) samples of a predict payload; exact inverse of `pack_predict`.

    Never takes more memory than a fixed multiple of the stated shape, whatever the payload claims.

    Raises:
        PredictError: not such a payload, or one of another shape.
    """
    width_bytes = dtype.itemsize
    signed = np.dtype(f"<i{width_bytes}")
    work = _work_type(signed)
    start = _HEAD_BYTES + channels * width_bytes
    if len(payload) < start:
        raise PredictError(f"{len(payload)} bytes, the first row alone needs {start}")
    levels, order, unused_bits = payload[0] & 15, payload[0] >> 4, payload[1]
    if levels > (MAX_LEVELS if width_bytes < work.itemsize else 0) or order > MAX_ORDER:
        raise PredictError(f"{levels} levels and order {order} make no sense for {dtype}")
    if unused_bits >= 8 * width_bytes:
        raise PredictError(f"{unused_bits} unused bits of {8 * width_bytes}")
    bands = _unpack_bands(payload[start:], work, _band_lengths(n, levels), channels)
    values = bands.pop()
    for step in range(order, 0, -1):
        np.cumsum(values[:, step - 1 :], axis=1, dtype=work, out=values[:, step - 1 :])
    for level in range(levels - 1, -1, -1):
        values = join_pairs(values, bands[level], level)
    first = np.frombuffer(payload, signed, channels, _HEAD_BYTES).astype(work) >> unused_bits
    values += first[:, None]
    values <<= unused_bits
    rows = np.empty((n, channels), signed)
    rows[:] = values.T
    return rows.view(dtype)


def _work_type(signed: np.dtype[Any]) -> np.dtype[Any]:
    """Return the integers a sample type is computed in: twice as wide, 8-byte samples modulo 2^64."""
    return np.dtype("<i4" if signed.itemsize == 2 else "<i8")


def _count_unused_bits(rows: Ints) -> int:
    """Return how many low bits are 0 in every sample: of floats that are multiples of a power of two, many."""
    used = int(np.bitwise_or.reduce(rows, axis=None))
    return (used & -used).bit_length() - 1 if used else 0


def _band_lengths(n: int, levels: int) -> list[int]:
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
    shifts = np.array([_choose_shifts(band) for band in bands], np.uint8)
    flat = np.concatenate([band.ravel() for band in bands])
    zigzag = ((flat << 1) ^ (flat >> (width_bits - 1))).view(unsigned)
    symbols, low_bits = zigzag, b""
    if shifts.any():
        by_value = _spread(shifts, [band.shape[1] for band in bands])
        symbols = zigzag >> by_value
        low_bits = b"".join(_pack_bits(zigzag[by_value == shift], shift) for shift in _used(shifts))
    escaped = b""
    if symbols.max() >= ESCAPE:
        escaped = zigzag[symbols >= ESCAPE].tobytes()
        symbols = np.minimum(symbols, ESCAPE)
    octets = symbols.astype(np.uint8)
    return b"".join((_deflate(shifts.tobytes(), octets), low_bits, escaped))


def _unpack_bands(payload: bytes | memoryview, work: np.dtype[Any], lengths: list[int], channels: int) -> list[Ints]:
    """Return the bands in a payload from its symbols on; PredictError when lengths don't fit together."""
    unsigned = np.dtype(f"<u{work.itemsize}")
    head = len(lengths) * channels
    octets, rest = _inflate(payload, head + sum(lengths) * channels)
    shifts = np.frombuffer(octets, np.uint8, head).reshape(len(lengths), channels)
    if shifts.max() >= 8 * work.itemsize:
        raise PredictError(f"{shifts.max()} low bits of {8 * work.itemsize}")
    zigzag = np.frombuffer(octets, np.uint8, offset=head).astype(unsigned)
    if shifts.any():
        by_value = _spread(shifts, lengths)
        zigzag <<= by_value
        for shift in _used(shifts):
            places = np.flatnonzero(by_value == shift)
            zigzag[places] |= _unpack_bits(rest, shift, len(places), unsigned)
            rest = rest[shift * _packed_bytes(len(places)) :]
    escape_count = octets.count(ESCAPE, head)
    if len(rest) != escape_count * work.itemsize:
        raise PredictError(f"{len(rest)} bytes for {escape_count} values that stand apart")
    if escape_count:
        symbols = np.frombuffer(octets, np.uint8, offset=head)
        zigzag[symbols == ESCAPE] = np.frombuffer(rest, unsigned)
    flat = ((zigzag >> 1) ^ (0 - (zigzag & 1))).view(work)
    starts = [channels * sum(lengths[:k]) for k in range(len(lengths) + 1)]
    return [flat[a:b].reshape(channels, -1) for a, b in pairwise(starts)]


def _spread(shifts: NDArray[np.uint8], lengths: list[int]) -> NDArray[np.uint8]:
    """Return the shift of every value, in the order of the symbols: band by band, channel by channel."""
    return np.repeat(shifts.ravel(), np.repeat(lengths, shifts.shape[1]))


def _used(shifts: NDArray[np.uint8]) -> list[int]:
    """Return the shifts above 0 that occur, rising."""
    return sorted(set(shifts.ravel().tolist()) - {0})


def _packed_bytes(bit_count: int) -> int:
    return (bit_count + 7) // 8


def _pack_bits(values: Ints, shift: int) -> bytes:
    """Return the lowest `shift` bits of values as bit planes, the lowest first, each in whole bytes."""
    planes = np.empty((shift, len(values)), np.uint8)
    for place, plane in enumerate(planes):
        plane[:] = (values >> place) & 1
    return np.packbits(planes, axis=1).tobytes()


def _unpack_bits(octets: bytes, shift: int, count: int, unsigned: np.dtype[Any]) -> Ints:
    """Return `count` values of `shift` bits; PredictError when they aren't all there."""
    plane_bytes = _packed_bytes(count)
    if len(octets) < shift * plane_bytes:
        raise PredictError(f"{len(octets)} bytes left for {count} times {shift} low bits")
    packed = np.frombuffer(octets, np.uint8, shift * plane_bytes)
    values = np.zeros(count, unsigned)
    for place in range(shift):
        plane = np.unpackbits(packed[place * plane_bytes :], count=count).astype(unsigned)
        plane <<= place
        values |= plane
    return values


def _deflate(head: bytes, symbols: NDArray[np.uint8]) -> bytes:
    """Return head and symbols as one raw deflate stream."""
    octets = head + symbols.tobytes()
    noise = zlib.compressobj(1, zlib.DEFLATED, -12, 8, zlib.Z_HUFFMAN_ONLY)
    packed = noise.compress(octets) + noise.flush()
    if 4 * np.count_nonzero(symbols) < symbols.size:
        # A Huffman code takes a bit a symbol at the least: a signal that stands still repeats.
        still = zlib.compressobj(6, zlib.DEFLATED, -15)
        packed = min(packed, still.compress(octets) + still.flush(), key=len)
    return packed


def _inflate(payload: bytes | memoryview, length: int) -> tuple[bytes, bytes]:
    """Return exactly `length` bytes of a raw deflate stream and what follows it, or raise PredictError."""
    inflater = zlib.decompressobj(-15)
    try:
        octets = inflater.decompress(payload, length + 1)
    except zlib.error as err:
        raise PredictError(f"not a deflate stream ({err})") from err
    if len(octets) != length or not inflater.eof:
        raise PredictError(f"inflates to other than the stated {length} bytes")
    return octets, inflater.unused_data

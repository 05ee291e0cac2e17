"""Payloads of the `predict` codec back to samples, those of frames alike together (shared/RECORDING.md, Codecs).

A frame by itself is some eighty steps of numpy on a few hundred numbers each, and the steps cost more than
the numbers. So frames of one shape are one array, their frames its first axis.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.recording.pairs import join_pairs
from dutylog.recording.predict import ESCAPE, HEAD_BYTES, MAX_LEVELS, MAX_ORDER, PredictError, band_lengths, work_type

Ints = NDArray[Any]

_BYTE_BITS = 8


def unpack_predict(payloads: Sequence[bytes], dtype: np.dtype[Any], n: int, channels: int) -> NDArray[Any]:
    """Return the (frames, n, channels) samples of payloads; exact inverse of `pack_predict` for each.

    Never takes more memory than a fixed multiple of the stated shape, whatever the payloads claim.

    Args:
        payloads: one or more, whose first byte (levels and order) is the same.
    Raises:
        PredictError: one of them is no such payload, or of another shape; its text speaks of that one only
            where it is alone.
    """
    width_bytes = dtype.itemsize
    signed = np.dtype(f"<i{width_bytes}")
    work = work_type(signed)
    start = HEAD_BYTES + channels * width_bytes
    shortest = min(map(len, payloads))
    if shortest < start:
        raise PredictError(f"{shortest} bytes, the first row alone needs {start}")
    levels, order = payloads[0][0] & 15, payloads[0][0] >> 4
    if levels > (MAX_LEVELS if width_bytes < work.itemsize else 0) or order > MAX_ORDER:
        raise PredictError(f"{levels} levels and order {order} make no sense for {dtype}")
    unused_bits = np.array([payload[1] for payload in payloads], work)[:, None]
    if unused_bits.max() >= 8 * width_bytes:
        raise PredictError(f"{unused_bits.max()} unused bits of {8 * width_bytes}")
    bands = _unpack_bands([payload[start:] for payload in payloads], work, band_lengths(n, levels), channels)
    values = bands.pop()
    for step in range(order, 0, -1):
        np.cumsum(values[..., step - 1 :], axis=-1, dtype=work, out=values[..., step - 1 :])
    parts: tuple[Ints, ...] = (values,)
    for level in range(levels - 1, -1, -1):
        values = _interleave(parts)
        parts = join_pairs(values, bands[level], level)
    first = np.frombuffer(b"".join([payload[HEAD_BYTES:start] for payload in payloads]), signed)
    first = first.reshape(len(payloads), channels).astype(work) >> unused_bits
    rows = np.empty((len(payloads), n, channels), signed)
    for at, part in enumerate(parts):
        part += first[..., None]
        if unused_bits.any():
            part <<= unused_bits[..., None]
        for channel in range(channels):
            # Channel by channel: numpy would go row by row and start anew for every one.
            rows[:, at :: len(parts), channel] = part[:, channel]
    return rows.view(dtype)


def _interleave(parts: tuple[Ints, ...]) -> Ints:
    """Return what `join_pairs` gave, even places and odd ones, in one array."""
    if len(parts) == 1:
        return parts[0]
    values = np.empty((*parts[0].shape[:-1], sum(part.shape[-1] for part in parts)), parts[0].dtype)
    for at, part in enumerate(parts):
        values[..., at::2] = part
    return values


def _unpack_bands(packed: list[bytes], work: np.dtype[Any], lengths: list[int], channels: int) -> list[Ints]:
    """Return bands (frames, channels, values) of payloads from their symbols on."""
    unsigned = np.dtype(f"<u{work.itemsize}")
    head = len(lengths) * channels
    inflated = [_inflate(one, head + sum(lengths) * channels) for one in packed]
    rests = [rest for _, rest in inflated]
    octets = np.frombuffer(b"".join([octets for octets, _ in inflated]), np.uint8).reshape(len(packed), -1)
    shifts, symbols = octets[:, :head], octets[:, head:]
    if shifts.max() >= 8 * work.itemsize:
        raise PredictError(f"{shifts.max()} low bits of {8 * work.itemsize}")
    zigzag = symbols.astype(unsigned, order="C")
    starts = [channels * sum(lengths[:k]) for k in range(len(lengths) + 1)]
    bands = [zigzag[:, a:b].reshape(len(packed), channels, -1) for a, b in pairwise(starts)]
    if shifts.any():
        for band, places in zip(bands, shifts.reshape(len(packed), len(lengths), -1).swapaxes(0, 1), strict=True):
            # A product, not a shift: numpy does eight at once of those.
            band *= np.left_shift(1, places, dtype=unsigned)[..., None]
        rests = _add_low_bits(zigzag, shifts, np.repeat(lengths, channels), rests)
    _set_escaped(zigzag, symbols, rests)
    signs = zigzag & 1
    np.negative(signs, out=signs)
    zigzag >>= 1
    zigzag ^= signs
    return [band.view(work) for band in bands]


def _add_low_bits(zigzag: Ints, shifts: NDArray[np.uint8], run_lengths: Ints, rests: list[bytes]) -> list[bytes]:
    """Put in the low bits at the begin of each frame's rest; return what is left of it.

    shifts: (frames, runs), of which each stands for so many values as `run_lengths` says.
    """
    used = [shift for shift in np.unique(shifts).tolist() if shift]
    counts = np.stack([(shifts == shift) @ run_lengths for shift in used])
    plane_bytes = (counts + _BYTE_BITS - 1) // _BYTE_BITS
    ends = np.cumsum(plane_bytes * np.array(used)[:, None], axis=0)
    starts = np.vstack([np.zeros_like(ends[:1]), ends[:-1]])
    lengths = np.array([len(rest) for rest in rests])
    missing = np.argwhere(lengths[:, None] < ends.T)
    if len(missing):
        frame, k = missing[0]
        left = lengths[frame] - starts[k, frame]
        raise PredictError(f"{left} bytes left for {counts[k, frame]} times {used[k]} low bits")
    for bit in range(0, used[-1], _BYTE_BITS):
        numbers = {
            shift: _join_planes(rests, at.tolist(), size.tolist(), range(bit, min(shift, bit + _BYTE_BITS)))
            for shift, at, size in zip(used, starts, plane_bytes, strict=True)
            if shift > bit
        }
        low = _lay_out(numbers, shifts, run_lengths).astype(zigzag.dtype).reshape(zigzag.shape)
        if bit:
            low <<= bit
        zigzag |= low
    return [rest[end:] for rest, end in zip(rests, ends[-1].tolist(), strict=True)]


def _join_planes(rests: list[bytes], starts: list[int], plane_bytes: list[int], planes: range) -> list[bytes]:
    """Return for each frame the bits of up to eight planes as a byte a value, and what fills the last byte."""
    # fmt: off
    packed = b"".join([
        rest[at + plane * size : at + (plane + 1) * size]
        for plane in planes for rest, at, size in zip(rests, starts, plane_bytes, strict=True)
    ])
    # fmt: on
    bits = np.unpackbits(np.frombuffer(packed, np.uint8)).reshape(len(planes), -1)
    joined = bits[-1]
    for plane_bits in bits[-2::-1]:
        joined += joined
        joined |= plane_bits
    octets = joined.tobytes()
    found, at = [], 0
    for size in plane_bytes:
        found.append(octets[at : at + _BYTE_BITS * size])
        at += _BYTE_BITS * size
    return found


def _lay_out(numbers: dict[int, list[bytes]], shifts: NDArray[np.uint8], run_lengths: Ints) -> NDArray[np.uint8]:
    """Return bytes in the order of the symbols from bytes by shift and frame; 0 where there is none of a shift."""
    lengths = run_lengths.tolist()
    nothing = bytes(max(lengths))
    runs = []
    for frame, row in enumerate(shifts.tolist()):
        places = dict.fromkeys(numbers, 0)
        for shift, length in zip(row, lengths, strict=True):
            if shift in numbers:
                at = places[shift]
                places[shift] = at + length
                runs.append(numbers[shift][frame][at : at + length])
            else:
                runs.append(nothing[:length])
    return np.frombuffer(b"".join(runs), np.uint8)


def _set_escaped(zigzag: Ints, symbols: NDArray[np.uint8], rests: list[bytes]) -> None:
    """Put in the values that stand apart, which must be all that is left of each frame's rest."""
    largest = np.maximum.reduce(symbols, axis=1)
    for frame, (rest, top) in enumerate(zip(rests, largest.tolist(), strict=True)):
        if not rest and top < ESCAPE:
            continue
        places = np.flatnonzero(symbols[frame] == ESCAPE)
        if len(rest) != len(places) * zigzag.itemsize:
            raise PredictError(f"{len(rest)} bytes for {len(places)} values that stand apart")
        zigzag[frame, places] = np.frombuffer(rest, zigzag.dtype)


def _inflate(payload: bytes, length: int) -> tuple[bytes, bytes]:
    """Return exactly `length` bytes of a raw deflate stream and what follows it, or raise PredictError."""
    inflater = zlib.decompressobj(-15)
    try:
        octets = inflater.decompress(payload, length + 1)
    except zlib.error as err:
        raise PredictError(f"not a deflate stream ({err})") from err
    if len(octets) != length or not inflater.eof:
        raise PredictError(f"inflates to other than the stated {length} bytes")
    return octets, inflater.unused_data

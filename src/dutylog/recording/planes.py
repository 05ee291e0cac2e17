"""The `planes` codec: delta, zigzag and byte planes in one zlib stream (shared/RECORDING.md, Codecs).

Neighbouring samples differ little, so first differences are small numbers; zigzag keeps their high
bytes zero for both signs; byte planes put those zeros side by side. Floats go by their bits, so
every NaN payload comes back.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.recording import deflate

ZLIB_LEVEL = 3
"""Measured on recorded desert travel: level 6 saves 2 % more and takes half as long again."""


class PlanesError(ValueError):
    """The bytes are no planes payload of the stated shape."""


def pack_planes(data: NDArray[Any]) -> bytes:
    """Return samples as a planes payload.

    Args:
        data: (n, channels) of i2, i4, f4 or f8, little-endian.
    Returns:
        bytes, one zlib stream.
    Source:
        shared/RECORDING.md; zigzag as in the Protocol Buffers encoding, "Signed Integers".
    """
    width_bytes = data.dtype.itemsize
    unsigned = np.dtype(f"<u{width_bytes}")
    by_channel = np.ascontiguousarray(data.T).view(unsigned)
    delta = by_channel.copy()
    delta[:, 1:] -= by_channel[:, :-1]
    one, sign_shift = unsigned.type(1), unsigned.type(8 * width_bytes - 1)
    zigzag = (delta << one) ^ (unsigned.type(0) - (delta >> sign_shift))
    octets = zigzag.astype(unsigned, copy=False).view(np.uint8).reshape(*zigzag.shape, width_bytes)
    return deflate.pack(octets.transpose(2, 0, 1).tobytes(), ZLIB_LEVEL)


def unpack_planes(payloads: Sequence[bytes], dtype: np.dtype[Any], n: int, channels: int) -> NDArray[Any]:
    """Return the (frames, n, channels) samples of planes payloads; exact inverse of `pack_planes` for each.

    Never inflates to more than the stated shape needs, whatever the payloads claim.

    Raises:
        PlanesError: one of them isn't zlib, or more or fewer bytes than n rows of `channels` need.
    """
    width_bytes = dtype.itemsize
    octets = b"".join([_inflate(payload, n * channels * width_bytes) for payload in payloads])
    planes = np.frombuffer(octets, np.uint8).reshape(len(payloads), width_bytes, channels, n)
    unsigned = np.dtype(f"<u{width_bytes}")
    values = np.empty((len(payloads), channels, n), unsigned)
    by_octet = values.view(np.uint8).reshape(*values.shape, width_bytes)
    for at in range(width_bytes):
        by_octet[..., at] = planes[:, at]
    signs = values & 1
    np.negative(signs, out=signs)
    values >>= 1
    values ^= signs
    np.cumsum(values, axis=2, dtype=unsigned, out=values)
    rows = np.empty((len(payloads), n, channels), unsigned)
    for channel in range(channels):
        # Channel by channel: numpy would go row by row and start anew for every one.
        rows[..., channel] = values[:, channel]
    return rows.view(dtype)


def _inflate(payload: bytes, raw_length: int) -> bytes:
    """Return exactly `raw_length` bytes or raise; one byte of room shows an overlong stream."""
    inflater = zlib.decompressobj()
    try:
        octets = inflater.decompress(payload, raw_length + 1)
    except zlib.error as err:
        raise PlanesError(f"not a zlib stream ({err})") from err
    if len(octets) != raw_length or not inflater.eof or inflater.unused_data:
        raise PlanesError(f"inflates to other than the stated {raw_length} bytes")
    return octets

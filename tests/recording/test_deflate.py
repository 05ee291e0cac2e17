"""zlib with little memory gives what zlib gives."""

from __future__ import annotations

import zlib

import numpy as np
import pytest

from dutylog.recording import deflate

LENGTHS = [1, 2, 61, 62, 63, 249, 250, 251, 500, 3_833, 3_834, 3_835, 4_000, 32_505, 32_506, 32_507, 70_000]
"""Around the sizes at which window or memory grow, and beyond the largest window."""


def octets_of(length: int, repeat: int) -> bytes:
    """Return bytes of few values that come again after `repeat`."""
    once = np.random.default_rng(length).geometric(0.4, repeat).astype(np.uint8)
    return np.resize(once, length).tobytes()


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("far", [False, True])
def test_a_stream_is_read_by_zlib_and_as_short_as_by_default(length: int, far: bool) -> None:
    # What comes again only at the very end needs the whole window.
    octets = octets_of(length, max(1, length - 20) if far else 40)
    for level in (3, 6):
        packed = deflate.pack(octets, level)
        assert zlib.decompress(packed) == octets
        assert len(packed) <= len(zlib.compress(octets, level)) + 2
        raw = deflate.pack(octets, level, is_raw=True)
        assert zlib.decompress(raw, -zlib.MAX_WBITS) == octets
        assert len(raw) == len(packed) - 6  # RFC 1950: two bytes before, four behind


@pytest.mark.parametrize("length", LENGTHS)
def test_symbols_that_are_only_counted_come_as_by_default(length: int) -> None:
    octets = octets_of(length, length)
    default = zlib.compressobj(1, zlib.DEFLATED, -zlib.MAX_WBITS, zlib.DEF_MEM_LEVEL, zlib.Z_HUFFMAN_ONLY)
    packed = deflate.pack(octets, 1, strategy=zlib.Z_HUFFMAN_ONLY, is_raw=True)
    assert zlib.decompress(packed, -zlib.MAX_WBITS) == octets
    assert packed == default.compress(octets) + default.flush()

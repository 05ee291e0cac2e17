"""Bytes of the bridge's line cut into frames and back; sound on any bytes (shared/PROTOCOL.md).

A frame is COBS(header, payload, CRC-32) and a zero byte. COBS leaves no zero inside, so whatever came
before, the next zero ends it and a reader has found its feet again.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from cobs import cobs  # type: ignore[import-untyped]

PROTOCOL = 1
MAX_FRAME_BYTES = 1024
"""Longest decoded frame: header, payload and CRC (shared/PROTOCOL.md)."""
MAX_ENCODED_BYTES = MAX_FRAME_BYTES + MAX_FRAME_BYTES // 254 + 1
"""COBS adds a byte, and one more for each 254 (S. Cheshire, M. Baker, Consistent Overhead Byte Stuffing, 1999)."""
SEQUENCES = 1 << 16

_HEADER = struct.Struct("<BBH")
_CRC = struct.Struct("<I")
_SHORTEST_BYTES = _HEADER.size + _CRC.size


@dataclass(frozen=True, slots=True)
class Frame:
    """A frame whose CRC was right. sequence: 0..65535, counted by its sender."""

    protocol: int
    kind: int
    sequence: int
    payload: bytes


@dataclass(slots=True)
class FrameCounters:
    """What came since the start. sequence_jumps: times a sequence wasn't the one after the last frame's."""

    frames: int = 0
    bad_crc: int = 0
    bad_cobs: int = 0
    oversize: int = 0
    sequence_jumps: int = 0

    @property
    def bad(self) -> int:
        """Return how many pieces between zero bytes were no frames."""
        return self.bad_crc + self.bad_cobs + self.oversize


class FrameSplitter:
    """Takes bytes in pieces of any length, gives back frames; the pieces' lengths don't matter.

    Holds at most MAX_ENCODED_BYTES between calls. A reader joins in the middle of a frame: what stands
    before the first zero byte is no fault of the line and isn't counted when it is no frame.
    """

    def __init__(self, counters: FrameCounters | None = None) -> None:
        """counters: to count on where an earlier one stopped."""
        self.counters = counters or FrameCounters()
        self._held = bytearray()
        self._is_oversize = False
        self._is_aligned = False
        self._next_sequence: int | None = None

    def feed(self, data: bytes) -> list[Frame]:
        """Return the frames that `data` completes, in order; never raises on any bytes."""
        *ended, rest = data.split(b"\0")
        frames = []
        for piece in ended:
            self._hold(piece)
            frame = self._take()
            if frame is not None:
                frames.append(frame)
        self._hold(rest)
        return frames

    @property
    def held_bytes(self) -> int:
        """Return how many bytes wait for their zero."""
        return len(self._held)

    def _hold(self, piece: bytes) -> None:
        """Keep bytes of a frame that isn't complete, or drop all of it once it is too long for one."""
        if self._is_oversize or not piece:
            return
        if len(self._held) + len(piece) > MAX_ENCODED_BYTES:
            self._is_oversize = True
            self._held.clear()
        else:
            self._held += piece

    def _take(self) -> Frame | None:
        """Return the frame held, None when it is none; the next one begins empty."""
        encoded, self._held = bytes(self._held), bytearray()
        is_oversize, self._is_oversize = self._is_oversize, False
        is_first, self._is_aligned = not self._is_aligned, True
        if not encoded and not is_oversize:
            return None  # zero bytes in a row: a sender that makes sure a broken frame is ended
        frame, fault = (None, "oversize") if is_oversize else _decode(encoded)
        if frame is None:
            if not is_first:
                setattr(self.counters, fault, getattr(self.counters, fault) + 1)
            return None
        self.counters.frames += 1
        if self._next_sequence not in (None, frame.sequence):
            self.counters.sequence_jumps += 1
        self._next_sequence = (frame.sequence + 1) % SEQUENCES
        return frame


def _decode(encoded: bytes) -> tuple[Frame | None, str]:
    """Return the frame, or None and the name of the counter that says why not."""
    try:
        whole = cobs.decode(encoded)
    except cobs.DecodeError:
        return None, "bad_cobs"
    if len(whole) > MAX_FRAME_BYTES:
        return None, "oversize"
    if len(whole) < _SHORTEST_BYTES:
        return None, "bad_crc"
    body = whole[: -_CRC.size]
    if zlib.crc32(body) != _CRC.unpack_from(whole, len(body))[0]:
        return None, "bad_crc"
    protocol, kind, sequence = _HEADER.unpack_from(body)
    return Frame(protocol, kind, sequence, body[_HEADER.size :]), ""


def encode_frame(kind: int, sequence: int, payload: bytes = b"", protocol: int = PROTOCOL) -> bytes:
    """Return the bytes of a frame for the line, its closing zero included.

    Args:
        kind: int 0..255, type of the frame.
        sequence: int, taken modulo 65536.
        payload: at most MAX_FRAME_BYTES - 8 bytes.
        protocol: int 0..255.
    Raises:
        ValueError: the payload is too long; a fault of the caller.
    """
    if len(payload) > MAX_FRAME_BYTES - _SHORTEST_BYTES:
        raise ValueError(f"payload of {len(payload)} bytes doesn't fit in a frame of {MAX_FRAME_BYTES}")
    body = _HEADER.pack(protocol, kind, sequence % SEQUENCES) + payload
    return bytes(cobs.encode(body + _CRC.pack(zlib.crc32(body)))) + b"\0"

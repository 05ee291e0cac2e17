"""Bytes from the host become commands; whatever is no frame is counted and left behind at the next 0x00."""

import binascii
import struct

import cobs
from frames import LONGEST, PROTOCOL

_SHORTEST = 8
"""Header and CRC, no payload."""


class Command:
    """kind: type of the frame. payload: a copy of its bytes."""

    def __init__(self, kind, sequence, payload):
        self.kind = kind
        self.sequence = sequence
        self.payload = payload


class Receiver:
    """bad_frames: frames that were damaged, too long, or of another protocol."""

    def __init__(self):
        self.buffer = bytearray(cobs.longest_encoded(LONGEST))
        self.view = memoryview(self.buffer)
        self.length = 0
        self.is_too_long = False
        self.bad_frames = 0

    def push(self, byte):
        """Take one byte; return the `Command` it completes, or None."""
        if byte:
            if self.length < len(self.buffer):
                self.buffer[self.length] = byte
                self.length += 1
            else:
                self.is_too_long = True
            return None
        length, is_too_long = self.length, self.is_too_long
        self.length = 0
        self.is_too_long = False
        if length == 0:
            return None
        command = None if is_too_long else self._parse(length)
        if command is None:
            self.bad_frames += 1
        return command

    def _parse(self, length):
        """Return the command in the first `length` bytes, or None if they are none."""
        size = cobs.decode(self.buffer, length)
        if size < _SHORTEST or size > LONGEST:
            return None
        end = size - 4
        protocol, kind, sequence = struct.unpack_from("<BBH", self.buffer, 0)
        (crc,) = struct.unpack_from("<I", self.buffer, end)
        if binascii.crc32(self.view[:end]) != crc or protocol != PROTOCOL:
            return None
        return Command(kind, sequence, bytes(self.view[4:end]))

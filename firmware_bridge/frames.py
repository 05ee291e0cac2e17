"""Frames of the bridge protocol, version 1: bytes as shared/PROTOCOL.md has them.

CRC-32 comes from binascii.crc32, which the builds for the RP2 boards have too (from memory).
"""

import binascii
import struct

import cobs
from micropython import const
from ring import INDEX_LOW, TICK_LOW, column_sum, copy_columns

PROTOCOL = const(1)
LONGEST = const(1024)
"""Bytes of a decoded frame, header and CRC included."""
NOTE_LONGEST = const(120)

IDENTITY = const(0x01)
SAMPLES = const(0x02)
PONG = const(0x03)
REPLY = const(0x04)
NOTE = const(0x05)
IDENTIFY = const(0x10)
START = const(0x11)
STOP = const(0x12)
RATE = const(0x13)
PING = const(0x14)

DONE = const(0)
UNKNOWN_COMMAND = const(1)
OUT_OF_RANGE = const(2)
NOT_NOW = const(3)

_HEADER = const(4)
_CRC = const(4)
_ROWS_AT = const(24)
"""Of the first row in a samples frame: 4 bytes of header, 20 of counters. Even, because words are written there."""


def most_rows(channels):
    """Return how many rows a samples frame can hold."""
    return min(255, (LONGEST - _ROWS_AT - _CRC) // (2 * channels))


class Encoder:
    """Writes one frame at a time into `wire`, ready for the line; every method returns its length there."""

    def __init__(self):
        self.plain = bytearray(LONGEST)
        self.view = memoryview(self.plain)
        self.wire = bytearray(cobs.longest_encoded(LONGEST) + 1)
        self.sequence = 0

    def finish(self, kind, length):
        """Put header, CRC and framing around a payload of `length` bytes that stands in `plain` already."""
        plain = self.plain
        struct.pack_into("<BBH", plain, 0, PROTOCOL, kind, self.sequence)
        self.sequence = (self.sequence + 1) & 0xFFFF
        end = _HEADER + length
        struct.pack_into("<I", plain, end, binascii.crc32(self.view[:end]))
        size = cobs.encode(plain, end + _CRC, self.wire)
        self.wire[size] = 0
        return size + 1

    def identity(self, who, rate_hz, is_running):
        """Say who this is. who: `Identity`."""
        plain = self.plain
        plain[4:12] = who.board_id
        struct.pack_into("<I", plain, 12, who.boot)
        plain[16:19] = bytes(who.version)
        count = len(who.inputs)
        struct.pack_into("<BBBHIHBB", plain, 19, count, who.adc_bits, who.is_internal_adc, rate_hz, who.tick_hz,
                         who.ring_rows, is_running, who.has_pulse_input)  # fmt: skip
        plain[32 : 32 + count] = bytes(who.inputs)
        return self.finish(IDENTITY, 28 + count)

    def samples(self, ring, rows, channels, has_reference, lost, pulses):
        """Take the ring's oldest `rows` rows, which must follow each other; the ring is left as it is."""
        words, at, end, stride = ring.words, ring.tail, ring.end, ring.stride
        reference = 0
        if has_reference:
            total = column_sum(words, at, end, stride, rows, channels)
            # 0 would say 'not measured'.
            reference = max(1, (total + rows // 2) // rows)
        index, tick = at + INDEX_LOW, at + TICK_LOW
        struct.pack_into("<HHHHIIHBB", self.plain, _HEADER, words[index], words[index + 1], words[tick],
                         words[tick + 1], lost, pulses, reference, rows, channels)  # fmt: skip
        copy_columns(words, at, end, stride, rows, channels, self.plain, _ROWS_AT // 2)
        return self.finish(SAMPLES, _ROWS_AT - _HEADER + 2 * rows * channels)

    def pong(self, token, received_tick, sent_tick):
        struct.pack_into("<III", self.plain, _HEADER, token, received_tick, sent_tick)
        return self.finish(PONG, 12)

    def reply(self, sequence, status):
        struct.pack_into("<HB", self.plain, _HEADER, sequence, status)
        return self.finish(REPLY, 3)

    def note(self, text):
        """Send text for people; what is over 120 bytes is cut off at a whole character."""
        data = text.encode()
        length = min(len(data), NOTE_LONGEST)
        while length < len(data) and data[length] & 0xC0 == 0x80:
            length -= 1
        self.plain[_HEADER : _HEADER + length] = data[:length]
        return self.finish(NOTE, length)


class Identity:
    """What the board says of itself. inputs: input number of each column. boot: random number of this start."""

    def __init__(self, board_id, boot, version, inputs, adc_bits, is_internal_adc, ring_rows, has_pulse_input):
        self.board_id = board_id
        self.boot = boot
        self.version = version
        self.inputs = inputs
        self.adc_bits = adc_bits
        self.is_internal_adc = is_internal_adc
        self.tick_hz = 1000000
        self.ring_rows = ring_rows
        self.has_pulse_input = has_pulse_input

"""Consistent overhead byte stuffing: any bytes become bytes without 0x00, which then ends a frame.

Source: S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7(2), 1999.
Viper code: nothing is allocated, and a frame of 670 bytes costs little time on the board.
"""

import micropython


def longest_encoded(length):
    """Return the most bytes that `length` bytes become, without the closing 0x00."""
    return length + length // 254 + 1


@micropython.viper
def encode(source: ptr8, length: int, target: ptr8) -> int:
    """Write `length` bytes of `source` encoded to `target`, return how many they became."""
    code_at = 0
    code = 1
    to = 1
    at = 0
    while at < length:
        byte = source[at]
        at += 1
        if byte != 0:
            target[to] = byte
            to += 1
            code += 1
        if byte == 0 or (code == 255 and at < length):
            # A full group of 254 bytes needs no successor when the data end with it.
            target[code_at] = code
            code_at = to
            to += 1
            code = 1
    target[code_at] = code
    return to


@micropython.viper
def decode(buffer: ptr8, length: int) -> int:
    """Decode `length` bytes of `buffer` (no 0x00 among them) in place; return how many they became, -1 if cut short."""
    at = 0
    to = 0
    while at < length:
        code = buffer[at]
        at += 1
        end = at + code - 1
        if end > length:
            return -1
        while at < end:
            buffer[to] = buffer[at]
            to += 1
            at += 1
        if code != 255 and at < length:
            buffer[to] = 0
            to += 1
    return to

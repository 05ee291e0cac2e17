"""Counters of 32 bits made from narrower ones, without a large integer in between.

On the board an integer of 2**30 or more is an object of its own on the heap (MicroPython on 32 bits, from memory),
which a timer callback may not make. So 32-bit numbers are kept as two halves of 16 bits.
"""


class Counter32:
    """low, high: halves of the value. mask: of the narrower counter it follows, one less than a power of two."""

    def __init__(self, mask, raw=0):
        self.mask = mask
        self.last = raw & mask
        self.low = raw & 0xFFFF
        self.high = (raw & mask) >> 16

    def follow(self, raw):
        """Take the narrower counter's present value; it may have wrapped once since the last call."""
        step = (raw - self.last) & self.mask
        self.last = raw & self.mask
        self.add(step)

    def add(self, step):
        """Add 0 <= step < 2**29."""
        low = self.low + (step & 0xFFFF)
        self.low = low & 0xFFFF
        self.high = (self.high + (step >> 16) + (low >> 16)) & 0xFFFF

    def clear(self):
        self.low = 0
        self.high = 0

    def value(self):
        """Return all 32 bits; may allocate, so not for a timer callback."""
        return self.high << 16 | self.low

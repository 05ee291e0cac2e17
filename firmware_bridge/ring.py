"""Rows on their way from the timer callback to the line: one writes, one reads, nothing is allocated.

A row is `HEAD` words of 16 bits (index low, high; tick low, high; pulses) followed by one word for each input.
The callback moves `head` only, the loop moves `tail` only, so neither needs a lock.
"""

from array import array

import micropython
from micropython import const

INDEX_LOW = const(0)
INDEX_HIGH = const(1)
TICK_LOW = const(2)
TICK_HIGH = const(3)
PULSES = const(4)
HEAD = const(5)


class Ring:
    """rows: that it can hold. stride: words of a row. head, tail: word offsets of the next row to write and to read."""

    def __init__(self, rows, inputs):
        self.rows = rows
        self.stride = HEAD + inputs
        # One place stays empty, to tell full from empty without a common counter.
        self.end = (rows + 1) * self.stride
        self.words = array("H", bytes(2 * self.end))
        self.head = 0
        self.tail = 0

    def clear(self):
        """Forget all rows; only while nothing writes."""
        self.tail = self.head

    def used(self):
        """Return how many rows wait."""
        span = self.head - self.tail
        if span < 0:
            span += self.end
        return span // self.stride

    def run(self, limit):
        """Return how many waiting rows, at most `limit`, follow each other without a missing index."""
        count = min(self.used(), limit)
        return unbroken(self.words, self.tail, self.end, self.stride, count)

    def drop(self, count):
        """Give the places of the oldest `count` rows back."""
        tail = self.tail + count * self.stride
        if tail >= self.end:
            tail -= self.end
        self.tail = tail


@micropython.viper
def unbroken(words: ptr16, at: int, end: int, stride: int, count: int) -> int:
    """Return how many of `count` rows from word `at` on have indices that rise by one."""
    if count == 0:
        return 0
    low = words[at]
    high = words[at + INDEX_HIGH]
    done = 1
    while done < count:
        at += stride
        if at >= end:
            at = 0
        low = (low + 1) & 0xFFFF
        if low == 0:
            high = (high + 1) & 0xFFFF
        if words[at] != low or words[at + INDEX_HIGH] != high:
            return done
        done += 1
    return done


@micropython.viper
def copy_columns(words: ptr16, at: int, end: int, stride: int, rows: int, columns: int, target: ptr16, to: int):
    """Copy the first `columns` inputs of `rows` rows, from word `at` on, to word `to` of `target`."""
    while rows > 0:
        column = 0
        source = at + HEAD
        while column < columns:
            target[to] = words[source]
            to += 1
            source += 1
            column += 1
        at += stride
        if at >= end:
            at = 0
        rows -= 1


@micropython.viper
def column_sum(words: ptr16, at: int, end: int, stride: int, rows: int, column: int) -> int:
    """Return the sum of one input over `rows` rows; 255 rows of 65535 stay below 2**24."""
    total = 0
    while rows > 0:
        total += words[at + HEAD + column]
        at += stride
        if at >= end:
            at = 0
        rows -= 1
    return total

"""A 12-bit converter of the MCP3208 class: eight inputs, SPI mode 0, three bytes for a reading.

Sent, first bit first: 0 0 0 0 0 1 1 D2 | D1 D0 0 0 0 0 0 0 | 0 0 0 0 0 0 0 0: a start bit, 'single-ended', the input.
Received: the second byte ends with a 0 and bits 11 to 8, the third is bits 7 to 0. The falling select line begins a
reading, its rise ends it. Clock at most 1 MHz at 2.7 V and 2 MHz at 5 V.
Source: public data sheet, from memory; the sequence agrees with several open drivers.
"""

import micropython


def request(number):
    """Return the three bytes that ask for input 0 to 7."""
    return bytes((0x06 | number >> 2, (number & 3) << 6, 0))


@micropython.viper
def place(received: ptr8, words: ptr16, at: int):
    """Write the reading in three received bytes to word `at`, left-aligned to 16 bits."""
    words[at] = (received[1] & 0x0F) << 12 | received[2] << 4


class Converters:
    """One converter or several on one bus; input n is input n % 8 of converter n // 8.

    transfer(sent, received): moves bytes both ways, without allocating. selects: for each converter a callable that
    sets its select line to 0 or 1. numbers: the inputs to read, in the order of a row.
    """

    def __init__(self, transfer, selects, numbers):
        self.transfer = transfer
        self.count = len(numbers)
        self.selects = tuple(selects[number // 8] for number in numbers)
        self.requests = tuple(request(number % 8) for number in numbers)
        self.received = bytearray(3)
        for select in selects:
            select(1)

    @micropython.native
    def read_row(self, words, at):
        """Read all inputs, one after the other, to `words` from word `at` on."""
        transfer = self.transfer
        selects = self.selects
        requests = self.requests
        received = self.received
        for k in range(self.count):
            select = selects[k]
            select(0)
            transfer(requests[k], received)
            select(1)
            place(received, words, at + k)

"""The timer callback: one row of raw counts each period, on a grid of indices that time alone decides.

The callback runs in an interrupt: no float, no allocation, and no integer of 2**30 or more (see counter.py).
"""

import micropython
from micropython import const
from ring import HEAD

TICKS_MASK = const(0x3FFFFFFF)
"""ticks_us wraps at 2**30 on 32-bit boards (MicroPython, from memory); a stand-in must wrap there too."""
HALF_TICKS = const(0x20000000)


class Sampler:
    """index_low, index_high: of the next row. due: ticks_us at which it is due. calls: rows due so far, wraps."""

    def __init__(self, board, ring):
        self.board = board
        self.ring = ring
        self.is_running = False
        self.period = 1000
        self.half = 500
        self.due = 0
        self.calls = 0
        self.index_low = 0
        self.index_high = 0
        self.tick_low = 0
        self.tick_high = 0
        self.callback = self.tick  # bound once: binding allocates

    def start(self, period_us, clock):
        """Begin with index 0, one period from now. clock: `Counter32` of the board's ticks."""
        now = self.board.ticks_us()
        clock.follow(now)
        self.period = period_us
        self.half = period_us // 2
        self.due = (now + period_us) & TICKS_MASK
        self.index_low = 0
        self.index_high = 0
        low = clock.low + period_us
        self.tick_low = low & 0xFFFF
        self.tick_high = (clock.high + (low >> 16)) & 0xFFFF
        self.is_running = True
        self.board.start_timer(period_us, self.callback)

    def stop(self):
        self.board.stop_timer()
        self.is_running = False

    @micropython.native
    def tick(self, _timer):
        """Take a row if one is due; a callback later than half a period belongs to the instant nearest to it.

        Instants nobody came for, and rows the ring has no room for, leave a hole in the indices. Some timers make
        up for missed calls at once: such a call comes too early for the next row and is let go.
        """
        board = self.board
        late = (board.ticks_us() - self.due) & TICKS_MASK
        if late >= HALF_TICKS:
            if TICKS_MASK - late + 1 > self.half:
                return
        elif late > self.half:
            self.advance((late + self.half) // self.period)
        ring = self.ring
        head = ring.head
        after = head + ring.stride
        if after >= ring.end:
            after = 0
        if after != ring.tail:
            words = ring.words
            words[head] = self.index_low
            words[head + 1] = self.index_high
            words[head + 2] = self.tick_low
            words[head + 3] = self.tick_high
            words[head + 4] = board.pulses & 0xFFFF
            board.read_row(words, head + HEAD)
            ring.head = after
        self.calls = (self.calls + 1) & 0xFFFF
        self.advance(1)

    @micropython.native
    def advance(self, rows):
        """Move index, tick and due instant on by `rows` periods, together less than 2**29 us."""
        low = self.index_low + (rows & 0xFFFF)
        self.index_low = low & 0xFFFF
        self.index_high = (self.index_high + (rows >> 16) + (low >> 16)) & 0xFFFF
        step = rows * self.period
        low = self.tick_low + (step & 0xFFFF)
        self.tick_low = low & 0xFFFF
        self.tick_high = (self.tick_high + (step >> 16) + (low >> 16)) & 0xFFFF
        # due + step may be 2**30 or more, which would be allocated: the sum is never formed.
        room = TICKS_MASK - self.due
        if step > room:
            self.due = step - room - 1
        else:
            self.due = self.due + step

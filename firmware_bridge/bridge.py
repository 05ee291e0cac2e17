"""The bridge itself: commands in, identity and samples out. Knows no pins; `board` does (board_rp2.py, or a stand-in).

A board has: board_id, inputs, has_reference, adc_bits, is_internal_adc, has_pulse_input, pulses (rising count),
ticks_us() wrapping at 2**30, random_u32(), read_row(words, at), start_timer(period_us, callback), stop_timer(),
read_into(buffer) -> bytes there now, write(view) -> bytes taken now, feed() for the watchdog, wait() until something
may be due.
"""

import struct

import frames
from counter import Counter32
from micropython import const
from receiver import Receiver
from ring import PULSES, Ring
from sampler import Sampler

VERSION = (1, 0, 0)
LOWEST_RATE_HZ = const(50)
HIGHEST_RATE_HZ = const(2000)
FRAMES_PER_S = const(25)
IDENTITY_EVERY_US = const(2000000)
NOTE_EVERY_US = const(10000000)
STUCK_US = const(1000000)
"""No row due for so long while sampling: the timer is gone, and the watchdog shall have its way."""
MOST_WAITING = const(8)
"""Answers kept while the line is busy; no further command is read until one has left."""
TICKS_MASK = const(0x3FFFFFFF)


class Bridge:
    """One line, one board. `step` does what is due and never waits; `run` goes on for ever."""

    def __init__(self, board, rate_hz=1000, ring_rows=512, silence_us=10000000):
        self.board = board
        self.silence_us = silence_us
        self.channels = len(board.inputs)
        self.ring = Ring(ring_rows, self.channels + (1 if board.has_reference else 0))
        self.sampler = Sampler(board, self.ring)
        self.encoder = frames.Encoder()
        self.receiver = Receiver()
        self.who = frames.Identity(board.board_id, board.random_u32(), VERSION, board.inputs, board.adc_bits,
                                   board.is_internal_adc, ring_rows, board.has_pulse_input)  # fmt: skip
        self.input = bytearray(64)
        self.wire = memoryview(self.encoder.wire)
        self.wire_at = 0
        self.wire_end = 0
        now = board.ticks_us()
        self.clock = Counter32(TICKS_MASK, now)
        self.pulses = Counter32(0xFFFF, 0)
        self.lost = 0
        self.sent = 0
        self.heard_at = now
        self.identity_at = now
        self.note_at = now
        self.moved_at = now
        self.calls = 0
        self.waiting = []
        self.is_draining = False
        self.is_identity_due = True
        self.bad_frames_told = 0
        self.set_rate(rate_hz)
        if board.is_internal_adc:
            self.tell("internal ADC: steps in its curve, for trying out only")

    def set_rate(self, rate_hz):
        self.rate_hz = rate_hz
        self.rows_per_frame = max(1, min(rate_hz // FRAMES_PER_S, frames.most_rows(self.channels)))

    def run(self):
        while True:
            if not self.step():
                self.board.wait()

    def step(self):
        """Read, decide, write; feed the watchdog unless sampling has died. Return whether there is more to do."""
        board = self.board
        self.clock.follow(board.ticks_us())
        if not self.is_draining and len(self.waiting) < MOST_WAITING:
            self.listen()
        now = board.ticks_us()
        self.look_at_time(now)
        is_busy = self.send()
        if not self.sampler.is_running or (now - self.moved_at) & TICKS_MASK < STUCK_US:
            board.feed()
        return is_busy

    def look_at_time(self, now):
        """Note what time alone makes due."""
        sampler = self.sampler
        if sampler.is_running:
            if sampler.calls != self.calls:
                self.calls = sampler.calls
                self.moved_at = now
            if (now - self.heard_at) & TICKS_MASK >= self.silence_us:
                self.stop()
                self.tell("sampling stopped: no command for %d s" % (self.silence_us // 1000000))
        elif (now - self.identity_at) & TICKS_MASK >= IDENTITY_EVERY_US:
            self.is_identity_due = True
        bad_frames = self.receiver.bad_frames
        if bad_frames != self.bad_frames_told and (now - self.note_at) & TICKS_MASK >= NOTE_EVERY_US:
            self.bad_frames_told = bad_frames
            self.note_at = now
            self.tell("%d damaged frames received since the start" % bad_frames)

    def listen(self):
        """Take what has come in and carry out complete commands."""
        count = self.board.read_into(self.input)
        if not count:
            return
        self.clock.follow(self.board.ticks_us())
        for at in range(count):
            command = self.receiver.push(self.input[at])
            if command is not None:
                self.heard_at = self.board.ticks_us()
                self.obey(command)

    def obey(self, command):
        kind, payload = command.kind, command.payload
        if kind == frames.PING and len(payload) == 4:
            (token,) = struct.unpack("<I", payload)
            self.waiting.append((frames.PONG, token, self.clock.value()))
            return
        if kind == frames.IDENTIFY and not payload:
            self.is_identity_due = True
            return
        self.waiting.append((frames.REPLY, command.sequence, self.answer(kind, payload)))

    def answer(self, kind, payload):
        """Carry out a command that gets a reply; return its status."""
        if kind not in (frames.IDENTIFY, frames.START, frames.STOP, frames.RATE, frames.PING):
            return frames.UNKNOWN_COMMAND
        if len(payload) != (2 if kind == frames.RATE else 0):
            return frames.OUT_OF_RANGE
        if kind == frames.START:
            self.start()
        elif kind == frames.STOP:
            self.stop()
        elif self.sampler.is_running:
            return frames.NOT_NOW
        else:
            (rate_hz,) = struct.unpack("<H", payload)
            if not LOWEST_RATE_HZ <= rate_hz <= HIGHEST_RATE_HZ:
                return frames.OUT_OF_RANGE
            self.set_rate(rate_hz)
        return frames.DONE

    def start(self):
        """Begin a run with index 0; one under way ends, and its rows not sent yet are forgotten."""
        self.sampler.stop()
        self.ring.clear()
        self.is_draining = False
        self.lost = 0
        self.sent = 0
        self.pulses.follow(self.board.pulses & 0xFFFF)
        self.moved_at = self.board.ticks_us()
        self.sampler.start(1000000 // self.rate_hz, self.clock)

    def stop(self):
        """End a run; the rows taken so far still go out, before any answer."""
        if self.sampler.is_running:
            self.sampler.stop()
            self.is_draining = True
            self.is_identity_due = True

    def tell(self, text):
        if len(self.waiting) < MOST_WAITING:
            self.waiting.append((frames.NOTE, text))

    def send(self):
        """Go on with the frame on its way or make the next, one a step; return whether a frame has gone out.

        Not more at once: a host that hardly reads may hold up a write, and the watchdog must be fed in between.
        """
        if self.wire_at == self.wire_end:
            self.wire_at = 0
            self.wire_end = self.compose()
            if not self.wire_end:
                return False
        taken = self.board.write(self.wire[self.wire_at : self.wire_end])
        if taken:
            self.wire_at += taken
        return self.wire_at == self.wire_end

    def compose(self):
        """Make the next frame, most urgent first; return its length, 0 if nothing is due."""
        if self.is_draining:
            rows = self.ring.run(frames.most_rows(self.channels))
            if rows:
                return self.compose_samples(rows)
            self.is_draining = False
        if self.waiting:
            return self.compose_waiting(self.waiting.pop(0))
        if self.is_identity_due:
            self.is_identity_due = False
            self.identity_at = self.board.ticks_us()
            return self.encoder.identity(self.who, self.rate_hz, self.sampler.is_running)
        used = self.ring.used()
        rows = self.ring.run(self.rows_per_frame)
        if rows == self.rows_per_frame or rows < min(used, self.rows_per_frame):
            return self.compose_samples(rows)
        return 0

    def compose_waiting(self, item):
        if item[0] == frames.PONG:
            self.clock.follow(self.board.ticks_us())
            return self.encoder.pong(item[1], item[2], self.clock.value())
        if item[0] == frames.REPLY:
            return self.encoder.reply(item[1], item[2])
        return self.encoder.note(item[1])

    def compose_samples(self, rows):
        """Send the oldest rows; lost rows show as index minus rows sent, so the two can never disagree."""
        ring = self.ring
        words, last = ring.words, ring.tail + (rows - 1) * ring.stride
        first_index = words[ring.tail + 1] << 16 | words[ring.tail]
        self.lost = (first_index - self.sent) & 0xFFFFFFFF
        self.pulses.follow(words[(last if last < ring.end else last - ring.end) + PULSES])
        length = self.encoder.samples(
            ring, rows, self.channels, self.board.has_reference, self.lost, self.pulses.value()
        )
        self.sent = (self.sent + rows) & 0xFFFFFFFF
        ring.drop(rows)
        return length

"""A stand-in for the sampling board, run by MicroPython on Linux; its line is a pty's master.

    micropython -X heapsize=264k board_linux.py FIRMWARE_FOLDER FD key=value ...

Paced by the real clock. Its timer is a perfect one: a callback reads the instant it was due, however late Linux
lets this process run, as a hardware timer would have interrupted in time. Memory is locked during every callback,
so an allocation there ends the program with a MemoryError. Does not model: conversion time, USB, noise.
"""

import math
import os
import select
import struct
import sys
import time
from array import array

import micropython

sys.path.insert(0, sys.argv[1])

from bridge import Bridge

TICKS_MASK = 0x3FFFFFFF
TICKS_BETWEEN_STEPS = 100
"""The loop gets its turn at least this often while ticks are made up for, else the ring would fill by our own doing."""

OPTIONS = {
    "rows_file": "",  # u16 little-endian, a column for each channel; begins again at its end
    "channels": 4,
    "inputs": "",  # input number of each column, as 0.1.2.3
    "rate": 1000,
    "reference": 0xFFF0,  # raw count of the potentiometers' supply; 0: not measured
    "internal_adc": 0,
    "ring_rows": 512,
    "silence_s": 10.0,
    "board_id": "6475747931323334",
    "boot": 0,  # 0: a new one at each start
    "pulse_hz": 0,
    "mask_at_row": -1,  # from here on the timer doesn't call back ...
    "mask_rows": 0,  # ... for so many rows
    "catch_up": 0,  # 1: afterwards it calls once for each call missed, at once
    "stall_at_row": -1,  # from here on the loop gets no turn ...
    "stall_rows": 0,  # ... for so many rows; ticks go on
    "reset_at_row": -1,  # starts anew here, once
    "watchdog_s": 2.0,
    "ticks_start": 0,  # what ticks_us shows at the start
    "tick_high": 0,  # upper 16 bits of the 32-bit tick at the start
    "sequence_start": 0,  # of the board's first frame
    "damage_every": 0,  # flips a bit in every so many-th write
    "lock_heap": 1,
}


class Reset(Exception):
    """The board starts anew."""


def read_options(words):
    options = dict(OPTIONS)
    for word in words:
        key, text = word.split("=", 1)
        options[key] = type(OPTIONS[key])(text)
    return options


class SineRows:
    """Column c is a sine of 1000 rows, c * 125 rows ahead, from 12768 to 52768, 12 bits wide."""

    def __init__(self, channels):
        self.channels = channels
        self.table = array("H", (int(32768 + 20000 * math.sin(math.pi * i / 500)) & 0xFFF0 for i in range(1000)))

    def read(self, row, words, at):
        for column in range(self.channels):
            words[at + column] = self.table[(row + 125 * column) % 1000]


class FileRows:
    """Rows of a file, the same from the start again at its end."""

    def __init__(self, path, channels):
        self.file = open(path, "rb")  # noqa: SIM115 - open as long as the board is
        self.channels = channels
        self.rows = os.stat(path)[6] // (2 * channels)
        self.bytes = bytearray(2 * channels)
        self.next = 0

    def read(self, row, words, at):
        row %= self.rows
        if row != self.next:
            self.file.seek(row * len(self.bytes))
        self.file.readinto(self.bytes)
        self.next = row + 1
        for column in range(self.channels):
            words[at + column] = self.bytes[2 * column] | self.bytes[2 * column + 1] << 8


class LinuxBoard:
    """One start of the board; see `bridge` for what the names mean."""

    def __init__(self, fd, options, starts):
        self.options = options
        self.line = open(fd, "r+b")  # noqa: SIM115 - the same
        self.poll = select.poll()
        self.poll.register(self.line, select.POLLIN)
        channels = options["channels"]
        self.inputs = (
            tuple(int(n) for n in options["inputs"].split(".")) if options["inputs"] else tuple(range(channels))
        )
        self.has_reference = options["reference"] > 0
        self.adc_bits = 12
        self.is_internal_adc = options["internal_adc"]
        self.has_pulse_input = int(options["pulse_hz"] > 0)
        self.board_id = bytes(int(options["board_id"][i : i + 2], 16) for i in range(0, 16, 2))
        self.pulses = 0
        self.source = FileRows(options["rows_file"], channels) if options["rows_file"] else SineRows(channels)
        self.reset_at_row = options["reset_at_row"] if starts == 0 else -1
        self.began_us = time.ticks_us()
        self.fed_us = self.began_us
        self.shown_us = -1
        self.callback = None
        self.period_us = 1000
        self.due_us = 0
        self.row = 0
        self.made_up = 0
        self.writes = 0

    def random_u32(self):
        return self.options["boot"] or struct.unpack("<I", os.urandom(4))[0]

    def ticks_us(self):
        now = self.shown_us if self.shown_us >= 0 else time.ticks_us()
        return (now - self.began_us + self.options["ticks_start"]) & TICKS_MASK

    def start_timer(self, period_us, callback):
        self.period_us = period_us
        self.due_us = time.ticks_us() + period_us
        self.row = 0
        self.callback = callback

    def stop_timer(self):
        self.callback = None

    def read_row(self, words, at):
        self.source.read(self.row, words, at)
        if self.has_reference:
            words[at + len(self.inputs)] = self.options["reference"]

    def read_into(self, buffer):
        for _, event in self.poll.ipoll(0):
            if event & select.POLLIN:
                return self.line.readinto(buffer)
            # Every other end of the pty is closed: nobody is left to talk to.
            raise SystemExit
        return 0

    def write(self, view):
        """Hand on what the pty takes now; the descriptor doesn't block."""
        self.writes += 1
        every = self.options["damage_every"]
        if every and self.writes % every == 0:
            view = bytearray(view)
            view[len(view) // 2] ^= 0x10
        try:
            return self.line.write(view)
        except OSError as err:
            if err.errno == 11:
                return 0
            raise SystemExit from err

    def feed(self):
        self.fed_us = time.ticks_us()

    def wait(self):
        """Let time pass until a byte comes or a few ticks are due, then make the ticks."""
        if self.callback is None:
            self.poll.poll(20)
        else:
            if self.due_us > time.ticks_us():
                self.poll.poll(2)
            self.run_ticks()
        self.look_at_watchdog()

    def look_at_watchdog(self):
        if time.ticks_us() - self.fed_us > self.options["watchdog_s"] * 1000000:
            raise Reset

    def run_ticks(self):
        """Call back for every instant that has passed, or some of them."""
        options = self.options
        stall_end = options["stall_at_row"] + options["stall_rows"]
        done = 0
        while self.callback is not None:
            stalled = options["stall_at_row"] <= self.row < stall_end
            if not stalled and done >= TICKS_BETWEEN_STEPS:
                return
            if self.due_us > time.ticks_us():
                if not stalled:
                    return
                time.sleep_us(200)
                self.look_at_watchdog()
                continue
            if self.row == self.reset_at_row:
                raise Reset
            self.run_tick(options)
            done += 1

    def run_tick(self, options):
        mask_end = options["mask_at_row"] + options["mask_rows"]
        self.pulses = self.row * self.period_us * options["pulse_hz"] // 1000000
        if options["mask_at_row"] <= self.row < mask_end:
            self.made_up += options["catch_up"]
        else:
            self.call_back(1)
            self.call_back(self.made_up)
            self.made_up = 0
        self.row += 1
        self.due_us += self.period_us

    def call_back(self, times):
        self.shown_us = self.due_us
        if self.options["lock_heap"]:
            micropython.heap_lock()
        while times > 0:
            self.callback(self)
            times -= 1
        if self.options["lock_heap"]:
            micropython.heap_unlock()
        self.shown_us = -1


def main():
    options = read_options(sys.argv[3:])
    starts = 0
    while True:
        board = LinuxBoard(int(sys.argv[2]), options, starts)
        bridge = Bridge(board, options["rate"], options["ring_rows"], int(options["silence_s"] * 1000000))
        bridge.encoder.sequence = options["sequence_start"]
        bridge.clock.high |= options["tick_high"]
        try:
            bridge.run()
        except Reset:
            starts += 1


main()

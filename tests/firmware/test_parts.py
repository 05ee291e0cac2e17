"""The firmware's modules one by one, in the interpreter they are written for."""

from __future__ import annotations

import json
import random
import subprocess
import sys
import zlib
from pathlib import Path

from cobs import cobs

from firmware.board import FIRMWARE
from firmware.scripts import run_script

SEED = 7

ENCODE = """
import binascii, cobs
while True:
    line = sys.stdin.readline()
    if not line:
        break
    data = binascii.unhexlify(line.strip())
    target = bytearray(cobs.longest_encoded(len(data)))
    length = cobs.encode(data, len(data), target)
    print(binascii.hexlify(target[:length]).decode(), binascii.crc32(data))
"""

DECODE = """
import binascii, cobs
while True:
    line = sys.stdin.readline()
    if not line:
        break
    data = bytearray(binascii.unhexlify(line.strip()))
    length = cobs.decode(data, len(data))
    print("none" if length < 0 else binascii.hexlify(data[:length]).decode())
"""

NO_ALLOCATION = """
import gc, micropython
from counter import Counter32
from ring import Ring
from sampler import Sampler

class Board:
    def __init__(self):
        self.now = 2**30 - 5000
        self.pulses = 65000
    def ticks_us(self):
        return self.now
    def start_timer(self, period_us, callback):
        self.callback = callback
    def read_row(self, words, at):
        words[at] = 1
        words[at + 1] = 2

def allocated(callback, steps):
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    micropython.heap_lock()
    try:
        for k in range(steps):
            board.now = (board.now + (1000 if k % 7 else 3300)) & 0x3FFFFFFF
            callback(board)
    finally:
        micropython.heap_unlock()
    after = gc.mem_alloc()
    gc.enable()
    return after - before

def careless(board):
    return [board]

board = Board()
ring = Ring(100, 2)
sampler = Sampler(board, ring)
clock = Counter32(0x3FFFFFFF, board.now)
sampler.start(1000, clock)
print(allocated(board.callback, 50), ring.used(), sampler.index_low)
print(allocated(board.callback, 5000), ring.used(), sampler.index_low)
try:
    allocated(careless, 1)
except MemoryError:
    print("caught")
"""

CONVERTER = """
import micropython
from array import array
from mcp3208 import Converters

class Chip:
    '''Bit by bit: start, single-ended, three bits of input; then a sampling clock, a zero, twelve bits.'''
    def __init__(self, values):
        self.values = values
        self.line = 1
        self.log = []
    def select(self, line):
        if self.line == 1 and line == 0:
            self.is_fresh = True
        self.line = line
    def transfer(self, sent, received):
        assert self.line == 0 and self.is_fresh
        self.is_fresh = False
        bits = [byte >> (7 - k) & 1 for byte in sent for k in range(8)]
        start = bits.index(1)
        assert bits[start + 1] == 1
        number = bits[start + 2] << 2 | bits[start + 3] << 1 | bits[start + 4]
        reply = [1] * (start + 6) + [0] + [self.values[number] >> (11 - k) & 1 for k in range(12)] + [1] * 24
        for k in range(3):
            received[k] = sum(reply[8 * k + j] << (7 - j) for j in range(8))

first = Chip([0, 1, 0x800, 0xFFF, 0x123, 0xABC, 0x555, 0xAAA])
second = Chip([0x010, 0x020, 0x040, 0x080, 0x100, 0x200, 0x400, 0x00F])

def transfer(sent, received):
    (first if first.line == 0 else second).transfer(sent, received)

both = Converters(transfer, (first.select, second.select), tuple(range(16)))
words = array("H", bytes(40))
both.read_row(words, 2)
print(list(words))
assert first.line == second.line == 1

def quiet(sent, received):
    received[1] = 0x1A
    received[2] = sent[1]

both = Converters(quiet, (lambda line: None, lambda line: None), (0, 3, 15))
micropython.heap_lock()
both.read_row(words, 0)
micropython.heap_unlock()
print(list(words[:3]))
"""

RING = """
from counter import Counter32
from ring import HEAD, INDEX_HIGH, INDEX_LOW, Ring, column_sum

def put(ring, index, value):
    at = ring.head
    after = at + ring.stride
    if after >= ring.end:
        after = 0
    if after == ring.tail:
        return False
    ring.words[at + INDEX_LOW] = index & 0xFFFF
    ring.words[at + INDEX_HIGH] = index >> 16
    ring.words[at + HEAD] = value
    ring.head = after
    return True

ring = Ring(5, 1)
print([put(ring, k, k) for k in range(6)], ring.used(), ring.run(255))
ring.drop(3)
print([put(ring, k, k) for k in (5, 9, 10)], ring.used(), ring.run(255), ring.run(2))
print(column_sum(ring.words, ring.tail, ring.end, ring.stride, ring.used(), 0))
ring.drop(3)
print(ring.used(), ring.run(255))
ring.clear()
print(ring.used(), ring.run(255))
for index in (65535, 65536, 65537, 65538 + 65536):
    put(ring, index, 0)
print(ring.run(255))
ring.drop(3)
print(ring.run(255))
ring.clear()
for index in (2**32 - 1, 0):
    put(ring, index, 0)
print(ring.run(255))

narrow = Counter32(0xFF, 250)
narrow.follow(4)
narrow.follow(3)
print(narrow.value())
wide = Counter32(0x3FFFFFFF, 2**30 - 1)
wide.high = 0xFFFF
wide.follow(9)
print(wide.value())
"""


def cases() -> list[bytes]:
    """Return data of every length near those where groups end, dense and sparse in zeros."""
    generator = random.Random(SEED)
    lengths = [0, 1, 2, 253, 254, 255, 256, 507, 508, 509, 510, 762, 1023, 1024, *generator.choices(range(1025), k=80)]
    some = [bytes(generator.choices(range(256), weights=[w, *[1] * 255], k=n)) for n in lengths for w in (0, 1, 200)]
    return [*some, *(bytes(n) for n in lengths), *(b"\0" + b"x" * n + b"\0" for n in (253, 254, 255))]


def hex_lines(data: list[bytes]) -> str:
    return "".join(item.hex() + "\n" for item in data)


def test_encoding_is_that_of_the_package() -> None:
    """Byte for byte, CRC too: the host decodes with the `cobs` package and zlib."""
    data = cases()
    lines = [line.split(" ") for line in run_script(ENCODE, text=hex_lines(data)).splitlines()]
    assert lines == [[cobs.encode(item).hex(), str(zlib.crc32(item))] for item in data]


def decode_by_package(encoded: bytes) -> str:
    try:
        return cobs.decode(encoded).hex()
    except cobs.DecodeError:
        return "none"


def test_decoding_is_that_of_the_package() -> None:
    """Good frames and nonsense alike; neither writes past the buffer, which the nonsense would show."""
    generator = random.Random(SEED)
    nonsense = [bytes(generator.choices(range(1, 256), k=n)) for n in generator.choices(range(1, 1030), k=400)]
    short = [bytes(generator.choices(range(1, 6), k=n)) for n in range(1, 40) for _ in range(5)]
    data = [cobs.encode(item) for item in cases()] + nonsense + short
    expected = [decode_by_package(item) for item in data]
    assert run_script(DECODE, text=hex_lines(data)).splitlines() == expected
    assert "none" in expected


def test_a_tick_allocates_nothing() -> None:
    """Not for rows, late callbacks or a full ring, with wraps on the way; and the lock does catch one that would."""
    lines = run_script(NO_ALLOCATION).splitlines()
    assert [line.split(" ")[0] for line in lines] == ["0", "0", "caught"]
    assert [int(line.split(" ")[1]) for line in lines[:2]] == [50, 100]


def test_no_integer_of_a_tick_is_large() -> None:
    """On 32 bits one of 2**30 or more would be allocated; on this machine nothing else would show it."""
    script = Path(__file__).parent / "small_integers.py"
    done = subprocess.run([sys.executable, script, FIRMWARE], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["ticks"] == 60_000
    assert told["largest"] < 2**30 <= told["caught"]


def test_converter_reads_every_input_bit_for_bit() -> None:
    """Two chips of eight inputs, asked one after the other, readings left-aligned, nothing allocated."""
    first = [0, 1, 0x800, 0xFFF, 0x123, 0xABC, 0x555, 0xAAA]
    second = [0x010, 0x020, 0x040, 0x080, 0x100, 0x200, 0x400, 0x00F]
    lines = run_script(CONVERTER).splitlines()
    assert json.loads(lines[0]) == [0, 0, *(value << 4 for value in first + second), 0, 0]
    assert json.loads(lines[1]) == [0xA000, 0xAC00, 0xAC00]


def test_ring_and_counters_wrap() -> None:
    """A run ends where an index is missing, however far it jumps; counters go on from 2**32 - 1 to 0."""
    assert run_script(RING).splitlines() == [
        "[True, True, True, True, True, False] 5 5",
        "[True, True, True] 5 3 2",
        str(3 + 4 + 5 + 9 + 10),
        "2 2",
        "0 0",
        "3",
        "1",
        "2",
        str(250 + 10 + 255),
        "9",
    ]

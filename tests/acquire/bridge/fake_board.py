"""A bridge in memory on a clock that a test moves, written from shared/PROTOCOL.md without the project's parser of it.

It encodes by itself (struct, cobs, zlib), keeps a history of commands, and can be told to fail. Does not model: a
full line, USB packets, a sampling interrupt that comes late unless `row_jitter_s` says so.
"""

from __future__ import annotations

import heapq
import math
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

from dutylog.clock import ManualClock
from dutylog.config.sensors import BridgeSettings
from dutylog.errors import SourceLost

PORT = "/dev/serial/by-id/usb-bridge"
POSITIONS = ("front_left", "front_right", "rear_left", "rear_right")


def make_settings(**changes: object) -> BridgeSettings:
    """Return settings of four inputs at 1 kHz, with changes."""
    return BridgeSettings(**{"port": PORT, "inputs": POSITIONS, **changes})  # type: ignore[arg-type]


def make_frame(kind: int, sequence: int, payload: bytes, protocol: int = 1) -> bytes:
    """Return a frame's bytes on the line."""
    body = struct.pack("<BBH", protocol, kind, sequence) + payload
    return cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"


def read_frame(encoded: bytes) -> tuple[int, int, bytes]:
    """Return type, sequence and payload of what stands before a zero byte; AssertionError when it is no frame."""
    whole = cobs.decode(encoded)
    (crc,) = struct.unpack("<I", whole[-4:])
    assert zlib.crc32(whole[:-4]) == crc
    protocol, kind, sequence = struct.unpack("<BBH", whole[:4])
    assert protocol == 1
    return kind, sequence, whole[4:-4]


def make_samples(
    index: int, tick: int, raw: NDArray[np.uint16], lost: int = 0, pulses: int = 0, reference: int = 0
) -> bytes:
    """Return the payload of a samples frame."""
    n, channels = raw.shape
    wrapped = (index % 2**32, tick % 2**32, lost % 2**32, pulses % 2**32)
    return struct.pack("<IIIIHBB", *wrapped, reference, n, channels) + raw.astype("<u2").tobytes()


@dataclass
class FakeBoard:
    """The far end of a line; hand `open_line` to a driver. All fields may be changed while it runs.

    drift_ppm: of its crystal. tick0: its tick at the clock's zero. delay_s: (least, most) of one way. rows: (n,) of
    indices to a (n, channels) uint16 array. drop_frame: says of a frame's number, counted from 0 over all samples
    frames, whether the line loses it. change: may replace the bytes of any frame. mute: kinds of commands that it
    leaves unanswered. commands: (mono_ns, kind, payload) of all that came.
    """

    clock: ManualClock
    inputs: tuple[int, ...] = (0, 1, 2, 3)
    rate_hz: int = 1000
    true_rate_ratio: float = 1.0
    drift_ppm: float = 0.0
    tick0: int = 1_000_000
    delay_s: tuple[float, float] = (150e-6, 150e-6)
    row_jitter_s: float = 0.0
    reference: int = 0
    pulse_hz: float = 0.0
    has_pulse_input: bool = True
    is_internal_adc: bool = False
    boot: int = 0x1234
    protocol: int = 1
    board_id: bytes = b"\1\2\3\4\5\6\7\x08"
    is_running: bool = False
    rows: Callable[[NDArray[np.int64]], NDArray[np.uint16]] | None = None
    overrun_rows: dict[int, int] = field(default_factory=dict)
    drop_frame: Callable[[int], bool] = lambda number: False
    change: Callable[[bytes], bytes] = lambda data: data
    mute: set[int] = field(default_factory=set)
    statuses: dict[int, int] = field(default_factory=dict)
    is_silent: bool = False
    is_unplugged: bool = False
    seed: int = 1

    def __post_init__(self) -> None:
        self.commands: list[tuple[int, int, bytes]] = []
        self.opened = self.closed = 0
        self.samples_frames = 0
        self.lost = 0
        self.next_index = 0
        self.start_ns = 0
        self._random = np.random.default_rng(self.seed)
        self._heap: list[tuple[int, int, bytes]] = []
        self._number = self._sequence = 0
        self._input = b""

    # -- what a driver calls

    def open_line(self, port: str) -> FakeBoard:
        if self.is_unplugged:
            raise SourceLost(f"{port} isn't there")
        self.opened += 1
        self._heap.clear()
        return self

    def read(self, limit_s: float) -> bytes:
        until_ns = self.clock.mono_ns() + round(limit_s * 1e9)
        if self.is_unplugged:
            raise SourceLost(f"{PORT}: the bridge is gone")
        while True:
            # Frame by frame, so that an answer asked for meanwhile isn't queued behind rows not sampled yet.
            self._sample_until(self.clock.mono_ns())
            due_ns = self._frame_ns() if self.is_running else until_ns + 1
            first_ns = self._heap[0][0] if self._heap and not self.is_silent else until_ns + 1
            if first_ns <= min(due_ns, until_ns):
                break
            if due_ns > until_ns:
                self._go_to(until_ns)
                return b""
            self._go_to(due_ns)
        self._go_to(first_ns)
        data = b""
        while self._heap and self._heap[0][0] <= self.clock.mono_ns():
            data += heapq.heappop(self._heap)[2]
        return data

    def write(self, data: bytes) -> None:
        if self.is_unplugged:
            raise SourceLost(f"{PORT}: the bridge is gone")
        *whole, self._input = (self._input + data).split(b"\0")
        for encoded in whole:
            if not encoded:
                continue
            kind, sequence, payload = read_frame(encoded)
            self.commands.append((self.clock.mono_ns(), kind, payload))
            if kind not in self.mute:
                self._obey(kind, sequence, payload, self.clock.mono_ns() + self._delay_ns())

    def close(self) -> None:
        self.closed += 1

    # -- what a test calls

    def ticks(self, mono_ns: int) -> int:
        """Return the board's tick at a true instant, not wrapped."""
        return self.tick0 + int(mono_ns * (1 + self.drift_ppm * 1e-6)) // 1000

    def row_ns(self, index: int) -> float:
        """Return the true instant of a row."""
        return self.start_ns + index * self.period_ns

    @property
    def period_ns(self) -> float:
        """Return the true spacing of rows: whole ticks of its own crystal."""
        return (1_000_000 // self.rate_hz) * 1000 / (1 + self.drift_ppm * 1e-6) / self.true_rate_ratio

    def reset(self) -> None:
        """Begin anew, as after a watchdog."""
        self.boot += 1
        self.is_running = False
        self._sequence = 0
        self.say(0x01, self.identity())

    def say(self, kind: int, payload: bytes, at_ns: int | None = None) -> None:
        """Send a frame, at an instant or now."""
        data = self.change(make_frame(kind, self._sequence, payload, self.protocol))
        self._sequence = (self._sequence + 1) % 65536
        self._send(data, self.clock.mono_ns() if at_ns is None else at_ns)

    def values(self, indices: NDArray[np.int64]) -> NDArray[np.uint16]:
        """Return the raw rows of indices: 12 bits, left-aligned, different in every column."""
        if self.rows is not None:
            return self.rows(indices)
        column = np.arange(len(self.inputs))
        return (((indices[:, None] * 7 + column * 1000) % 4096) << 4).astype(np.uint16)

    # -- inside

    def _go_to(self, mono_ns: int) -> None:
        self.clock.advance(max(0, mono_ns - self.clock.mono_ns()) / 1e9)

    def _delay_ns(self) -> int:
        return round(self._random.uniform(*self.delay_s) * 1e9)

    def _send(self, data: bytes, at_ns: int) -> None:
        """Put bytes on the line, which keeps their order."""
        arrival_ns = at_ns + self._delay_ns()
        if self._heap:
            arrival_ns = max(arrival_ns, max(self._heap)[0])
        heapq.heappush(self._heap, (arrival_ns, self._number, data))
        self._number += 1

    def identity(self) -> bytes:
        """Return the payload of its identity as it is now."""
        flags = (int(self.is_running), int(self.has_pulse_input))
        return (
            struct.pack("<8sI3BBBB", self.board_id, self.boot, 1, 2, 3, len(self.inputs), 12, int(self.is_internal_adc))
            + struct.pack("<HIHBB", self.rate_hz, 1_000_000, 512, *flags)
            + bytes(self.inputs)
        )

    def _obey(self, kind: int, sequence: int, payload: bytes, at_ns: int) -> None:
        self._sample_until(at_ns)
        if kind == 0x10:
            self.say(0x01, self.identity(), at_ns)
            return
        if kind == 0x14:
            sent_ns = at_ns + 50_000
            ticks = (self.ticks(at_ns) % 2**32, self.ticks(sent_ns) % 2**32)
            self.say(0x03, payload + struct.pack("<II", *ticks), sent_ns)
            return
        status = self.statuses.get(kind, 0)
        if status == 0 and kind == 0x11:
            self.is_running, self.next_index, self.lost = True, 0, 0
            self.start_ns = at_ns + 1_000_000
        elif status == 0 and kind == 0x12:
            self.is_running = False
        elif kind == 0x13 and self.is_running:
            status = 3
        elif status == 0 and kind == 0x13:
            (self.rate_hz,) = struct.unpack("<H", payload)
        self.say(0x04, struct.pack("<HB", sequence, status), at_ns)

    def _sample_until(self, mono_ns: int) -> None:
        """Send the frames whose last row lies before an instant."""
        while self.is_running and self._frame_ns() <= mono_ns:
            self._send_samples(self.rate_hz // 25)

    def _frame_ns(self) -> int:
        """Return when the last row of the next frame is sampled."""
        return math.ceil(self.row_ns(self.next_index + self.rate_hz // 25 - 1))

    def _send_samples(self, n: int) -> None:
        skip = self.overrun_rows.pop(self.next_index, 0)
        self.lost += skip
        self.next_index += skip
        index = self.next_index
        self.next_index += n
        end_ns = round(self.row_ns(index + n - 1))
        tick = self.ticks(round(self.row_ns(index) + self._random.exponential(self.row_jitter_s) * 1e9))
        pulses = int(self.pulse_hz * max(0.0, end_ns - self.start_ns) * 1e-9)
        payload = make_samples(index, tick, self.values(np.arange(index, index + n)), self.lost, pulses, self.reference)
        number, self.samples_frames = self.samples_frames, self.samples_frames + 1
        if self.drop_frame(number):
            self._sequence = (self._sequence + 1) % 65536
        else:
            self.say(0x02, payload, end_ns)

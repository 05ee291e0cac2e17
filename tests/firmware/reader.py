"""A reader of the bridge's line for tests, written from shared/PROTOCOL.md and independent of the host's own."""

from __future__ import annotations

import struct
import time
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Self

import numpy as np
import serial
from cobs import cobs
from numpy.typing import NDArray

IDENTITY, SAMPLES, PONG, REPLY, NOTE = 1, 2, 3, 4, 5
IDENTIFY, START, STOP, RATE, PING = 0x10, 0x11, 0x12, 0x13, 0x14
DONE, UNKNOWN_COMMAND, OUT_OF_RANGE, NOT_NOW = 0, 1, 2, 3
LIMIT_S = 60.0
"""Only a hang takes so long."""


@dataclass(frozen=True, slots=True)
class Identity:
    board_id: bytes
    boot: int
    version: tuple[int, ...]
    adc_bits: int
    is_internal_adc: int
    rate_hz: int
    tick_hz: int
    ring_rows: int
    is_running: int
    has_pulse_input: int
    inputs: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Samples:
    first_index: int
    tick: int
    lost: int
    pulses: int
    reference: int
    rows: NDArray[np.uint16]


@dataclass(frozen=True, slots=True)
class Frame:
    kind: int
    sequence: int
    payload: bytes


def parse_identity(payload: bytes) -> Identity:
    board_id, boot, *version = struct.unpack_from("<8sI3B", payload)
    channels, *numbers = struct.unpack_from("<BBBHIHBB", payload, 15)
    inputs = payload[28:]
    assert len(inputs) == channels
    return Identity(board_id, boot, tuple(version), *numbers, tuple(inputs))


def parse_samples(payload: bytes) -> Samples:
    *counters, n, channels = struct.unpack_from("<IIIIHBB", payload)
    rows = np.frombuffer(payload, "<u2", offset=20)
    return Samples(*counters, rows.reshape(n, channels))


def parse_frame(encoded: bytes) -> Frame:
    """Return the frame in the bytes before a 0x00."""
    plain = cobs.decode(encoded)
    assert len(plain) <= 1024
    assert zlib.crc32(plain[:-4]) == int.from_bytes(plain[-4:], "little")
    protocol, kind, sequence = struct.unpack_from("<BBH", plain)
    assert protocol == 1
    return Frame(kind, sequence, plain[4:-4])


def make_frame(kind: int, sequence: int, payload: bytes = b"", protocol: int = 1) -> bytes:
    plain = struct.pack("<BBH", protocol, kind, sequence) + payload
    return cobs.encode(plain + zlib.crc32(plain).to_bytes(4, "little")) + b"\0"


@dataclass(slots=True)
class Line:
    """An open port. frames: all that came, in order. damaged: frames that were none."""

    port: serial.Serial
    frames: list[Frame] = field(default_factory=list)
    damaged: int = 0
    sequence: int = 0
    _rest: bytes = b""

    @classmethod
    def open(cls, path: str) -> Self:
        return cls(serial.Serial(path, 921600, timeout=0.05, write_timeout=LIMIT_S, exclusive=True))

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.port.close()

    def send(self, kind: int, payload: bytes = b"") -> int:
        """Send a command, return its sequence."""
        sequence = self.sequence
        self.sequence = (sequence + 1) & 0xFFFF
        self.port.write(make_frame(kind, sequence, payload))
        return sequence

    def read_some(self) -> None:
        """Take what is there, or wait a moment for it."""
        data = self.port.read(max(1, self.port.in_waiting))
        *whole, self._rest = (self._rest + data).split(b"\0")
        for encoded in filter(None, whole):
            try:
                self.frames.append(parse_frame(encoded))
            except (cobs.DecodeError, AssertionError, struct.error):
                self.damaged += 1

    def wait_for(self, is_there: Callable[[], bool]) -> None:
        """Read until something is so.

        Raises:
            TimeoutError: it takes far too long.
        """
        end = time.monotonic() + LIMIT_S
        while not is_there():
            if time.monotonic() > end:
                kinds = [frame.kind for frame in self.frames[-20:]]
                raise TimeoutError(f"after {len(self.frames)} frames, the last of types {kinds}")
            self.read_some()

    def of(self, kind: int, since: int = 0) -> list[Frame]:
        """Return the frames of a type, those from place `since` on."""
        return [frame for frame in self.frames[since:] if frame.kind == kind]

    def next_of(self, kind: int) -> Frame:
        """Return the next frame of a type that hasn't come yet."""
        since = len(self.frames)
        self.wait_for(lambda: bool(self.of(kind, since)))
        return self.of(kind, since)[0]

    def ask(self, kind: int, payload: bytes = b"") -> int:
        """Send a command and return the status of its reply."""
        since = len(self.frames)
        sequence = self.send(kind, payload)

        def answers() -> list[int]:
            replies = [struct.unpack("<HB", frame.payload) for frame in self.of(REPLY, since)]
            return [status for number, status in replies if number == sequence]

        self.wait_for(lambda: bool(answers()))
        return answers()[0]

    def identify(self) -> Identity:
        since = len(self.frames)
        self.send(IDENTIFY)
        self.wait_for(lambda: bool(self.of(IDENTITY, since)))
        return parse_identity(self.of(IDENTITY, since)[-1].payload)

    def ping(self, token: int) -> tuple[int, int]:
        """Return tick at reception and at sending."""
        since = len(self.frames)
        self.send(PING, struct.pack("<I", token))

        def pongs() -> list[tuple[int, ...]]:
            return [p for p in (struct.unpack("<III", f.payload) for f in self.of(PONG, since)) if p[0] == token]

        self.wait_for(lambda: bool(pongs()))
        _, received, sent = pongs()[0]
        return received, sent

    def samples(self, since: int = 0) -> list[Samples]:
        return [parse_samples(frame.payload) for frame in self.of(SAMPLES, since)]

    def wait_for_row(self, index: int) -> None:
        """Read until a row has come whose index is at least this; a command a second keeps the board going."""
        asked = time.monotonic()

        def is_there() -> bool:
            nonlocal asked
            if time.monotonic() - asked > 1:
                asked = time.monotonic()
                self.send(PING, bytes(4))
            last = next((frame for frame in reversed(self.frames) if frame.kind == SAMPLES), None)
            if last is None:
                return False
            samples = parse_samples(last.payload)
            return samples.first_index + len(samples.rows) > index

        self.wait_for(is_there)


def indices(samples: list[Samples]) -> NDArray[np.int64]:
    """Return the index of every row, in order."""
    return np.concatenate([np.arange(s.first_index, s.first_index + len(s.rows)) for s in samples])


def all_rows(samples: list[Samples]) -> NDArray[np.uint16]:
    return np.concatenate([s.rows for s in samples])

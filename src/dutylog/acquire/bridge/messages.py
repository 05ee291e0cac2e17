"""What the frames of the bridge say, as plain data (shared/PROTOCOL.md)."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.bridge.framing import PROTOCOL, Frame, encode_frame
from dutylog.errors import FrameError, WrongDevice

IDENTITY, SAMPLES, PONG, REPLY, NOTE = 0x01, 0x02, 0x03, 0x04, 0x05
IDENTIFY, START, STOP, RATE, PING = 0x10, 0x11, 0x12, 0x13, 0x14
COMMANDS = {IDENTIFY: "identify", START: "start", STOP: "stop", RATE: "rate", PING: "ping"}
DONE, UNKNOWN_COMMAND, OUT_OF_RANGE, NOT_NOW = 0, 1, 2, 3
STATUS_TEXTS = ("done", "doesn't know the command", "value out of range", "not now")

MAX_CHANNELS = 8
MIN_RATE_HZ, MAX_RATE_HZ = 50, 2000
MIN_TICK_HZ, MAX_TICK_HZ = 10_000, 1_000_000_000
"""A coarser clock can't place rows to a tenth of a millisecond, a faster one wraps within seconds (judgement)."""
MAX_NOTE_BYTES = 120

_IDENTITY = struct.Struct("<8sI3BBBBHIHBB")
_SAMPLES = struct.Struct("<IIIIHBB")
_PONG = struct.Struct("<III")
_REPLY = struct.Struct("<HB")
_PING = struct.Struct("<I")
_RATE = struct.Struct("<H")


@dataclass(frozen=True, slots=True)
class Identity:
    """Who the board is. inputs: number of the input each column of its samples comes from. boot: random, new at
    each start. is_internal_adc: samples with the microcontroller's own converter, for trying out only."""

    board_id: str
    boot: int
    version: tuple[int, int, int]
    adc_bits: int
    is_internal_adc: bool
    rate_hz: int
    tick_hz: int
    ring_rows: int
    is_running: bool
    has_pulse_input: bool
    inputs: tuple[int, ...]

    @property
    def version_text(self) -> str:
        """Return the firmware's version as people write it."""
        return ".".join(str(part) for part in self.version)


@dataclass(frozen=True, slots=True)
class Samples:
    """Rows in a run. raw: (n, C) uint16, left-aligned. reference_raw: supply of the potentiometers, 0 not measured.

    first_index32, tick32, pulses32 wrap at 2^32. tick32: of the first row. lost: rows the board had to drop since
    its start, mod 2^32.
    """

    first_index32: int
    tick32: int
    lost: int
    pulses32: int
    reference_raw: int
    raw: NDArray[np.uint16] = field(compare=False)


@dataclass(frozen=True, slots=True)
class Pong:
    """Answer to a ping: the board's ticks when it came and when the answer left."""

    token: int
    received_tick32: int
    sent_tick32: int


@dataclass(frozen=True, slots=True)
class Reply:
    """Answer to a command, named by its sequence."""

    sequence: int
    status: int

    @property
    def text(self) -> str:
        """Return the status in words."""
        return STATUS_TEXTS[self.status] if self.status < len(STATUS_TEXTS) else f"status {self.status}"


@dataclass(frozen=True, slots=True)
class Note:
    """Text of the board for people, printable, in one line."""

    text: str


Message = Identity | Samples | Pong | Reply | Note


def parse_message(frame: Frame) -> Message | None:
    """Return what a frame says, None for a type that isn't known (a later firmware's).

    Raises:
        FrameError: lengths or values that can't be.
        WrongDevice: an identity of another protocol.
    """
    if frame.protocol != PROTOCOL:
        if frame.kind == IDENTITY:
            raise WrongDevice(
                f"the bridge speaks protocol {frame.protocol}, this program {PROTOCOL}: "
                "put the firmware on it that came with this program"
            )
        raise FrameError(f"frame of protocol {frame.protocol}, expected {PROTOCOL}")
    parser = _PARSERS.get(frame.kind)
    return None if parser is None else parser(frame.payload)


def _parse_identity(payload: bytes) -> Identity:
    if len(payload) < _IDENTITY.size:
        raise FrameError(f"identity of {len(payload)} bytes, expected {_IDENTITY.size} and one a channel")
    (board, boot, major, minor, patch, channels, bits, internal, rate_hz, tick_hz, ring_rows, running, pulse) = (
        _IDENTITY.unpack_from(payload)
    )
    inputs = tuple(payload[_IDENTITY.size :])
    if not 1 <= channels <= MAX_CHANNELS:
        raise FrameError(f"identity says {channels} channels, expected 1 to {MAX_CHANNELS}")
    if len(inputs) != channels or len(set(inputs)) < channels:
        raise FrameError(f"identity says {channels} channels and names inputs {list(inputs)}")
    if not 1 <= bits <= 16:
        raise FrameError(f"identity says a converter of {bits} bits, expected 1 to 16")
    if not MIN_RATE_HZ <= rate_hz <= MAX_RATE_HZ:
        raise FrameError(f"identity says {rate_hz} rows a second, expected {MIN_RATE_HZ} to {MAX_RATE_HZ}")
    if not MIN_TICK_HZ <= tick_hz <= MAX_TICK_HZ:
        raise FrameError(f"identity says {tick_hz} ticks a second, expected {MIN_TICK_HZ} to {MAX_TICK_HZ}")
    return Identity(
        board_id=board.hex(),
        boot=boot,
        version=(major, minor, patch),
        adc_bits=bits,
        is_internal_adc=bool(internal),
        rate_hz=rate_hz,
        tick_hz=tick_hz,
        ring_rows=ring_rows,
        is_running=bool(running),
        has_pulse_input=bool(pulse),
        inputs=inputs,
    )


def _parse_samples(payload: bytes) -> Samples:
    if len(payload) < _SAMPLES.size:
        raise FrameError(f"samples of {len(payload)} bytes, expected at least {_SAMPLES.size}")
    first_index32, tick32, lost, pulses32, reference_raw, n, channels = _SAMPLES.unpack_from(payload)
    if n < 1 or not 1 <= channels <= MAX_CHANNELS:
        raise FrameError(f"samples say {n} rows of {channels} channels, expected 1 to 255 of 1 to {MAX_CHANNELS}")
    expected = _SAMPLES.size + 2 * n * channels
    if len(payload) != expected:
        raise FrameError(f"samples of {len(payload)} bytes, expected {expected} for {n} rows of {channels} channels")
    raw = np.frombuffer(payload, dtype="<u2", offset=_SAMPLES.size).reshape(n, channels)
    return Samples(first_index32, tick32, lost, pulses32, reference_raw, raw)


def _parse_pong(payload: bytes) -> Pong:
    if len(payload) != _PONG.size:
        raise FrameError(f"pong of {len(payload)} bytes, expected {_PONG.size}")
    return Pong(*_PONG.unpack(payload))


def _parse_reply(payload: bytes) -> Reply:
    if len(payload) != _REPLY.size:
        raise FrameError(f"reply of {len(payload)} bytes, expected {_REPLY.size}")
    return Reply(*_REPLY.unpack(payload))


def _parse_note(payload: bytes) -> Note:
    if len(payload) > MAX_NOTE_BYTES:
        raise FrameError(f"note of {len(payload)} bytes, expected at most {MAX_NOTE_BYTES}")
    return Note(make_printable(payload))


def make_printable(data: bytes) -> str:
    """Return bytes as text that can stand in a line for people, whatever they were."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in data.decode("utf-8", "replace"))


_PARSERS: Mapping[int, Callable[[bytes], Message]] = {
    IDENTITY: _parse_identity,
    SAMPLES: _parse_samples,
    PONG: _parse_pong,
    REPLY: _parse_reply,
    NOTE: _parse_note,
}


def encode_command(kind: int, sequence: int) -> bytes:
    """Return a command without a value: IDENTIFY, START or STOP."""
    return encode_frame(kind, sequence)


def encode_rate(sequence: int, rate_hz: int) -> bytes:
    """Return the command that sets the rate [rows a second]; the board takes it only while stopped."""
    return encode_frame(RATE, sequence, _RATE.pack(rate_hz))


def encode_ping(sequence: int, token: int) -> bytes:
    """Return a ping; token: 0..2^32 - 1, comes back in the pong."""
    return encode_frame(PING, sequence, _PING.pack(token))

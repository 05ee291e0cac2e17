"""Talks to the board over an open line: frames, replies, pings; counts what went wrong."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from typing import Protocol

from dutylog.acquire.bridge.framing import Frame, FrameCounters, FrameSplitter
from dutylog.acquire.bridge.messages import (
    COMMANDS,
    RATE,
    Message,
    Note,
    Pong,
    Reply,
    encode_command,
    encode_ping,
    encode_rate,
    make_printable,
    parse_message,
)
from dutylog.clock import Clock
from dutylog.errors import FrameError, SourceLost
from dutylog.units import NS_PER_S

_FIRST_BYTES = 24
_OPEN_PINGS = 32
_REPLY_LIMIT_S = 0.5
_TRIES = 3
"""A command or its reply may be damaged on the line; three times in a row it is another fault (judgement)."""


class Line(Protocol):
    """What is needed of a serial line; see `serial_line.SerialLine`."""

    def read(self, limit_s: float) -> bytes: ...

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


@dataclass(slots=True)
class Totals:
    """Counted over all openings since the start of the program."""

    frames: FrameCounters
    bad_messages: int = 0
    unknown_frames: int = 0
    pings: int = 0
    pongs: int = 0
    notes: int = 0
    lost_rows: int = 0
    overruns: int = 0
    resets: int = 0
    reconnects: int = 0


@dataclass(frozen=True, slots=True)
class PingTimes:
    """A pong with the host instants [ns] around it."""

    sent_ns: int
    received_ns: int
    pong: Pong


Heard = Message | PingTimes


class Conversation:
    """One opening of the line.

    received_bytes: all that came. first_bytes: the beginning of it. frames: good ones. echoes: our own commands
    that came back. last_note: text of the board, '' before any.
    """

    def __init__(self, line: Line, port: str, clock: Clock, totals: Totals) -> None:
        self._line, self._port, self._clock, self._totals = line, port, clock, totals
        self._splitter = FrameSplitter(totals.frames)
        self._sequence = 0
        self._token = clock.mono_ns() & 0xFFFF_FFFF
        self._asked: OrderedDict[int, int] = OrderedDict()
        self._held: list[Heard] = []
        self.received_bytes = 0
        self.first_bytes = b""
        self.frames = 0
        self.echoes = 0
        self.last_note = ""

    @property
    def is_asking(self) -> bool:
        """Return whether the answer to a ping is still to come."""
        return bool(self._asked)

    def end_unfinished(self) -> None:
        """End whatever somebody else left unfinished on the line."""
        self._line.write(b"\0")

    def send(self, kind: int, rate_hz: int | None = None) -> int:
        """Send a command and return its sequence; rate_hz goes with RATE."""
        sequence = self._take_sequence()
        if rate_hz is not None:
            self._line.write(encode_rate(sequence, rate_hz))
        else:
            self._line.write(encode_command(kind, sequence))
        return sequence

    def send_ping(self) -> None:
        """Send a ping; its answer comes as PingTimes."""
        self._token = (self._token + 1) & 0xFFFF_FFFF
        data = encode_ping(self._take_sequence(), self._token)
        self._asked[self._token] = self._clock.mono_ns()
        while len(self._asked) > _OPEN_PINGS:
            self._asked.popitem(last=False)
        self._totals.pings += 1
        self._line.write(data)

    def read(self, limit_s: float) -> list[Heard]:
        """Return what came, waiting at most `limit_s` for the first bytes.

        Raises:
            SourceLost: the line is gone.
            WrongDevice: it speaks another protocol.
        """
        if self._held:
            held, self._held = self._held, []
            return held
        data = self._line.read(limit_s)
        if not data:
            return []
        received_ns = self._clock.mono_ns()
        self.received_bytes += len(data)
        if len(self.first_bytes) < _FIRST_BYTES:
            self.first_bytes = (self.first_bytes + data)[:_FIRST_BYTES]
        heard: list[Heard] = []
        for frame in self._splitter.feed(data):
            message = self._parse(frame)
            if message is not None:
                heard.append(message if not isinstance(message, Pong) else self._match(message, received_ns))
        return [message for message in heard if not isinstance(message, Pong)]

    def command(self, kind: int, rate_hz: int | None = None) -> Reply:
        """Send a command until its reply comes; what comes before it is dropped, what comes behind it is read next.

        Raises:
            SourceLost: no reply.
        """
        for _ in range(_TRIES):
            sequence = self.send(kind, rate_hz)
            until_ns = self._clock.mono_ns() + round(_REPLY_LIMIT_S * NS_PER_S)
            while (left_ns := until_ns - self._clock.mono_ns()) > 0:
                heard = self.read(left_ns / NS_PER_S)
                for place, message in enumerate(heard):
                    if isinstance(message, Reply) and message.sequence == sequence:
                        self._held = heard[place + 1 :]
                        return message
        name = COMMANDS[kind] + ("" if kind != RATE else f" {rate_hz}")
        raise SourceLost(
            f"{self._port}: the bridge doesn't answer `{name}`, asked {_TRIES} times; unplug it and plug it in again"
        )

    def describe_bytes(self) -> str:
        """Return the first bytes for people: as text where they are text, else in hexadecimal."""
        text = " ".join(make_printable(word) for word in self.first_bytes.split())
        if text and text.isascii():
            return f'"{text}"'
        return self.first_bytes.hex(" ")

    def _take_sequence(self) -> int:
        sequence, self._sequence = self._sequence, (self._sequence + 1) & 0xFFFF
        return sequence

    def _parse(self, frame: Frame) -> Message | None:
        """Return a frame's message; count nonsense and what isn't known."""
        try:
            message = parse_message(frame)
        except FrameError:
            self._totals.bad_messages += 1
            return None
        if message is None:
            self._totals.unknown_frames += 1
            self.echoes += frame.kind in COMMANDS
            return None
        self.frames += 1
        if isinstance(message, Note):
            self._totals.notes += 1
            self.last_note = message.text
        return message

    def _match(self, pong: Pong, received_ns: int) -> Heard:
        """Return the pong with its ping's instant; one that nobody asked for stays as it is."""
        sent_ns = self._asked.pop(pong.token, None)
        if sent_ns is None:
            return pong
        self._totals.pongs += 1
        return PingTimes(sent_ns, received_ns, pong)

"""What we need of a broker: one connection, messages out and what became of them, or messages in."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol


@dataclass(frozen=True, slots=True)
class Message:
    """qos: 0 at most once, 1 at least once. is_retained: the broker keeps the newest for who comes later."""

    topic: str
    payload: bytes
    qos: int
    is_retained: bool


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which topics to listen to. takes_retained: also what the broker kept from before we came."""

    pattern: str
    qos: int
    takes_retained: bool


@dataclass(frozen=True, slots=True)
class Heard:
    """A message that came; is_retained: the broker had kept it, so it may be old."""

    topic: str
    payload: bytes
    is_retained: bool


@dataclass(frozen=True, slots=True)
class Delivered:
    """The broker took a message of QoS 1, or the line one of QoS 0."""

    number: int


@dataclass(frozen=True, slots=True)
class Refused:
    """The broker answered a message with an error; is_for_good: the same message would be refused again."""

    number: int
    text: str
    is_for_good: bool


@dataclass(frozen=True, slots=True)
class Lost:
    """The connection has ended; is_refused: because the broker doesn't want us."""

    text: str
    is_refused: bool = False


Event = Delivered | Refused | Lost


class Connection(Protocol):
    """A connection that stood when it was handed out; events come through the callback, from another thread."""

    def publish(self, message: Message) -> int:
        """Send and return the number its event will carry; OutputDown when the connection has ended."""
        ...

    def close(self) -> None:
        """Say goodbye, so that the will isn't published, and hang up; safe on a dead connection."""
        ...


Connect = Callable[[Message, Callable[[Event], None]], Connection]
"""Open a connection with a will and a callback; OutputDown when that fails."""

"""Cuts a stream of bytes into sentences: bounded, resynchronising, the checksum required."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import reduce
from operator import xor

LONGEST_CHARS = 128
"""Between '$' and the end of the line. The standard allows 82 with both (from memory); receivers that print
seven decimals of a minute reach about 105 in a GGA (measured on open logs), longer ones aren't read here."""

_BODY = re.compile(rb"[\x20-\x23\x25-\x7e]*")
_ENDS = b"\r\n$"
_CHECKED = re.compile(rb"(.*)\*([0-9A-Fa-f]{2})", re.DOTALL)


@dataclass(slots=True)
class SplitCounts:
    """Totals. good: checksum right. bad_checksums: wrong. broken: cut short, overlong or without a checksum."""

    good: int = 0
    bad_checksums: int = 0
    broken: int = 0


@dataclass(slots=True)
class Splitter:
    """Takes bytes as they come, however they are cut, and hands out what stood between '$' and '*'.

    Everything outside of '$...' up to the end of a line is passed over: binary messages, noise, half lines. A sentence
    ends with CR, LF or the '$' of the next one (a receiver that lost bytes glues them); any other byte that
    isn't printable breaks it off. It keeps at most LONGEST_CHARS + 1 bytes.

    Source: NMEA 0183 framing as described openly in the gpsd project's "NMEA Revealed" (checksum: exclusive or
    of all characters between '$' and '*', two hexadecimal digits); from memory.
    """

    counts: SplitCounts = field(default_factory=SplitCounts)
    _tail: bytes = b""
    _tail_ns: int = 0

    def push(self, data: bytes, mono_ns: int) -> list[tuple[bytes, int]]:
        """Return the sentences that these bytes complete, each with the arrival [ns] of its '$'."""
        tail_length = len(self._tail)
        tail_ns = self._tail_ns
        buffer = self._tail + data
        self._tail = b""
        found = []
        start = buffer.find(b"$")
        while start >= 0:
            end = _BODY.match(buffer, start + 1).end()  # type: ignore[union-attr]  # an empty match always exists
            if end - start - 1 <= LONGEST_CHARS and end == len(buffer):
                self._tail = buffer[start:]
                self._tail_ns = tail_ns if start < tail_length else mono_ns
                break
            body = self._check(buffer, start, end)
            if body is not None:
                found.append((body, tail_ns if start < tail_length else mono_ns))
            start = buffer.find(b"$", end)
        return found

    def clear(self) -> None:
        """Forget a sentence begun: the line was reopened."""
        if self._tail:
            self.counts.broken += 1
        self._tail = b""

    def _check(self, buffer: bytes, start: int, end: int) -> bytes | None:
        """Return the body between '$' and '*' of a whole sentence with the right checksum, else count why not."""
        # An overlong run may still grow, so where it ends must not matter: only that it is overlong.
        if end - start - 1 > LONGEST_CHARS or buffer[end] not in _ENDS:
            self.counts.broken += 1
            return None
        match = _CHECKED.fullmatch(buffer[start + 1 : end])
        if match is None:
            self.counts.broken += 1
            return None
        if reduce(xor, match[1], 0) != int(match[2], 16):
            self.counts.bad_checksums += 1
            return None
        self.counts.good += 1
        return match[1]

"""One segment file read front to back: good frames, and what lies between them.

Memory stays flat: a window of the file is held, never the whole.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from dutylog.errors import RecordingError
from dutylog.recording.codec import (
    HEADER_BYTES,
    HEADER_VERSION,
    MAGIC,
    MAX_PAYLOAD_BYTES,
    BrokenFrameError,
    Envelope,
    is_newer_version,
    parse_envelope,
    parse_frame_length,
)

SUFFIX = ".dlg"
TORN = "torn"
DAMAGED = "damaged"
LOST = "lost"
_WINDOW_BYTES = 256 * 1024


@dataclass(frozen=True, slots=True)
class Damage:
    """Bytes of a segment that hold no good frame, or frames that aren't there.

    kind: TORN (nothing good follows in the file: what a power cut leaves), DAMAGED (good frames
    follow), LOST (sequence numbers jump; length 0). reason: one line for people.
    """

    file: Path
    offset: int
    length: int
    kind: str
    reason: str


class _Window:
    """Random access to a file by bounded reads; the size is the one at opening."""

    def __init__(self, path: Path) -> None:
        try:
            self._fd = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        except OSError as err:
            raise RecordingError(f"{path}: can't be read: {err.strerror}") from err
        self._path = path
        self._name = str(path)
        self.size = os.fstat(self._fd).st_size
        self._start = 0
        self._held = b""

    def close(self) -> None:
        os.close(self._fd)

    def get(self, offset: int, length: int) -> bytes:
        """Return up to `length` bytes; fewer at the end of the file."""
        skip = self._hold(offset, length)
        return self._held[skip : skip + length]

    def _hold(self, offset: int, length: int) -> int:
        """Have so many bytes at hand, fewer at the end of the file; return where among those at hand they begin."""
        skip = offset - self._start
        if skip < 0 or skip + min(length, self.size - offset) > len(self._held):
            try:
                self._held = os.pread(self._fd, min(max(length, _WINDOW_BYTES), self.size - offset), offset)
            except OSError as err:
                raise RecordingError(f"{self._path}: offset {offset}: can't be read: {err.strerror}") from err
            self._start, skip = offset, 0
        return skip

    def envelope(self, offset: int) -> Envelope:
        """Return the frame at `offset`; errors as `parse_envelope`."""
        skip = self._hold(offset, HEADER_BYTES)
        skip = self._hold(offset, parse_frame_length(self._held, skip))
        return parse_envelope(self._held, skip, self._name, offset)

    def find_magic(self, offset: int) -> int | None:
        """Return where the next MAGIC stands at or after `offset`, or None."""
        while offset + len(MAGIC) <= self.size:
            chunk = self.get(offset, _WINDOW_BYTES)
            found = chunk.find(MAGIC)
            if found >= 0:
                return offset + found
            if len(chunk) < len(MAGIC):
                return None
            offset += len(chunk) - len(MAGIC) + 1
        return None

    def find_good(self, offset: int) -> int | None:
        """Return where the next good frame begins at or after `offset`, or None."""
        place = self.find_magic(offset)
        while place is not None:
            try:
                self.envelope(place)
            except BrokenFrameError:
                place = self.find_magic(place + 1)
            else:
                return place
        return None


def scan_segment(path: Path) -> Iterator[Envelope | Damage]:
    """Yield a segment's good frames in order, and a Damage for every stretch that holds none.

    Raises:
        RecordingError: the file can't be read, or is of a newer version (file, offset and remedy).
    """
    window = _Window(path)
    try:
        _refuse_newer(window, path)
        offset = 0
        while offset < window.size:
            try:
                envelope = window.envelope(offset)
            except BrokenFrameError as err:
                good = window.find_good(offset + 1)
                end, kind = (window.size, TORN) if good is None else (good, DAMAGED)
                yield Damage(path, offset, end - offset, kind, str(err))
                offset = end
            else:
                yield envelope
                offset = envelope.next_offset
    finally:
        window.close()


def _refuse_newer(window: _Window, path: Path) -> None:
    head = window.get(0, HEADER_BYTES)
    if len(head) < 5 or head[:4] != MAGIC or head[4] <= HEADER_VERSION:
        return
    if is_newer_version(window.get(0, HEADER_BYTES + MAX_PAYLOAD_BYTES)):
        raise RecordingError(f"{path}: offset 0: frame version {head[4]}, this program reads 1; use a newer dutylog")


def find_segments(folder: Path) -> list[Path]:
    """Return the segment files of a folder by number; other files are left alone."""
    try:
        names = sorted(entry.name for entry in os.scandir(folder) if _is_segment_name(entry.name))
    except OSError as err:
        raise RecordingError(f"{folder}: can't be listed: {err.strerror}") from err
    return [folder / name for name in names]


def segment_name(number: int) -> str:
    """Return the file name of a segment."""
    return f"{number:08d}{SUFFIX}"


def parse_segment_number(name: str) -> int:
    """Return the number in a segment's file name."""
    return int(name.removesuffix(SUFFIX))


def _is_segment_name(name: str) -> bool:
    stem = name.removesuffix(SUFFIX)
    return stem != name and len(stem) == 8 and stem.isascii() and stem.isdigit()

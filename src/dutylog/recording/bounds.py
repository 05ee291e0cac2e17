"""Which frames a raw log reaches from and to, and where a segment begins, told without reading all of it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dutylog.errors import RecordingError
from dutylog.recording.codec import HEADER_BYTES, BrokenFrameError, Envelope, decode_envelope, parse_envelope
from dutylog.recording.frame import FrameType
from dutylog.recording.scan import find_segments, scan_segment

_HEAD_BYTES = 64 * 1024
"""A head of four dampers takes 2 KB."""


@dataclass(frozen=True, slots=True)
class LogBounds:
    """Numbers of the first and the last good frame of a log."""

    first_sequence: int
    last_sequence: int


@dataclass(frozen=True, slots=True)
class SegmentStart:
    """What a segment's head says. t0_ns: latest instant before it on the epoch's clock, 0 where the epoch begins."""

    sequence: int
    epoch: int
    t0_ns: int
    source_kind: str
    created_utc_ns: int
    utc_trusted: bool


def read_log_bounds(folder: Path) -> LogBounds | None:
    """Return the bounds of the log in a folder, None where it holds no good frame.

    Raises:
        RecordingError: the folder or a file can't be read, or was written by a newer version.
    """
    if not folder.is_dir():
        return None
    files = find_segments(folder)
    first = next((number for file in files if (number := first_sequence(file)) is not None), None)
    if first is None:
        return None
    return LogBounds(first, next(number for file in reversed(files) if (number := _last_sequence(file)) is not None))


def first_sequence(file: Path) -> int | None:
    """Return the number of a segment's first good frame, None without one."""
    return next((piece.header.sequence for piece in scan_segment(file) if isinstance(piece, Envelope)), None)


def read_start(file: Path) -> SegmentStart | None:
    """Return what a segment's head says, None where it can't be read or is longer than any of ours.

    Raises:
        RecordingError: the file can't be read, or is of a newer version.
    """
    try:
        with file.open("rb") as stream:
            octets = stream.read(_HEAD_BYTES)
    except OSError as err:
        raise RecordingError(f"{file}: can't be read: {err.strerror}") from err
    try:
        frame = decode_envelope(parse_envelope(octets, 0, str(file), 0), {}) if len(octets) >= HEADER_BYTES else None
    except BrokenFrameError:
        return None
    if frame is None or frame.type is not FrameType.SEGMENT_HEAD or frame.data is None:
        return None
    data = frame.data
    source, created = data.get("source"), data.get("created_utc_ns")
    kind = str(source.get("kind")) if isinstance(source, dict) else ""
    is_trusted = data.get("utc_trusted") is True and isinstance(created, int)
    created_utc_ns = created if isinstance(created, int) else 0
    carried = data.get("carried")
    # The first head of an epoch still has the time of the one before, which may be another boot's.
    goes_on = isinstance(carried, dict) and bool(carried.get("streams"))
    return SegmentStart(frame.sequence, frame.epoch, frame.t0_ns if goes_on else 0, kind, created_utc_ns, is_trusted)


def _last_sequence(file: Path) -> int | None:
    numbers = [piece.header.sequence for piece in scan_segment(file) if isinstance(piece, Envelope)]
    return max(numbers, default=None)

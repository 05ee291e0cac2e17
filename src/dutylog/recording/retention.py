"""Which segments of a raw log may go, oldest first, and their going. What must stay is said by the caller."""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dutylog.errors import RecordingError
from dutylog.recording.bounds import SegmentStart, read_start
from dutylog.recording.logbook import SEGMENT_SPAN_NS
from dutylog.recording.scan import find_segments, parse_segment_number

MIN_FREE_BYTES = 200_000_000
"""Room the log leaves on the card beside any limit: a day of recording and a backup of an old ledger. Judgement."""
MIN_FREE_SHARE = 10
"""Of a disk so small that 200 MB are more than a tenth of it, a tenth is left free."""
MOST_AT_ONCE = 64
"""Segments that go in one step: ten hours of driving, a short entry, and no long wait for the card."""
MOST_LOOKED_AT = 256
AGE, SIZE, ROOM = "age", "size", "room"


@dataclass(frozen=True, slots=True)
class KeepRule:
    """How much raw log is kept: what is older, or over in size, goes. keep_ns [ns], keep_bytes."""

    keep_ns: int
    keep_bytes: int


@dataclass(frozen=True, slots=True)
class Needed:
    """What must stay. sequence: from this frame on all. open_trip: (epoch, start_ns) of the one that goes on."""

    sequence: int
    open_trip: tuple[int, int] | None


@dataclass(frozen=True, slots=True)
class Pruning:
    """Segments to go, a run of whole files from the log's begin on. kept: where the log begins afterwards."""

    files: tuple[Path, ...]
    byte_count: int
    reason: str
    first: SegmentStart
    kept: SegmentStart

    @property
    def segments(self) -> tuple[int, int]:
        """Return the numbers of the first and the last segment that go."""
        return parse_segment_number(self.files[0].name), parse_segment_number(self.files[-1].name)


@dataclass(frozen=True, slots=True)
class DiskRoom:
    """free_bytes: for us. total_bytes: of the disk."""

    free_bytes: int
    total_bytes: int

    @property
    def min_free_bytes(self) -> int:
        """Return how much is to be left free."""
        return min(MIN_FREE_BYTES, self.total_bytes // MIN_FREE_SHARE)


def read_room(folder: Path) -> DiskRoom:
    """Return what room the disk under a folder has."""
    stat = os.statvfs(folder)
    return DiskRoom(stat.f_bavail * stat.f_frsize, stat.f_blocks * stat.f_frsize)


def plan_pruning(
    folder: Path,
    rule: KeepRule,
    find_needed: Callable[[], Needed],
    *,
    room: DiskRoom,
    now_utc_ns: int | None,
    utc_of: Callable[[SegmentStart], int | None],
) -> Pruning | None:
    """Return what may and should go now, None where nothing does.

    Args:
        find_needed: asked only where something should go.
        now_utc_ns: None while wall time isn't trusted; then nothing goes for its age.
        utc_of: trusted wall time [ns] of a segment's begin, None where there is none.
    Raises:
        RecordingError: the folder can't be read, or a segment is of a newer version.
    """
    sizes = _read_sizes(folder)
    files = list(sizes)
    excess = sum(sizes.values()) - rule.keep_bytes
    missing = room.min_free_bytes - room.free_bytes
    old_count = 0 if now_utc_ns is None else _count_old(files, now_utc_ns - rule.keep_ns - SEGMENT_SPAN_NS, utc_of)
    if excess <= 0 and missing <= 0 and not old_count:
        return None
    needed = find_needed()
    starts = [read_start(file) for file in files[: MOST_AT_ONCE + 1]]
    gone, reason, last = 0, AGE, 0
    # The newest file is the one being written.
    for number in range(min(len(files) - 1, MOST_AT_ONCE)):
        if number < old_count:
            why = AGE
        elif gone < excess:
            why = SIZE
        elif gone < missing:
            why = ROOM
        else:
            break
        kept = next((start for start in starts[number + 1 :] if start is not None), None)
        if kept is None or not _may_go(kept, needed):
            break
        gone, reason, last = gone + sizes[files[number]], why, number + 1
    first = next((start for start in starts[:last] if start is not None), None)
    kept = next((start for start in starts[last:] if start is not None), None)
    if not last or kept is None:
        return None
    return Pruning(tuple(files[:last]), gone, reason, kept if first is None else first, kept)


def prune(pruning: Pruning) -> None:
    """Remove the files, oldest first, so that a cut at any moment leaves a log without a hole.

    Raises:
        RecordingError: a file can't be removed.
    """
    for file in pruning.files:
        try:
            file.unlink(missing_ok=True)
        except OSError as err:
            raise RecordingError(f"{file}: can't be removed: {err.strerror}; check the card and its mount") from err


def _may_go(kept: SegmentStart, needed: Needed) -> bool:
    """Tell whether all before a segment's begin may go."""
    if kept.sequence > needed.sequence:
        return False
    return needed.open_trip is None or (kept.epoch, kept.t0_ns) <= needed.open_trip


def _count_old(files: list[Path], before_utc_ns: int, utc_of: Callable[[SegmentStart], int | None]) -> int:
    """Return how many files from the first on began before an instant.

    One without trusted time is at least as old as any after it.
    """
    count = 0
    for number, file in enumerate(files[:MOST_LOOKED_AT]):
        start = read_start(file)
        utc_ns = None if start is None else utc_of(start)
        if utc_ns is None:
            continue
        if utc_ns >= before_utc_ns:
            break
        count = number + 1
    return count


def _read_sizes(folder: Path) -> dict[Path, int]:
    try:
        return {file: file.stat().st_size for file in find_segments(folder)}
    except OSError as err:
        raise RecordingError(f"{folder}: can't be listed: {err.strerror}") from err

"""Is a raw log whole? Every frame is decoded, so what passes here can be read by the engine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dutylog.recording.frame import FrameType
from dutylog.recording.reader import LogReader
from dutylog.recording.scan import TORN, Damage


@dataclass(frozen=True, slots=True)
class LogCheck:
    """What a full reading of a log found.

    row_count: samples rows of all streams. gap_row_count: rows the log itself says never came.
    """

    file_count: int
    frame_count: int
    row_count: int
    gap_row_count: int
    first_sequence: int
    last_sequence: int
    damage: tuple[Damage, ...]

    @property
    def torn(self) -> tuple[Damage, ...]:
        """Return torn tails: what a power cut leaves, nothing that was durable is in them."""
        return tuple(d for d in self.damage if d.kind == TORN)

    @property
    def damaged(self) -> tuple[Damage, ...]:
        """Return damaged stretches and lost frames."""
        return tuple(d for d in self.damage if d.kind != TORN)


def check_log(path: Path, on_frame: Callable[[int], None] | None = None) -> LogCheck:
    """Return what a full reading of a log folder or segment file finds.

    Args:
        path: folder or `.dlg` file.
        on_frame: called with the number of frames read so far, for progress.
    Raises:
        RecordingError: as LogReader.frames.
    """
    reader = LogReader(path)
    frames, rows, gap_rows, first, last = 0, 0, 0, 0, 0
    for frame in reader.frames():
        frames += 1
        first, last = first or frame.sequence, frame.sequence
        if frame.type == FrameType.SAMPLES:
            rows += frame.n
        elif frame.type == FrameType.GAP:
            gap_rows += frame.n
        if on_frame is not None:
            on_frame(frames)
    return LogCheck(len(reader.files), frames, rows, gap_rows, first, last, tuple(reader.damage))

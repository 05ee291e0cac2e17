"""One recording from the first row to the last: a file of rows, or a raw log."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.domain.vehicle import Vehicle
from dutylog.engine.report import Integration
from dutylog.errors import RecordingError
from dutylog.recording.frame import Frame
from dutylog.recording.logbook import Logbook
from dutylog.recording.reader import LogReader

Progress = Callable[[float], None]
"""Called now and then with the share done, 0..1."""


def integrate(
    path: Path, vehicle: Vehicle, *, block_rows: int | None = 10_000, progress: Progress | None = None
) -> Integration:
    """Return what a recording holds for the dampers of a vehicle.

    Args:
        path: a Parquet or CSV recording, a folder of a raw log, or one of its segments.
        vehicle: curves and geometry; of a raw log's calibrations the vehicle's own count where it
            has any.
        block_rows: rows handed on at once; changes nothing in the result.
        progress: told the share done; None where nobody looks.
    Raises:
        RecordingError: unreadable or empty, one line with file, place, value seen and remedy.
    """
    frames = _frames_of_log(path, progress) if _is_log(path) else _frames_of_file(path, vehicle, block_rows, progress)
    work = Integration(vehicle)
    for frame in frames:
        work.feed(frame)
    work.finish()
    reason = work.why_nothing()
    if reason is not None:
        raise RecordingError(f"{path}: nothing to integrate: {reason}")
    return work


def travel_positions(vehicle: Vehicle) -> list[str]:
    """Return the positions that have a travel column of their own."""
    return [d.position for d in vehicle.dampers if d.travel_from is None]


def _is_log(path: Path) -> bool:
    return path.is_dir() or path.suffix == ".dlg"


def _frames_of_file(path: Path, vehicle: Vehicle, block_rows: int | None, progress: Progress | None) -> Iterator[Frame]:
    source = RecordingFileSource(
        path,
        travel_positions(vehicle),
        block_rows=block_rows,
        body_positions=[d.position for d in vehicle.dampers],
    )
    book = Logbook(vehicle, "recording", ManualClock())
    try:
        yield from book.start_epoch(source.streams, source.kind, source.text, 1)
        source.start(1, {})
        while (batch := source.read_batch()) is not None:
            yield from book.append(batch)
            if progress is not None:
                progress(source.progress.rows_done / max(1, source.progress.rows_total))
    finally:
        source.close()


def _frames_of_log(path: Path, progress: Progress | None) -> Iterator[Frame]:
    reader = LogReader(path)
    # Counting the rows reads the log twice, so only where somebody looks.
    total = 0 if progress is None else max(1, sum(segment.row_count for segment in reader.segments()))
    done = 0
    for frame in reader.frames():
        yield frame
        done += frame.n
        if progress is not None:
            progress(min(1.0, done / total))

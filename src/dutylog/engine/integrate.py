"""One recording from the first row to the last: a file of rows, or a raw log."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.config.columns import ColumnSource
from dutylog.domain.vehicle import Vehicle
from dutylog.engine.report import Integration, OnHeat
from dutylog.engine.signals import SignalExport
from dutylog.errors import RecordingError
from dutylog.recording.ahead import read_frames
from dutylog.recording.frame import Frame
from dutylog.recording.logbook import Logbook
from dutylog.recording.reader import LogReader
from dutylog.units import FS_PER_NS

Progress = Callable[[float], None]
"""Called now and then with the share done, 0..1."""


def integrate(
    path: Path,
    vehicle: Vehicle,
    *,
    columns: Sequence[ColumnSource] = (),
    block_rows: int | None = 10_000,
    progress: Progress | None = None,
    export: SignalExport | None = None,
    on_heat: OnHeat | None = None,
) -> Integration:
    """Return what a recording holds for the dampers of a vehicle.

    Args:
        path: a Parquet, CSV or MDF4 recording, a folder of a raw log, or one of its segments.
        vehicle: curves and geometry; of a raw log's calibrations the vehicle's own count where it
            has any.
        block_rows: rows handed on at once; changes nothing in the result.
        columns: where a file of rows has our columns under other names or in other units.
        progress: told the share done; None where nobody looks.
        export: takes the signals and events on the way; its files are the caller's to end.
        on_heat: called with what tiles say about heat.
    Raises:
        RecordingError: unreadable or empty, one line with file, place, value seen and remedy.
    """
    notes: list[str] = []
    if _is_log(path):
        frames = _frames_of_log(path, progress)
    else:
        frames = _frames_of_file(path, vehicle, columns, block_rows, progress, notes)
    work = Integration(vehicle, export=export, on_heat=on_heat)
    for frame in frames:
        work.feed(frame)
    work.finish()
    work.notes = notes
    reason = work.why_nothing()
    if reason is not None:
        raise RecordingError(f"{path}: nothing to integrate: {reason}")
    return work


def travel_positions(vehicle: Vehicle) -> list[str]:
    """Return the positions that have a travel column of their own."""
    return [d.position for d in vehicle.dampers if d.travel_from is None]


def _is_log(path: Path) -> bool:
    return path.is_dir() or path.suffix == ".dlg"


def _frames_of_file(
    path: Path,
    vehicle: Vehicle,
    columns: Sequence[ColumnSource],
    block_rows: int | None,
    progress: Progress | None,
    notes: list[str],
) -> Iterator[Frame]:
    """Yield a file's frames; at the end `notes` holds what was odd about it."""
    source = RecordingFileSource(
        path,
        travel_positions(vehicle),
        block_rows=block_rows,
        body_positions=[d.position for d in vehicle.dampers],
        sources=columns,
    )
    book = Logbook(vehicle, "recording", ManualClock())
    try:
        yield from book.start_epoch(source.streams, source.kind, source.text, 1)
        source.start(1, {})
        while (batch := source.read_batch()) is not None:
            yield from book.append(batch)
            if progress is not None:
                progress(source.progress.rows_done / max(1, source.progress.rows_total))
        notes += source.notes
        if source.grid.is_coarse and source.grid.period_fs % (source.grid.resolution_ns * FS_PER_NS):
            notes.append(
                f"t_s comes in steps of {source.grid.resolution_ns * 1e-6:g} ms; "
                f"the even grid under it has {source.grid.rate_hz:.6g} Hz"
            )
    finally:
        source.close()


def _frames_of_log(path: Path, progress: Progress | None) -> Iterator[Frame]:
    # Counting the rows reads the log twice, so only where somebody looks.
    total = 0 if progress is None else max(1, sum(segment.row_count for segment in LogReader(path).segments()))
    done = 0
    for frame in read_frames(path):
        yield frame
        done += frame.n
        if progress is not None:
            progress(min(1.0, done / total))

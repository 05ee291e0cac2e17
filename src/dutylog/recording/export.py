"""A raw log as one wide table, Parquet or CSV, that can be imported again."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import DutylogError, InputError, RecordingError
from dutylog.recording.frame import FrameType
from dutylog.recording.reader import LogReader
from dutylog.recording.scan import Damage
from dutylog.recording.wide import WideTable
from dutylog.units import NS_PER_S

PARQUET = "parquet"
CSV = "csv"
FORMATS = (PARQUET, CSV)
STRETCH_NS = 60 * NS_PER_S
"""How much is put into one row group: a minute of four dampers at 1 kHz is about 4 MB in memory."""


@dataclass(frozen=True, slots=True)
class ExportResult:
    """What an export wrote. left_out_count: samples that found no cell. damage: of the log read."""

    file: Path
    epoch: int
    row_count: int
    column_names: tuple[str, ...]
    left_out_count: int
    damage: tuple[Damage, ...]


class _Out(Protocol):
    def write(self, table: dict[str, NDArray[Any]]) -> None: ...

    def close(self) -> None: ...


class _ParquetOut:
    def __init__(self, path: Path) -> None:
        self._path = path
        self._writer: Any = None

    def write(self, table: dict[str, NDArray[Any]]) -> None:
        import pyarrow as pa
        import pyarrow.parquet as pq

        rows = pa.table(table)
        if self._writer is None:
            self._writer = pq.ParquetWriter(self._path, rows.schema, compression="zstd")
        self._writer.write_table(rows)

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close()


class _CsvOut:
    def __init__(self, path: Path) -> None:
        self._file = path.open("wb")
        self._writer: Any = None

    def write(self, table: dict[str, NDArray[Any]]) -> None:
        import pyarrow as pa
        from pyarrow import csv

        rows = pa.table({name: pa.array(cells, from_pandas=True) for name, cells in table.items()})
        if self._writer is None:
            self._file.write((",".join(table) + "\n").encode())
            options = csv.WriteOptions(include_header=False)  # pyarrow's own would stand in quotes
            self._writer = csv.CSVWriter(self._file, rows.schema, write_options=options)
        self._writer.write_table(rows)

    def close(self) -> None:
        if self._writer is not None:
            self._writer.close()
        self._file.close()


def export_log(
    path: Path,
    out: Path,
    file_format: str = PARQUET,
    epoch: int | None = None,
    on_time: Callable[[int], None] | None = None,
) -> ExportResult:
    """Write one epoch of a log as a table.

    Its columns: t_s, <position>_travel_mm, <position>_body_c, <position>_pressure_bar, ambient_c, speed_mps.

    Args:
        path: log folder or `.dlg` file.
        out: file to make; never overwritten, appears only when it is whole.
        file_format: PARQUET (NaN between samples) or CSV (empty cells).
        epoch: which run of a source; None when the log holds just one with samples.
        on_time: called with how much of the recording is read [ns], for progress.
    Raises:
        RecordingError: the log is unreadable, has no samples or several epochs, or lacks a calibration.
        DutylogError: `out` exists or can't be written, or pyarrow is missing.
    """
    if file_format not in FORMATS:
        raise InputError(f"format {file_format!r}, expected one of {FORMATS}")
    _need_pyarrow()
    reader = LogReader(path)
    chosen, streams = _choose_epoch(reader, epoch)
    table = WideTable(streams)
    rows = 0
    with _new_file(out) as part:
        writer: _Out = _ParquetOut(part) if file_format == PARQUET else _CsvOut(part)
        try:
            for stretch in _stretches(reader, table, chosen, on_time):
                writer.write(stretch)
                rows += len(stretch["t_s"])
        finally:
            writer.close()
        if not rows:
            raise RecordingError(f"{path}: epoch {chosen} holds no samples; nothing to export")
    names = ("t_s", *(c.name for c in table.columns))
    return ExportResult(out, chosen, rows, names, table.left_out_count, tuple(reader.damage))


def _stretches(
    reader: LogReader, table: WideTable, epoch: int, on_time: Callable[[int], None] | None
) -> Iterator[dict[str, NDArray[Any]]]:
    """Yield the table of an epoch in stretches of about a minute."""
    vehicle: Vehicle | None = None
    start_ns: int | None = None
    for frame in reader.frames():
        if frame.type == FrameType.CONFIG and frame.data is not None:
            vehicle = _vehicle(frame.data, frame.sequence)
        if frame.block is None or frame.epoch != epoch:
            continue
        table.add(frame.block, vehicle)
        start_ns = frame.t0_ns if start_ns is None else start_ns
        if on_time is not None:
            on_time(frame.t0_ns - start_ns)
        if table.ready_span_ns >= STRETCH_NS:
            yield table.take()
    rest = table.take(everything=True)
    if len(rest["t_s"]):
        yield rest


def _vehicle(data: dict[str, Any], sequence: int) -> Vehicle:
    try:
        return Vehicle.from_dict(data)
    except InputError as err:
        raise RecordingError(f"config frame {sequence}: {err}") from err


def _choose_epoch(reader: LogReader, epoch: int | None) -> tuple[int, tuple[Any, ...]]:
    """Return (epoch, its streams); RecordingError where the choice isn't clear."""
    streams = {info.epoch: info.streams for info in reader.segments() if info.row_count and info.streams}
    listed = ", ".join(str(e) for e in sorted(streams))
    if not streams:
        raise RecordingError(f"{reader.path}: no samples in it; nothing to export")
    if epoch is None:
        if len(streams) > 1:
            raise RecordingError(f"{reader.path}: holds the epochs {listed}; choose one with --epoch")
        epoch = next(iter(streams))
    if epoch not in streams:
        raise RecordingError(f"{reader.path}: no samples of epoch {epoch} in it, it holds {listed}")
    return epoch, streams[epoch]


@contextmanager
def _new_file(out: Path) -> Iterator[Path]:
    """Give a temporary name beside `out` and rename it in the end; leave nothing behind on failure."""
    if out.exists():
        raise DutylogError(f"{out}: exists already and isn't overwritten; name another file or remove it")
    part = out.with_name(f".{out.name}.{os.getpid()}.part")
    try:
        yield part
        with part.open("rb") as stream:
            os.fsync(stream.fileno())
        part.rename(out)
    except OSError as err:
        raise DutylogError(f"{out}: can't be written: {err.strerror or err}") from err
    finally:
        with suppress(OSError):
            part.unlink()


def _need_pyarrow() -> None:
    try:
        import pyarrow  # noqa: F401
    except ImportError as err:
        raise DutylogError("export needs the package pyarrow: pip install 'dutylog[files]'") from err

"""Open a recording file by its content: Parquet, CSV or MDF4, read in chunks, never as a whole."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Protocol

from numpy.typing import NDArray

from dutylog.config.columns import ColumnSource
from dutylog.errors import RecordingError

_SNIFF_BYTES = 65536

_FOREIGN = (
    # Signatures: RFC 1952 section 2.3.1, APPNOTE.TXT section 4.3.7, RFC 8878 section 3.1.1,
    # Apache Arrow columnar format (IPC file), HDF5 file format version 3 section II.A,
    # ASAM MDF 4.1 section 5.3 (ID block); shared/RECORDING.md; BOM of UTF-16 from The Unicode Standard section 23.8.
    (b"\x1f\x8b", "is compressed with gzip; unpack it first"),
    (b"\x28\xb5\x2f\xfd", "is compressed with zstd; unpack it first"),
    (b"PK\x03\x04", "is a zip archive or a spreadsheet; export the sheet as CSV, or unpack it first"),
    (b"ARROW1", "is an Arrow IPC file; write the table as Parquet"),
    (b"\x89HDF", "is an HDF5 file; write the table as Parquet"),
    (b"UnFinMF ", "is an MDF file that was never completed; let the program that recorded it complete it"),
    (b"DUTY", "is one segment of a raw log; give the folder that holds it instead"),
    (b"\xff\xfe", "is text in UTF-16; save it as CSV in UTF-8"),
    (b"\xfe\xff", "is text in UTF-16; save it as CSV in UTF-8"),
)


class Table(Protocol):
    """Columns of numbers in a file, read forward in chunks.

    format: 'Parquet', 'CSV' or 'MDF4'. columns: all names, in file order. rows_total: rows of data (of a
    CSV an estimate: blank lines count). scans_cheaply: one column can be read without the others.
    notes: what was odd about the file, for people.
    """

    path: Path
    format: str
    columns: tuple[str, ...]
    rows_total: int
    scans_cheaply: bool
    notes: list[str]

    def problem_of(self, column: str) -> str | None:
        """Return why a column can't be read as numbers, or None."""
        ...

    def is_single(self, column: str) -> bool:
        """Return True when the column holds 32-bit floats."""
        ...

    def read(self, columns: Sequence[str]) -> Iterator[dict[str, NDArray[Any]]]:
        """Yield chunks of the named columns, float32 or float64, NaN where a cell is empty."""
        ...

    def place_of(self, row: int) -> str:
        """Return where a data row (counted from 0) stands, in words a person can look up."""
        ...


def open_table(path: Path, sources: Sequence[ColumnSource] = ()) -> Table:
    """Open a recording file, its format found by content.

    Args:
        path: the file; its name and ending don't matter.
        sources: where it has our columns under other names or in other units.
    Returns:
        Table under our names and in our units, header read and checked, no data read yet.
    Raises:
        RecordingError: no such file, a folder, empty, truncated, of another format, or without a
            column that `sources` names.
    """
    table = _open_by_content(path, sources)
    if not sources:
        return table
    from dutylog.acquire.mapped_table import MappedTable

    return MappedTable(table, sources)


def _open_by_content(path: Path, sources: Sequence[ColumnSource]) -> Table:
    head = _read_head(path)
    if head.startswith(b"MDF     "):
        from dutylog.acquire.mdf_table import MdfTable

        return MdfTable(path, head, sources)
    if head.startswith(b"PAR1"):
        from dutylog.acquire.parquet_table import ParquetTable

        return ParquetTable(path)
    for signature, text in _FOREIGN:
        if head.startswith(signature):
            raise RecordingError(f"{path}: {text}")
    if b"\x00" in head or not _is_text(head):
        raise RecordingError(
            f"{path}: neither Parquet nor CSV nor MDF4 (begins with bytes {head[:8].hex(' ')}); "
            "give a recording with a column t_s and columns <position>_travel_mm"
        )
    from dutylog.acquire.csv_table import CsvTable

    return CsvTable(path)


def _read_head(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise RecordingError(f"{path}: is a folder; give a Parquet, CSV or MDF4 file")
        if path.exists() and not path.is_file():
            raise RecordingError(f"{path}: is a device or pipe; give a Parquet, CSV or MDF4 file")
        with path.open("rb") as file:
            head = file.read(_SNIFF_BYTES)
    except (OSError, ValueError) as err:  # ValueError: a NUL inside the name
        reason = getattr(err, "strerror", None) or str(err)
        raise RecordingError(f"{path}: can't be opened ({reason}); check the name and the rights") from err
    if not head:
        raise RecordingError(f"{path}: holds 0 bytes; record or copy it again")
    return head


def _is_text(head: bytes) -> bool:
    """Return True for UTF-8, a character cut by the end of the sample allowed."""
    try:
        head.decode("utf-8")
    except UnicodeDecodeError as err:
        return len(head) == _SNIFF_BYTES and err.start >= len(head) - 3
    return True

"""A recording in CSV: comma between columns, point in decimals, a header, an empty cell is no value."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.parquet_table import need_pyarrow
from dutylog.errors import RecordingError

_BLOCK_BYTES = 1 << 20
_HEADER_BYTES = 1 << 20
_TAIL_BYTES = 65536
_NO_VALUE = ["", " ", "  ", "NaN", "nan", "NAN", "-nan", "NA", "N/A", "null", "NULL", "None"]
_CONVERSION = re.compile(r"CSV column #(\d+): (?:Row #(\d+): )?.*invalid value '(.*)'", re.DOTALL)
_WIDTH = re.compile(r"Row #(\d+): Expected (\d+) columns, got (\d+)")


class CsvTable:
    """Columns of a CSV file; every column read is taken as 64-bit float."""

    format = "CSV"
    scans_cheaply = False

    def __init__(self, path: Path) -> None:
        """Read the header; RecordingError when it isn't comma-separated text."""
        self.path = path
        self.notes: list[str] = []
        self._pa = need_pyarrow(path, "pyarrow")
        self._csv = need_pyarrow(path, "pyarrow.csv")
        self.columns = _read_header(path)
        self.rows_total, self._torn = _count_rows(path, len(self.columns))
        if self._torn is not None:
            self.notes.append(f"last line is cut short ({self._torn[:40]!r}) and was left out")

    def problem_of(self, column: str) -> str | None:  # noqa: ARG002
        """Return None: text cells show only when they are read."""
        return None

    def is_single(self, column: str) -> bool:  # noqa: ARG002
        """Return False: decimal text is read as 64-bit."""
        return False

    def place_of(self, row: int) -> str:
        """Return a data row in words, counted from 1, and its line with the header as line 1."""
        return f"row {row + 1} (line {row + 2})"

    def read(self, columns: Sequence[str]) -> Iterator[dict[str, NDArray[Any]]]:
        """Yield chunks of the named columns; RecordingError at a cell that is no number."""
        if self.rows_total == 0:
            # pyarrow starts a thread for it all the same, and may abort the process if that ends first.
            return
        reader = None
        try:
            reader = self._csv.open_csv(
                str(self.path),
                read_options=self._csv.ReadOptions(
                    column_names=list(self.columns), skip_rows=1, use_threads=False, block_size=_BLOCK_BYTES
                ),
                parse_options=self._csv.ParseOptions(invalid_row_handler=self._handle_odd_row),
                convert_options=self._csv.ConvertOptions(
                    column_types={name: self._pa.float64() for name in columns},
                    include_columns=list(columns),
                    null_values=_NO_VALUE,
                ),
            )
            for batch in reader:
                if batch.num_rows:
                    yield {
                        name: np.asarray(batch.column(name).to_numpy(zero_copy_only=False), dtype=np.float64)
                        for name in columns
                    }
        except (self._pa.ArrowException, ValueError, OSError, KeyError, MemoryError) as err:
            raise RecordingError(f"{self.path}: {self._explain(str(err))}") from err
        finally:
            if reader is not None:
                reader.close()

    def _handle_odd_row(self, row: Any) -> str:
        return "skip" if self._torn is not None and row.text.strip() == self._torn else "error"

    def _explain(self, text: str) -> str:
        """Return what pyarrow's message means for the person who wrote the file."""
        if found := _CONVERSION.search(text):
            column = self.columns[int(found[1])]
            # pyarrow counts lines, the header included.
            place = self.place_of(int(found[2]) - 2) if found[2] else "a row"
            value = re.sub(r"\s+", " ", found[3])[:40]
            if "," in value:
                return f"{place}, column {column}: {value!r}; decimals need a point, not a comma"
            return f"{place}, column {column}: {value!r} is no number; correct it or leave the cell empty"
        if found := _WIDTH.search(text):
            place = self.place_of(int(found[1]) - 2)
            return f"{place} has {found[3]} cells, the header {found[2]}; is a line cut or a decimal comma there?"
        return f"unreadable as CSV ({re.sub(chr(10), ' ', text)[:120]}); export it again"


def _read_header(path: Path) -> tuple[str, ...]:
    with path.open("rb") as file:
        line = file.readline(_HEADER_BYTES)
    if line.count(b"\r") > 1:
        raise RecordingError(f"{path}: lines end in a bare carriage return; save it with line feeds")
    text = line.decode("utf-8-sig", errors="replace").strip("\r\n")
    for mark, name in ((";", "semicolons"), ("\t", "tabs")):
        if text.count(mark) > text.count(","):
            raise RecordingError(
                f"{path}: columns are separated by {name}; "
                "export it with commas between columns and a point in decimals"
            )
    try:
        rows = list(csv.reader([text]))
    except csv.Error as err:
        raise RecordingError(f"{path}: the first line is no CSV header ({err})") from err
    return tuple(name.strip() for name in rows[0]) if rows else ()


def _count_rows(path: Path, columns_count: int) -> tuple[int, str | None]:
    """Return lines below the header, and the last line when it is cut short."""
    lines, last = 0, b""
    with path.open("rb") as file:
        while piece := file.read(_HEADER_BYTES):
            lines += piece.count(b"\n")
            last = (last + piece)[-_TAIL_BYTES:]
    if last.endswith(b"\n"):
        return max(0, lines - 1), None
    tail = last.rpartition(b"\n")[2].decode("utf-8", errors="replace").strip()
    is_torn = lines > 0 and tail != "" and tail.count(",") + 1 < columns_count
    return lines - (1 if is_torn else 0), tail if is_torn else None

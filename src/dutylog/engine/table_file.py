"""A table written row group by row group, Parquet or CSV, that appears only when it is whole."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from dutylog.errors import DutylogError

PARQUET_END = ".parquet"
CSV_END = ".csv"


class TableFile:
    """Columns in a fixed order; NaN and None become empty cells in CSV, None null in Parquet.

    row_count: rows written so far.
    """

    def __init__(self, path: Path, columns: Mapping[str, str]) -> None:
        """Begin a file.

        Args:
            path: ends in .parquet or .csv; must not exist.
            columns: type of each: 'float64', 'int8', 'int32' or 'string', as pyarrow names them.
        Raises:
            DutylogError: another ending, the file exists, its folder can't be written, no pyarrow.
        """
        self.path = path
        self.row_count = 0
        check_new(path)
        try:
            import pyarrow as pa
        except ImportError as err:
            raise DutylogError(f"{path}: writing it needs pyarrow: pip install 'dutylog[files]'") from err
        self._schema: Any = pa.schema([(name, pa.type_for_alias(kind)) for name, kind in columns.items()])
        self._part = path.with_name(f".{path.name}.{os.getpid()}.part")
        try:
            self._file: Any = self._part.open("wb")
        except OSError as err:
            raise self._refusal(err) from err
        self._writer: Any = self._begin_parquet() if path.suffix.lower() == PARQUET_END else self._begin_csv()

    def write(self, columns: Mapping[str, Sequence[Any] | Any]) -> None:
        """Add rows; columns by name, all of one length."""
        import pyarrow as pa

        is_csv = self.path.suffix.lower() == CSV_END
        arrays = [pa.array(columns[field.name], field.type, from_pandas=is_csv) for field in self._schema]
        rows = pa.Table.from_arrays(arrays, schema=self._schema)
        try:
            self._writer.write_table(rows)
        except OSError as err:
            raise self._refusal(err) from err
        self.row_count += rows.num_rows

    def finish(self) -> None:
        """Close the file and give it its name."""
        try:
            self._writer.close()
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            check_new(self.path)
            self._part.rename(self.path)
        except OSError as err:
            raise self._refusal(err) from err

    def discard(self) -> None:
        """Leave nothing behind; safe after `finish`."""
        with suppress(OSError, ValueError):  # ValueError: pyarrow's, of a file that is closed already
            self._writer.close()
        with suppress(OSError):
            self._file.close()
        self._part.unlink(missing_ok=True)

    def _begin_parquet(self) -> Any:
        import pyarrow.parquet as pq

        # A dictionary of measured values is hardly smaller than they are: without it a quarter is saved.
        few = [field.name for field in self._schema if str(field.type) != "double"]
        return pq.ParquetWriter(self._file, self._schema, compression="zstd", use_dictionary=few)

    def _begin_csv(self) -> Any:
        from pyarrow import csv

        # pyarrow's own header and texts would stand in quotes; names of ours never need them.
        self._file.write((",".join(self._schema.names) + "\n").encode())
        return csv.CSVWriter(
            self._file, self._schema, write_options=csv.WriteOptions(include_header=False, quoting_style="none")
        )

    def _refusal(self, err: OSError) -> DutylogError:
        return DutylogError(f"{self.path}: can't be written: {err.strerror or err}")


def check_new(path: Path) -> None:
    """Raise DutylogError unless a path ends in .parquet or .csv and nothing is there yet."""
    if path.suffix.lower() not in (PARQUET_END, CSV_END):
        raise DutylogError(f"{path}: ends in {path.suffix or 'nothing'!r}; name it {PARQUET_END} or {CSV_END}")
    if path.exists():
        raise DutylogError(f"{path}: exists already and isn't overwritten; name another file or remove it")

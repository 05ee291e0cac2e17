"""A recording in Parquet; pyarrow is imported here and in `csv_table.py` only, when a file is opened."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import RecordingError

CHUNK_ROWS = 65536
_BUFFER_BYTES = 1 << 20
"""Column chunks are streamed through a buffer of this size: a row group of an hour is never held whole."""


def need_pyarrow(path: Path, name: str) -> Any:
    """Import a module of pyarrow, or say how to get it."""
    import importlib

    try:
        return importlib.import_module(name)
    except ImportError as err:
        raise RecordingError(
            f"{path}: reading it needs pyarrow, which isn't there; pip install 'dutylog[files]'"
        ) from err


class ParquetTable:
    """Columns of a Parquet file."""

    format = "Parquet"
    scans_cheaply = True

    def __init__(self, path: Path) -> None:
        """Read the footer; RecordingError when it is missing or garbled."""
        self.path = path
        self.notes: list[str] = []
        self._pa = need_pyarrow(path, "pyarrow")
        self._parquet = need_pyarrow(path, "pyarrow.parquet")
        with path.open("rb") as file:
            size = file.seek(0, 2)
            file.seek(max(0, size - 4))
            if size < 12 or file.read() != b"PAR1":
                raise RecordingError(
                    f"{path}: Parquet file without its end ({size} bytes), so it was cut short; copy it again"
                )
        file_of = self._open()
        try:
            self.rows_total = int(file_of.metadata.num_rows)
            self._types = {f.name: f.type for f in file_of.schema_arrow}
            self.columns = tuple(f.name for f in file_of.schema_arrow)
        except (self._pa.ArrowException, ValueError, OSError, KeyError, TypeError) as err:
            raise self._damaged("its footer", err) from err
        finally:
            file_of.close()

    def _open(self) -> Any:
        try:
            return self._parquet.ParquetFile(self.path, buffer_size=_BUFFER_BYTES, pre_buffer=False)
        except (self._pa.ArrowException, ValueError, OSError, KeyError, TypeError, MemoryError) as err:
            raise self._damaged("its footer", err) from err

    def _damaged(self, place: str, err: BaseException) -> RecordingError:
        text = re.sub(r"\s+", " ", str(err))[:120]
        return RecordingError(f"{self.path}: Parquet file damaged at {place} ({text}); copy or record it again")

    def problem_of(self, column: str) -> str | None:
        """Return why a column can't be read as numbers, or None."""
        kind, types = self._types[column], self._pa.types
        if types.is_integer(kind) or types.is_floating(kind) or types.is_decimal(kind) or types.is_null(kind):
            return None
        return f"holds {kind}, expected numbers"

    def is_single(self, column: str) -> bool:
        """Return True when the column holds 32-bit floats."""
        return bool(self._pa.types.is_float32(self._types[column]))

    def place_of(self, row: int) -> str:
        """Return a data row in words, counted from 1."""
        return f"row {row + 1}"

    def read(self, columns: Sequence[str]) -> Iterator[dict[str, NDArray[Any]]]:
        """Yield chunks of the named columns; RecordingError where a page is damaged."""
        file = self._open()
        done = 0
        try:
            for batch in file.iter_batches(batch_size=CHUNK_ROWS, columns=list(columns), use_threads=False):
                yield {name: self._numbers(batch.column(name)) for name in columns}
                done += batch.num_rows
        except (self._pa.ArrowException, ValueError, OSError, KeyError, TypeError, MemoryError) as err:
            raise self._damaged(f"or after {self.place_of(done)}", err) from err
        finally:
            file.close()
        if done != self.rows_total:
            raise RecordingError(f"{self.path}: holds {done} rows, its footer says {self.rows_total}; copy it again")

    def _numbers(self, column: Any) -> NDArray[Any]:
        if self._pa.types.is_float32(column.type):
            return np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float32)
        return np.asarray(column.cast(self._pa.float64(), safe=False).to_numpy(zero_copy_only=False), dtype=np.float64)

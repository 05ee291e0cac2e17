"""A recording under our column names and in our units: renamed and converted here, once, and nowhere else."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.columns import list_names, tell_nearest
from dutylog.acquire.table import Table
from dutylog.config.columns import ColumnSource
from dutylog.errors import RecordingError


class MappedTable:
    """Another table seen through [import.columns]; columns that aren't named there stay as they are."""

    def __init__(self, table: Table, sources: Sequence[ColumnSource]) -> None:
        """Find every named column; RecordingError when one isn't there."""
        self._table = table
        self._sources = {source.target: source for source in sources}
        self.path: Path = table.path
        self.format = table.format
        self.rows_total = table.rows_total
        self.scans_cheaply = table.scans_cheaply
        self.notes = table.notes
        for source in sources:
            self._check(source)
        targets = {source.column: source.target for source in sources}
        hidden = [name for name in table.columns if name in self._sources and name not in targets]
        for name in hidden:
            self.notes.append(f"column {name} of the file isn't used, {name} is read from {self._source_of(name)}")
        self.columns = tuple(targets.get(name, name) for name in table.columns if name not in hidden)

    def _check(self, source: ColumnSource) -> None:
        count = self._table.columns.count(source.column)
        what = f'column "{source.column[:60]}" for {source.target} ([import.columns])'
        if count > 1:
            raise RecordingError(f"{self.path}: {what} is there {count} times; rename the others")
        if not count:
            near = tell_nearest(source.column, self._table.columns)
            names = list_names(self._table.columns)
            raise RecordingError(f"{self.path}: no {what}; {near}its columns are {names}")

    def _source_of(self, column: str) -> str:
        source = self._sources.get(column)
        return column if source is None else source.column

    def problem_of(self, column: str) -> str | None:
        """Return why a column can't be read as numbers, or None."""
        own = self._source_of(column)
        problem = self._table.problem_of(own)
        return problem if problem is None or own == column else f'("{own[:60]}" in the file) {problem}'

    def is_single(self, column: str) -> bool:
        """Return True for 32-bit floats taken as they stand; what is converted needs 64."""
        source = self._sources.get(column)
        return (source is None or source.is_plain) and self._table.is_single(self._source_of(column))

    def place_of(self, row: int) -> str:
        """Return where a data row stands, as the file counts."""
        return self._table.place_of(row)

    def read(self, columns: Sequence[str]) -> Iterator[dict[str, NDArray[Any]]]:
        """Yield chunks of the named columns under our names, in our units."""
        chunks = self._table.read([self._source_of(column) for column in columns])
        for chunk in chunks:
            yield {column: self._convert(column, chunk[self._source_of(column)]) for column in columns}

    def _convert(self, column: str, values: NDArray[Any]) -> NDArray[Any]:
        source = self._sources.get(column)
        if source is None or source.is_plain:
            return values
        converted: NDArray[Any] = source.convert(values.astype(np.float64))
        return converted

"""Make small recording files, and play them to the end."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.recording.block import Block
from dutylog.recording.source import SourceEvent

CASES = Path(__file__).parent.parent / "data" / "cases"
CORNERS = ("front_left", "front_right", "rear_left", "rear_right")


def write_parquet(path: Path, columns: Mapping[str, Any], row_group_size: int | None = None) -> Path:
    """Write columns as Parquet; arrays keep their type, lists become what pyarrow takes them for."""
    pq.write_table(pa.table(dict(columns)), path, row_group_size=row_group_size)
    return path


def write_csv(path: Path, columns: Mapping[str, Any]) -> Path:
    """Write columns as CSV, NaN as an empty cell, numbers so that they read back to the bit."""
    lists = [np.asarray(values).tolist() for values in columns.values()]
    lines = [",".join("" if value != value else repr(value) for value in row) for row in zip(*lists, strict=True)]
    path.write_text(",".join(columns) + "\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


@functools.cache
def read_case(name: str) -> dict[str, NDArray[Any]]:
    """Return the columns of a case as they stand in the file."""
    table = pq.read_table(CASES / name / "recording.parquet")
    return {column: table[column].to_numpy() for column in table.column_names}


def make_simple(rows: int, period_s: float = 1e-3) -> dict[str, NDArray[Any]]:
    """Return columns of one position whose travel tells its row: k mod 1000 mm; body every 100 rows."""
    k = np.arange(rows)
    body = np.where(k % 100 == 0, 20.0 + k / 100, np.nan)
    return {"t_s": k * period_s, "a_travel_mm": (k % 1000).astype(float), "a_body_c": body}


class Played:
    """All that came out of a source: blocks by stream, events, batches in order."""

    def __init__(self, source: RecordingFileSource, next_index: Mapping[int, int] | None = None) -> None:
        source.start(1, next_index or {})
        self.source = source
        self.batches = []
        while (batch := source.read_batch()) is not None:
            self.batches.append(batch)
        source.close()
        self.blocks: list[Block] = [block for batch in self.batches for block in batch.blocks]
        self.events: list[SourceEvent] = [event for batch in self.batches for event in batch.events]

    def of(self, stream_id: int) -> list[Block]:
        """Return the blocks of one stream."""
        return [block for block in self.blocks if block.stream.stream_id == stream_id]

    def indices(self, stream_id: int = 1) -> NDArray[np.int64]:
        """Return the index of every sample of a stream."""
        parts = [np.arange(b.first_index, b.end_index) for b in self.of(stream_id)]
        return np.concatenate(parts) if parts else np.zeros(0, dtype=np.int64)

    def data(self, stream_id: int = 1) -> NDArray[Any]:
        """Return the samples of a stream, all blocks together."""
        return np.concatenate([b.data for b in self.of(stream_id)])

    def times_ns(self, stream_id: int = 1) -> NDArray[np.int64]:
        """Return the grid instant of every sample of a stream."""
        return np.array([b.time_ns(i) for b in self.of(stream_id) for i in range(b.first_index, b.end_index)])

    def gaps(self, stream_id: int = 1) -> list[tuple[int, int]]:
        """Return (index of the first missing row, how many are missing) of each gap."""
        indices = self.indices(stream_id)
        steps = np.diff(indices)
        return [(int(indices[k]) + 1, int(steps[k]) - 1) for k in np.flatnonzero(steps > 1)]

    def events_of(self, kind: str) -> list[dict[str, Any]]:
        """Return the data of all events of one kind."""
        return [event.data for event in self.events if event.kind == kind]


def play(path: Path, positions: tuple[str, ...] = ("a",), **options: Any) -> Played:
    """Play a file to its end."""
    return Played(RecordingFileSource(path, positions, **options))

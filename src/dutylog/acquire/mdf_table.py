"""A recording in MDF4 (ASAM MDF 4.x); asammdf is imported here only, when a file is opened.

The channel group that holds travel gives the rows; a sample of another group goes to the row nearest
to its instant, and between samples stands NaN. Groups are read 65 536 records at a time.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.parquet_table import CHUNK_ROWS
from dutylog.config.columns import INSTANT, TRAVEL_END, ColumnSource
from dutylog.errors import RecordingError

Array = NDArray[Any]

_VERSION = slice(8, 12)
_SYNC_TIME = 1
"""The master counts seconds, not degrees, metres or records. ASAM MDF 4.1, CNBLOCK, cn_sync_type."""
_MOST_RATE_DIFFERENCE = 0.01
_PERIOD_RECORDS = 4096


def need_asammdf(path: Path) -> Any:
    """Import asammdf, or say how to get it; its own lines on stderr are silenced."""
    try:
        import asammdf
        from asammdf.blocks import mdf_v4
    except ImportError as err:
        raise RecordingError(f"{path}: is an MDF4 file, for which pip install 'dutylog[mdf]' is needed") from err
    # What it would print of a damaged block becomes our error.
    logging.getLogger("asammdf").setLevel(logging.CRITICAL + 1)
    # Its end of an object whose file couldn't be read to the end (8.8) trips over what was never set
    # and puts a traceback on stderr; the file itself is closed by then.
    reader: Any = mdf_v4.MDF4
    reader.__del__ = _end_quietly
    return asammdf


def _end_quietly(mdf: Any) -> None:
    with suppress(AttributeError):
        mdf.close()


@dataclass(frozen=True, slots=True)
class _Place:
    """Where a column lies; channel None is the group's master."""

    group: int
    channel: int | None


class MdfTable:
    """Channels of an MDF4 file on the time of its travel.

    A name that several groups have is written NAME@GROUP, groups counted from 0 in the order of the file.
    """

    format = "MDF4"
    scans_cheaply = True

    def __init__(self, path: Path, head: bytes, sources: Sequence[ColumnSource] = ()) -> None:
        """Read the description of groups and channels; head: the first bytes of the file.

        Args:
            sources: where our columns come from; tells which channels are travel and time.
        Raises:
            RecordingError: another version, damaged, encrypted, without records or without a time.
        """
        self.path = path
        self.notes: list[str] = []
        version = head[_VERSION].decode("latin-1").strip("\x00 ")
        if not version.startswith("4."):
            raise RecordingError(f"{path}: is MDF of version {version[:8]!r}; export it as MDF 4, Parquet or CSV")
        self._asammdf = need_asammdf(path)
        self._types: dict[str, np.dtype[Any]] = {}
        with self._open() as mdf, self._reading("its description or first records"):
            self._places = _find_channels(mdf)
            self._records = [int(group.channel_group.cycles_nr) for group in mdf.groups]
            self._base = self._choose_base(mdf, sources)
            self._places = {self._name_time(mdf, sources): _Place(self._base, None), **self._places}
        self.columns = tuple(self._places)
        self.rows_total = self._records[self._base]

    def problem_of(self, column: str) -> str | None:
        """Return why a column can't be read as numbers, or None."""
        kind = self._type_of(column)
        return None if kind.kind in "iuf" and not kind.shape else f"holds {kind}, expected numbers"

    def is_single(self, column: str) -> bool:
        """Return True when a channel's values are 32-bit floats after its own conversion."""
        return self._type_of(column) == np.dtype(np.float32)

    def place_of(self, row: int) -> str:
        """Return a data row as a record of the group it stands in, counted from 1."""
        return f"record {row + 1} of group {self._base}"

    def read(self, columns: Sequence[str]) -> Iterator[dict[str, Array]]:
        """Yield chunks of the named columns; RecordingError where a block is damaged or missing."""
        groups: dict[int, dict[str, int | None]] = {}
        for name in columns:
            groups.setdefault(self._places[name].group, {})[name] = self._places[name].channel
        own = groups.pop(self._base, {})
        with self._open() as mdf:
            for group in groups:
                self._check_time(mdf, group)
            followers = [_Follower(self._chunks(mdf, group, names), names) for group, names in groups.items()]
            for start, times, chunk in self._chunks(mdf, self._base, own):
                is_last = start + len(times) >= self.rows_total
                for follower in followers:
                    chunk.update(follower.lay_beside(times, is_last))
                yield {name: chunk[name] for name in columns}

    def _choose_base(self, mdf: Any, sources: Sequence[ColumnSource]) -> int:
        """Return the group whose records are the rows: of those with travel the one with the most."""
        mapped = {source.column for source in sources if source.target.endswith(TRAVEL_END)}
        travel = {p.group for name, p in self._places.items() if name in mapped or name.endswith(TRAVEL_END)}
        candidates = [g for g in travel or range(len(self._records)) if self._records[g]]
        if not candidates:
            raise RecordingError(f"{self.path}: no group holds records of a travel channel; record or export it again")
        base = max(candidates, key=lambda group: (self._records[group], -group))
        for group in {base, *(candidates if travel else ())}:
            self._check_time(mdf, group)
        if travel:
            self._check_rates(mdf, base, candidates)
        return base

    def _check_time(self, mdf: Any, group: int) -> None:
        master = mdf.masters_db.get(group)
        if master is None or mdf.groups[group].channels[master].sync_type != _SYNC_TIME:
            raise RecordingError(f"{self.path}: group {group} has no time channel; export it with one in seconds")

    def _check_rates(self, mdf: Any, base: int, groups: Sequence[int]) -> None:
        """Refuse travel at several rates: rows of the slower ones would be holes in the faster."""
        periods_s = {group: _period_s(mdf, group, self._records[group]) for group in groups}
        for group, period_s in periods_s.items():
            if abs(period_s - periods_s[base]) > _MOST_RATE_DIFFERENCE * periods_s[base]:
                raise RecordingError(
                    f"{self.path}: travel at {1 / periods_s[base]:.6g} Hz in group {base} and at {1 / period_s:.6g} Hz "
                    f"in group {group}; export all travel at one rate"
                )

    def _name_time(self, mdf: Any, sources: Sequence[ColumnSource]) -> str:
        """Return the column name of the rows' time: the master's own where [import.columns] asks for that."""
        name = str(mdf.groups[self._base].channels[mdf.masters_db[self._base]].name)
        return name if any(s.target == INSTANT and s.column == name for s in sources) else INSTANT

    def _type_of(self, column: str) -> np.dtype[Any]:
        """Return the type of a channel's values; of the rows' time that of its seconds."""
        place = self._places[column]
        if place.channel is None:
            return np.dtype(np.float64)
        if column not in self._types:
            with self._open() as mdf, self._reading(f"channel {column}"):
                self._types[column] = _values(mdf, place.group, place.channel, 0, 1)[0].dtype
        return self._types[column]

    def _chunks(
        self, mdf: Any, group: int, names: dict[str, int | None]
    ) -> Iterator[tuple[int, NDArray[np.float64], dict[str, Array]]]:
        """Yield (first record, instants [s], values by name) of a group in order."""
        for start in range(0, self._records[group], CHUNK_ROWS):
            count = min(CHUNK_ROWS, self._records[group] - start)
            with self._reading(f"or after record {start + 1} of group {group}"):
                times = np.array(mdf.get_master(group, record_offset=start, record_count=count), dtype=np.float64)
                columns: dict[str, Array] = {}
                for name, channel in names.items():
                    columns[name] = times if channel is None else _numbers(mdf, group, channel, start, count)
            for name, values in {INSTANT: times, **columns}.items():
                if len(values) != count:
                    place = start + len(values)
                    raise RecordingError(
                        f"{self.path}: MDF4 file ends early, {name} has {place} of {self._records[group]} records; "
                        "it was cut short, copy it again"
                    )
            yield start, times, columns

    @contextmanager
    def _open(self) -> Iterator[Any]:
        with self._reading("its description"):
            mdf = self._asammdf.MDF(self.path)
        try:
            yield mdf
        finally:
            mdf.close()

    @contextmanager
    def _reading(self, place: str) -> Iterator[None]:
        """Turn what asammdf raises into one line."""
        try:
            with np.errstate(all="ignore"):  # garbled floats
                yield
        except RecordingError:
            raise
        except Exception as err:  # it and its decompressors let through whatever bad bytes bring about
            text = re.sub(r"\s+", " ", str(err)).removeprefix(f'"{self.path}" ')[:120]
            raise RecordingError(
                f"{self.path}: MDF4 file damaged at {place} ({type(err).__name__}: {text}); copy or record it again"
            ) from err


class _Follower:
    """Reads a group along with the rows of another one."""

    def __init__(
        self, chunks: Iterator[tuple[int, NDArray[np.float64], dict[str, Array]]], names: Iterable[str]
    ) -> None:
        self._chunks = chunks
        self._names = tuple(names)
        self._times: NDArray[np.float64] = np.zeros(0)
        self._values: dict[str, Array] = {}
        self._used = 0

    def lay_beside(self, rows_s: NDArray[np.float64], is_last: bool) -> dict[str, Array]:
        """Return a column for each of the group's, NaN in rows without a sample of theirs."""
        rows_s = np.maximum.accumulate(rows_s)
        period_s = float(np.median(np.diff(rows_s))) if len(rows_s) > 1 else 0.0
        limit_s = np.inf if is_last else rows_s[-1] + 0.5 * period_s
        columns: dict[str, Array] = {name: np.full(len(rows_s), np.nan) for name in self._names}
        while True:
            if self._used == len(self._times):
                following = next(self._chunks, None)
                if following is None:
                    return columns
                _, self._times, self._values = following
                self._used = 0
            stop = max(self._used, int(np.searchsorted(self._times, limit_s, side="right")))
            self._place(rows_s, period_s, slice(self._used, stop), columns)
            self._used = stop
            if stop < len(self._times):
                return columns

    def _place(self, rows_s: NDArray[np.float64], period_s: float, part: slice, columns: dict[str, Array]) -> None:
        """Put samples on their nearest rows; where no row is within a period there is no travel to go with."""
        times = self._times[part]
        after = np.minimum(np.searchsorted(rows_s, times), len(rows_s) - 1)
        before = np.maximum(after - 1, 0)
        row = np.where(np.abs(rows_s[after] - times) <= np.abs(times - rows_s[before]), after, before)
        is_near = np.abs(rows_s[row] - times) <= period_s
        for name, values in self._values.items():
            columns[name][row[is_near]] = values[part][is_near]


def _find_channels(mdf: Any) -> dict[str, _Place]:
    """Return every channel but the masters, under names that are unique."""
    found: dict[str, list[_Place]] = {}
    for group, content in enumerate(mdf.groups):
        for number, channel in enumerate(content.channels):
            if number != mdf.masters_db.get(group):
                found.setdefault(str(channel.name), []).append(_Place(group, number))
    return {
        name if len(places) == 1 else f"{name}@{place.group}": place
        for name, places in found.items()
        for place in places
    }


def _period_s(mdf: Any, group: int, records: int) -> float:
    times = np.asarray(mdf.get_master(group, record_offset=0, record_count=min(records, _PERIOD_RECORDS)))
    period_s = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
    return period_s if period_s > 0 else float("inf")


def _values(mdf: Any, group: int, channel: int, start: int, count: int) -> tuple[Array, Array | None]:
    # "ignore" means: leave them in and hand over the bits, rather than take such samples out.
    samples, invalid = mdf.get(
        group=group,
        index=channel,
        record_offset=start,
        record_count=count,
        samples_only=True,
        ignore_invalidation_bits=True,
    )
    return samples, invalid


def _numbers(mdf: Any, group: int, channel: int, start: int, count: int) -> Array:
    """Return values as floats, NaN where the file marks them invalid."""
    samples, invalid = _values(mdf, group, channel, start, count)
    numbers = np.array(samples, dtype=np.float32 if samples.dtype == np.float32 else np.float64)
    if invalid is not None:
        numbers[np.asarray(invalid, dtype=bool)] = np.nan
    return numbers

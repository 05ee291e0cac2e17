"""Streams of different rates laid side by side in one table, a stretch at a time.

The fastest travel stream gives the rows. A sample of another stream goes on the row nearest to its
instant, where that is within half a row; otherwise it gets a row of its own. Between samples stands NaN.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import RecordingError
from dutylog.motion.calibration import interpolate_extended
from dutylog.recording.block import (
    AMBIENT_TEMPERATURE,
    BODY_TEMPERATURE,
    RESERVOIR_PRESSURE,
    SPEED,
    STAMP,
    TRAVEL,
    Block,
    Channel,
    Stream,
)
from dutylog.units import FS_PER_NS, NS_PER_S, PA_PER_BAR

LAG_NS = 3 * NS_PER_S
"""A row is in the log at most 2 s after its instant (frame length + Framer's OVERDUE_NS); one more to spare."""

_UNITS = {
    TRAVEL: ("mm", "count"),
    BODY_TEMPERATURE: ("c",),
    RESERVOIR_PRESSURE: ("pa",),
    AMBIENT_TEMPERATURE: ("c",),
    SPEED: ("mps",),
}
_ORDER = (TRAVEL, BODY_TEMPERATURE, RESERVOIR_PRESSURE, AMBIENT_TEMPERATURE, SPEED)
_CONVERTED = ("count", "pa")
"""Units that columns don't have: what comes of them needs 64 bits."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of the table: where it comes from and its type ('<f4' or '<f8')."""

    name: str
    stream_id: int
    channel: int
    dtype: str


@dataclass(slots=True)
class _Held:
    """Rows of one stream that aren't in the table yet."""

    time_ns: list[NDArray[np.int64]] = field(default_factory=list)
    values: list[NDArray[np.float64]] = field(default_factory=list)

    def joined(self) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        if len(self.time_ns) > 1:
            self.time_ns = [np.concatenate(self.time_ns)]
            self.values = [np.concatenate(self.values)]
        return self.time_ns[0], self.values[0]

    def keep(self, rows: NDArray[np.bool_]) -> None:
        time_ns, values = self.joined()
        self.time_ns, self.values = ([time_ns[rows]], [values[rows]]) if rows.any() else ([], [])


def column_name(channel: Channel) -> str | None:
    """Return the column a channel becomes, None for one that isn't a column."""
    names = {
        TRAVEL: f"{channel.name}_travel_mm",
        BODY_TEMPERATURE: f"{channel.name}_body_c",
        RESERVOIR_PRESSURE: f"{channel.name}_pressure_bar",
        AMBIENT_TEMPERATURE: "ambient_c",
        SPEED: "speed_mps",
    }
    return names.get(channel.quantity)


class WideTable:
    """Takes the blocks of one epoch in log order, gives rows of the table in order of time.

    streams: of the epoch. left_out_count: samples that came too late or found their cell taken.
    """

    def __init__(self, streams: Sequence[Stream]) -> None:
        self._streams = {s.stream_id: s for s in streams}
        self._base_id = _base_stream(streams)
        self.columns = _columns(streams)
        self.left_out_count = 0
        self._held: dict[int, _Held] = {s.stream_id: _Held() for s in streams}
        self._first_ns: int | None = None
        self._now_ns: int | None = None
        self._given_until_ns: int | None = None

    @property
    def ready_span_ns(self) -> int:
        """Return how long a stretch `take` would give now [ns]."""
        times = [held.time_ns[0][0] for held in self._held.values() if held.time_ns]
        return 0 if not times or self._now_ns is None else int(self._now_ns - LAG_NS - min(times))

    def add(self, block: Block, vehicle: Vehicle | None) -> None:
        """Take a block; counts become mm by the calibrations of `vehicle`, in force at the block.

        Raises:
            RecordingError: counts without a calibration, or an unknown unit.
        """
        rows = np.arange(len(block.data), dtype=np.int64)
        stamp_ns, values = self._values(block, vehicle)
        time_ns = block.t0_ns + rows * block.period_fs // FS_PER_NS + stamp_ns
        last_ns = int(time_ns[-1])
        self._now_ns = last_ns if self._now_ns is None else max(self._now_ns, last_ns)
        if self._given_until_ns is not None:
            in_time = time_ns >= self._given_until_ns
            self.left_out_count += int((~in_time).sum())
            time_ns, values = time_ns[in_time], values[in_time]
        if len(time_ns):
            held = self._held[block.stream.stream_id]
            held.time_ns.append(time_ns)
            held.values.append(values)

    def take(self, everything: bool = False) -> dict[str, NDArray[Any]]:
        """Return the rows that nothing can change any more, by column, and forget them."""
        if self._now_ns is None:
            return self._empty()
        until_ns = self._now_ns + 1 if everything else self._now_ns - LAG_NS
        if self._first_ns is None:
            self._first_ns = min(int(h.time_ns[0].min()) for h in self._held.values() if h.time_ns)
        self._given_until_ns = until_ns
        base_ns = self._base_times()
        # Rows go in their own order, so what is due is a run from the front even where stamps cross.
        due_count = int(np.searchsorted(np.maximum.accumulate(base_ns), until_ns))
        due: list[tuple[int, NDArray[np.int64], NDArray[np.int64], NDArray[np.bool_], NDArray[np.float64]]] = []
        for key, held in self._held.items():
            if not held.time_ns:
                continue
            time_ns, values = held.joined()
            row, own = self._rows_for(key, time_ns, base_ns)
            now = np.where(own, time_ns < until_ns, row < due_count)
            due.append((key, time_ns[now], row[now], own[now], values[now]))
            held.keep(~now)
        # Samples of different streams at one instant share a row.
        own_ns = np.unique(np.concatenate([time_ns[own] for _, time_ns, _, own, _ in due]))
        placed = [
            (key, np.where(own, due_count + np.searchsorted(own_ns, time_ns), row), values)
            for key, time_ns, row, own, values in due
        ]
        return self._fill(np.concatenate([base_ns[:due_count], own_ns]), placed)

    def _base_times(self) -> NDArray[np.int64]:
        held = self._held[self._base_id]
        return held.joined()[0] if held.time_ns else np.empty(0, np.int64)

    def _rows_for(
        self, key: int, time_ns: NDArray[np.int64], base_ns: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Return each sample's row among `base_ns`, and which samples need a row of their own."""
        if key == self._base_id:
            return np.arange(len(time_ns)), np.zeros(len(time_ns), bool)
        if not len(base_ns):
            return np.zeros(len(time_ns), np.int64), np.ones(len(time_ns), bool)
        rising = np.maximum.accumulate(base_ns)
        after = np.clip(np.searchsorted(rising, time_ns), 0, len(base_ns) - 1)
        before = np.maximum(after - 1, 0)
        row = np.where(np.abs(time_ns - base_ns[before]) <= np.abs(base_ns[after] - time_ns), before, after)
        half_ns = self._streams[self._base_id].period_fs // (2 * FS_PER_NS) + 1
        return row, np.abs(base_ns[row] - time_ns) > half_ns

    def _fill(
        self, time_ns: NDArray[np.int64], placed: Sequence[tuple[int, NDArray[np.int64], NDArray[np.float64]]]
    ) -> dict[str, NDArray[Any]]:
        """Return the table, rows in order of time."""
        order = np.argsort(time_ns, kind="stable")
        first_ns = 0 if self._first_ns is None else self._first_ns
        table: dict[str, NDArray[Any]] = {"t_s": (time_ns[order] - first_ns) / NS_PER_S}
        rank = np.empty(len(order), np.int64)
        rank[order] = np.arange(len(order))
        by_stream = {key: (rank[row], values) for key, row, values in placed}
        for row, _ in by_stream.values():
            self.left_out_count += len(row) - len(np.unique(row))
        for column in self.columns:
            cells = np.full(len(time_ns), np.nan, column.dtype)
            if column.stream_id in by_stream:
                row, values = by_stream[column.stream_id]
                cells[row] = values[:, column.channel]
            table[column.name] = cells
        return table

    def _empty(self) -> dict[str, NDArray[Any]]:
        return self._fill(np.empty(0, np.int64), [])

    def _values(self, block: Block, vehicle: Vehicle | None) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
        """Return (stamp [ns] of each row, values in the units of the columns)."""
        values = block.data.astype(np.float64)
        stamp_ns = np.zeros(len(values), np.int64)
        for k, channel in enumerate(block.stream.channels):
            if channel.quantity == STAMP:
                stamp_ns = np.nan_to_num(np.rint(values[:, k])).astype(np.int64)
            elif channel.unit not in _UNITS.get(channel.quantity, (channel.unit,)):
                raise RecordingError(
                    f"channel {channel.name} {channel.quantity}: unit {channel.unit!r} is unknown here"
                )
            elif channel.unit == "pa":
                values[:, k] /= PA_PER_BAR
            elif channel.unit == "count":
                values[:, k] = interpolate_extended(values[:, k], _calibration(channel.name, vehicle))
        return stamp_ns, values


def _calibration(position: str, vehicle: Vehicle | None) -> tuple[tuple[float, float], ...]:
    for damper in vehicle.dampers if vehicle is not None else ():
        if damper.position == position and len(damper.calibration) >= 2:
            return damper.calibration
    raise RecordingError(f"travel of {position} is in counts and the log holds no calibration for it; export needs mm")


def _base_stream(streams: Sequence[Stream]) -> int:
    """Return the stream whose rows are the table's: the fastest with travel, else the fastest."""

    def rank(stream: Stream) -> tuple[bool, int, int]:
        return (not stream.has_travel, stream.period_fs, stream.stream_id)

    return min(streams, key=rank).stream_id


def _columns(streams: Sequence[Stream]) -> tuple[Column, ...]:
    """Return the table's columns in their fixed order; the first of two equal names counts."""
    found: dict[str, Column] = {}
    for quantity in _ORDER:
        for stream in streams:
            for k, channel in enumerate(stream.channels):
                name = column_name(channel)
                if channel.quantity != quantity or name is None or name in found:
                    continue
                exact = stream.dtype == "f4" and channel.unit not in _CONVERTED
                found[name] = Column(name, stream.stream_id, k, "<f4" if exact else "<f8")
    return tuple(found.values())

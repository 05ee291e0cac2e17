"""Prepared signals and single events of a recording as tables, so that every total can be checked.

What is written is what was counted. Rows are written a minute at a time, so memory doesn't grow with the
recording (shared/INTEGRATE.md).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper, Vehicle
from dutylog.duty.force import ForceTable
from dutylog.engine.engine import EnergyTile
from dutylog.engine.epoch_run import PreparedTile
from dutylog.engine.output import Fault
from dutylog.engine.stroke_events import BottomOutFinder, StrokeEvent, StrokeFinder
from dutylog.engine.table_file import TableFile, check_new
from dutylog.errors import DutylogError
from dutylog.motion.validity import find_runs
from dutylog.units import FS_PER_NS, J_PER_UJ, NS_PER_S

Array = NDArray[Any]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

GROUP_ROWS = 60_000
"""Rows of a row group: a minute at 1 kHz, about 12 MB for four dampers while it is gathered."""
EVENT_COLUMNS = {
    "event": "string",
    "position": "string",
    "kind": "string",
    "start_s": "float64",
    "end_s": "float64",
    "length_mm": "float64",
    "peak_mps": "float64",
    "epoch": "int32",
}
_EVENT_ROWS = 10_000


@dataclass(frozen=True, slots=True)
class CountedTile:
    """What of a tile was counted, rows are dampers.

    times_ns: (n,). counted: (dampers, n). travel_um: (dampers, n). energy_uj: (dampers, n) heat of
    each sample's period. units: unit_id in each damper's place.
    """

    prepared: PreparedTile
    times_ns: Ints
    counted: Mask
    travel_um: Ints
    energy_uj: NDArray[np.float64]
    units: tuple[str, ...]


class SignalExport:
    """Writes the signals and events of one integration; a context that leaves nothing behind on failure."""

    def __init__(self, vehicle: Vehicle, signals: Path | None = None, events: Path | None = None) -> None:
        """Begin the files asked for.

        Args:
            signals: a row for each sample. events: a row for each stroke, bottom-out and fault. Each
                ends in .parquet or .csv, None for none.
        Raises:
            DutylogError: a file exists, both are one, or one can't be written.
        """
        if signals is not None and events is not None:
            check_new(events)  # before the other one is begun
            if signals.absolute() == events.absolute():
                raise DutylogError(f"{signals}: named for signals and for events; name two files")
        self._epoch = 1
        self._events: EventRows | None = None
        self._signals = None if signals is None else SignalRows(signals, vehicle)
        try:
            if events is not None:
                self._events = EventRows(events, vehicle)
        except DutylogError:
            self._discard()
            raise

    def take_tile(self, energy: EnergyTile, units: tuple[str, ...]) -> None:
        """Take a tile the engine has counted; units: unit_id in each damper's place."""
        prepared, n = energy.prepared, energy.prepared.n
        self._epoch = prepared.epoch
        tile = CountedTile(
            prepared,
            prepared.start_ns + np.arange(n, dtype=np.int64) * prepared.period_fs // FS_PER_NS,
            np.array([np.ones(n, dtype=bool) if g.counted is None else g.counted for g in energy.gains]),
            np.rint(prepared.travel_m * 1e6).astype(np.int64),
            energy.energy_uj,
            units,
        )
        if self._signals is not None and not prepared.void:
            self._signals.add(tile)
        if self._events is not None:
            self._events.add(tile)

    def take_faults(self, faults: Iterable[Fault]) -> None:
        """Take faults that became certain."""
        if self._events is not None:
            self._events.add_faults(faults, self._epoch)

    def __enter__(self) -> SignalExport:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                for rows in (self._signals, self._events):
                    if rows is not None:
                        rows.finish()
        finally:
            self._discard()

    def _discard(self) -> None:
        for rows in (self._signals, self._events):
            if rows is not None:
                rows.file.discard()


class SignalRows:
    """A row for each sample of time that was recorded at all."""

    def __init__(self, path: Path, vehicle: Vehicle) -> None:
        self._dampers = vehicle.dampers
        self._forces = [ForceTable(vehicle.profile_of(damper)) for damper in vehicle.dampers]
        self.file = TableFile(path, signal_columns(vehicle.dampers))
        self._held: list[dict[str, Array]] = []
        self._held_rows = 0

    def add(self, tile: CountedTile) -> None:
        """Take a tile."""
        n = tile.prepared.n
        columns: dict[str, Array] = {
            "t_s": tile.times_ns / NS_PER_S,
            "epoch": np.full(n, tile.prepared.epoch, dtype=np.int32),
        }
        for row, (damper, force) in enumerate(zip(self._dampers, self._forces, strict=True)):
            columns.update(_damper_columns(tile, row, damper.position, force))
        self._held.append(columns)
        self._held_rows += n
        if self._held_rows >= GROUP_ROWS:
            self._write()

    def finish(self) -> None:
        """Write what is left and give the file its name."""
        self._write()
        self.file.finish()

    def _write(self) -> None:
        if self._held:
            self.file.write({name: np.concatenate([part[name] for part in self._held]) for name in self._held[0]})
            self._held, self._held_rows = [], 0


class EventRows:
    """A row for each stroke, bottom-out and fault, in the order in which they became certain."""

    def __init__(self, path: Path, vehicle: Vehicle) -> None:
        self.file = TableFile(path, EVENT_COLUMNS)
        self._positions = [damper.position for damper in vehicle.dampers]
        self._strokes = [StrokeFinder() for _ in vehicle.dampers]
        self._bottoms = [BottomOutFinder(round(vehicle.profile_of(d).stroke_m * 1e6)) for d in vehicle.dampers]
        self._after: list[tuple[int, int, str] | None] = [None] * len(self._strokes)
        self._rows: list[tuple[Any, ...]] = []

    def add(self, tile: CountedTile) -> None:
        """Take a tile; travel goes on where the next index of the same epoch and unit follows."""
        epoch, first = tile.prepared.epoch, tile.prepared.start_index
        for row, unit in enumerate(tile.units):
            for start, stop in find_runs(tile.counted[row]):
                if self._after[row] != (epoch, first + start, unit):
                    self._end_strokes(row)
                self._after[row] = (epoch, first + stop, unit)
                run = slice(start, stop)
                travel, speed = tile.travel_um[row, run], tile.prepared.speed_mps[row, run]
                self._add_strokes(row, self._strokes[row].update(travel, speed, tile.times_ns[run]), epoch)
                for hit in self._bottoms[row].update(travel, speed, tile.times_ns[run]):
                    at_s = hit.start_ns / NS_PER_S
                    position = self._positions[row]
                    self._rows.append(("bottom_out", position, "compression", at_s, at_s, None, hit.speed_mps, epoch))
        if len(self._rows) >= _EVENT_ROWS:
            self._write()

    def add_faults(self, faults: Iterable[Fault], epoch: int) -> None:
        """Take faults."""
        for fault in faults:
            end_s = None if fault.end_ns is None else fault.end_ns / NS_PER_S
            self._rows.append(
                ("fault", fault.position, fault.kind, fault.start_ns / NS_PER_S, end_s, None, None, epoch)
            )

    def finish(self) -> None:
        """End the open strokes, write what is left and give the file its name."""
        for row in range(len(self._strokes)):
            self._end_strokes(row)
        self._write()
        self.file.finish()

    def _end_strokes(self, row: int) -> None:
        after = self._after[row]
        if after is not None:
            self._add_strokes(row, self._strokes[row].finish(), after[0])

    def _add_strokes(self, row: int, strokes: Iterable[StrokeEvent], epoch: int) -> None:
        position = self._positions[row]
        for stroke in strokes:
            kind = "compression" if stroke.direction > 0 else "rebound"
            span_s = stroke.start_ns / NS_PER_S, stroke.end_ns / NS_PER_S
            self._rows.append(("stroke", position, kind, *span_s, stroke.length_um / 1000, stroke.peak_mps, epoch))

    def _write(self) -> None:
        columns = list(zip(*self._rows, strict=True)) or [()] * len(EVENT_COLUMNS)
        self.file.write(dict(zip(EVENT_COLUMNS, columns, strict=True)))
        self._rows = []


def signal_columns(dampers: Iterable[Damper]) -> dict[str, str]:
    """Return name and type of each column of the signals."""
    columns = {"t_s": "float64", "epoch": "int32"}
    for damper in dampers:
        for end, kind in (
            ("travel_mm", "float64"), ("speed_mps", "float64"), ("force_n", "float64"), ("heat_j", "float64"),
            ("valid", "int8"), ("body_c", "float64"),
        ):  # fmt: skip
            columns[f"{damper.position}_{end}"] = kind
    return columns


def _damper_columns(tile: CountedTile, row: int, position: str, table: ForceTable) -> dict[str, Array]:
    """Return one damper's columns of a tile: NaN where nothing was counted."""
    counted = tile.counted[row]
    travel_m, speed_mps = tile.prepared.travel_m[row], tile.prepared.speed_mps[row]
    body_c = np.broadcast_to(tile.prepared.body_c[row], counted.shape)
    force_n = table.compute_force_n(speed_mps, travel_m) * table.compute_fade_ratio(body_c)
    columns = {
        "travel_mm": tile.travel_um[row] / 1000,
        "speed_mps": speed_mps,
        "force_n": force_n,
        "heat_j": tile.energy_uj[row] * J_PER_UJ,
    }
    made: dict[str, Array] = {f"{position}_{end}": np.where(counted, values, np.nan) for end, values in columns.items()}
    return {**made, f"{position}_valid": counted.astype(np.int8), f"{position}_body_c": body_c}

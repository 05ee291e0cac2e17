"""Travel of a standing vehicle in unbroken stretches, out of a recording or a part of the raw log."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from dutylog.config.columns import ColumnSource
from dutylog.domain.vehicle import Vehicle
from dutylog.engine.engine import EnergyTile
from dutylog.engine.integrate import Progress, integrate
from dutylog.engine.report import Integration
from dutylog.engine.signals import SignalExport
from dutylog.recording.frame import Frame

Floats = NDArray[np.float64]

VALUES_HZ = 100
"""Values a second that are kept, each a mean: noise falls, and hum of 50 and 60 Hz is far from a body's swing."""
STANDS_MPS = 1.0
"""Faster, the vehicle drives and nobody pushes it (shared/CONVENTIONS.md: moving)."""
BELIEVED_RATIO = 0.9
"""Part of a second's samples that must be believed at least (judgement); the rest is bridged by a line."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """Unbroken travel of a vehicle that stands. positions: those with a sensor of their own that gave values.

    start_ns: monotonic time of the first value. travel_m: (positions, n) calibrated, as measured. noise_m:
    (positions,) rms of one value. body_c: of each position's damper at the end, None: unknown.
    """

    positions: tuple[str, ...]
    start_ns: int
    rate_hz: float
    travel_m: Floats
    noise_m: Floats
    body_c: tuple[float | None, ...]


def read_stretches(
    path: Path, vehicle: Vehicle, columns: Sequence[ColumnSource] = (), progress: Progress | None = None
) -> list[Stretch]:
    """Return the stretches of a recording; RecordingError as `engine.integrate.integrate`."""
    gatherer = StretchGatherer(vehicle)
    integrate(path, vehicle, columns=columns, progress=progress, export=gatherer)
    return gatherer.stretches()


def gather_stretches(frames: Iterable[Frame], vehicle: Vehicle) -> list[Stretch]:
    """Return the stretches in frames of a raw log; the vehicle counts, whatever the log's config frames say."""
    gatherer = StretchGatherer(vehicle)
    work = Integration(vehicle, export=gatherer)
    for frame in frames:
        work.feed(frame)
    work.finish()
    return gatherer.stretches()


@dataclass(slots=True)
class _Open:
    """A stretch that is being gathered. rows: of the vehicle's dampers. after: (epoch, index) that would go on."""

    rows: tuple[int, ...]
    start_ns: int
    rate_hz: float
    after: tuple[int, int]
    travel_m: list[Floats] = field(default_factory=list)
    noise_m: list[Floats] = field(default_factory=list)
    body_c: Floats = field(default_factory=lambda: np.zeros(0))


class StretchGatherer(SignalExport):
    """Takes the tiles of an integration and keeps the travel in which the vehicle stood."""

    def __init__(self, vehicle: Vehicle) -> None:
        super().__init__(vehicle)
        self._dampers = vehicle.dampers
        self._gathered: list[_Open] = []
        self._is_broken = True

    def take_tile(self, energy: EnergyTile, units: tuple[str, ...]) -> None:  # noqa: ARG002
        """Take a tile the engine has counted."""
        tile = energy.prepared
        drives = tile.vehicle_mps is not None and tile.vehicle_mps > STANDS_MPS
        believed = tile.valid.mean(axis=1) >= BELIEVED_RATIO
        rows = tuple(
            row
            for row, damper in enumerate(self._dampers)
            if damper.travel_from is None and tile.has_sensor[row] and believed[row]
        )
        block = max(1, tile.n // VALUES_HZ)
        count = tile.n // block
        if drives or tile.void or not rows or not count:
            self._is_broken = True
            return
        place, rate_hz = (tile.epoch, tile.start_index), count / (tile.n * tile.dt_s)
        last = None if self._is_broken else self._gathered[-1]
        if last is None or last.after != place or last.rows != rows or not math.isclose(last.rate_hz, rate_hz):
            last = _Open(rows, tile.start_ns, rate_hz, place)
            self._gathered.append(last)
        self._is_broken = False
        last.after = (tile.epoch, tile.start_index + tile.n)
        chosen = tile.raw_m[list(rows), : count * block]
        last.travel_m.append(chosen.reshape(len(rows), count, block).mean(axis=2))
        last.noise_m.append(np.asarray(tile.noise_m)[list(rows)] / math.sqrt(block))
        last.body_c = np.asarray(tile.body_c)[list(rows)]

    def stretches(self) -> list[Stretch]:
        """Return what was gathered, in order."""
        return [
            Stretch(
                tuple(self._dampers[row].position for row in part.rows),
                part.start_ns,
                part.rate_hz,
                np.concatenate(part.travel_m, axis=1),
                np.median(part.noise_m, axis=0),
                tuple(None if math.isnan(value) else float(value) for value in part.body_c),
            )
            for part in self._gathered
        ]

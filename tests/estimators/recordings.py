"""Recordings with known truth as every candidate gets them: calibrated travel on the fitted sample grid.

Import, clock and grid are the engine's own, so candidates differ in nothing but shaft speed.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog import config
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.domain.vehicle import Vehicle
from dutylog.engine.engine import EnergyTile, Engine
from dutylog.engine.integrate import travel_positions
from dutylog.motion.shaft_speed import TileShape
from dutylog.recording.frame import Frame
from dutylog.recording.logbook import Logbook

Array = NDArray[np.float64]

CASES = Path(__file__).parents[1] / "data" / "cases"
FAULTY = "F"
"""Left out: half of what it asks is validity, which is judged before any speed is taken."""


@dataclass(frozen=True, slots=True)
class Known:
    """A recording whose truth is known.

    travel_m: (dampers, samples) as the sensors said. body_c: same shape, steady within a tile as the engine
    takes it. truth: by position.
    """

    name: str
    vehicle: Vehicle
    dt_s: float
    shape: TileShape
    travel_m: Array
    body_c: Array
    truth: dict[str, dict[str, Any]]
    duration_s: float

    def windows_m(self) -> Array:
        """Return every tile's window (tiles, dampers, length), held beyond both ends of the recording."""
        shape = self.shape
        tiles = -(-self.travel_m.shape[1] // shape.n)
        missing = tiles * shape.n - self.travel_m.shape[1]
        padded = np.pad(self.travel_m, ((0, 0), (shape.past, shape.future + missing)), mode="edge")
        starts = np.arange(tiles) * shape.n
        return np.stack([padded[:, start : start + shape.length] for start in starts])

    def join(self, tiles: Array) -> Array:
        """Return tiles (tiles, dampers, n) as one series (dampers, samples)."""
        series = tiles.transpose(1, 0, 2).reshape(tiles.shape[1], -1)
        return series[:, : self.travel_m.shape[1]]


def load_known() -> Iterator[Known]:
    """Yield the healthy recordings with known truth, in order of their names."""
    for folder in sorted(path for path in CASES.iterdir() if path.is_dir()):
        if not folder.name.startswith(FAULTY):
            yield _load(folder)


def _load(folder: Path) -> Known:
    vehicle = config.load(folder / "truck.toml").vehicle
    truth = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    tiles: list[EnergyTile] = []
    engine = Engine(vehicle, observer=tiles.append, keep_vehicle=True)
    for frame in _frames(folder / "recording.parquet", vehicle):
        engine.feed(frame)
    engine.finish()
    prepared = [tile.prepared for tile in tiles]
    return Known(
        folder.name,
        vehicle,
        prepared[0].dt_s,
        TileShape.for_rate(max(tile.n for tile in prepared)),
        np.concatenate([tile.raw_m for tile in prepared], axis=1),
        np.concatenate([np.repeat(tile.body_c[:, None], tile.n, axis=1) for tile in prepared], axis=1),
        truth["dampers"],
        truth["duration_s"],
    )


def _frames(path: Path, vehicle: Vehicle) -> Iterator[Frame]:
    source = RecordingFileSource(
        path, travel_positions(vehicle), block_rows=10_000, body_positions=[d.position for d in vehicle.dampers]
    )
    book = Logbook(vehicle, "recording", ManualClock())
    try:
        yield from book.start_epoch(source.streams, source.kind, source.text, 1)
        source.start(1, {})
        while (batch := source.read_batch()) is not None:
            yield from book.append(batch)
    finally:
        source.close()

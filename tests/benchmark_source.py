"""A sensor for benchmarks: travel of C_desert as a 12-bit converter gives it, there and back again without end.

It costs next to nothing, so what is measured is what comes after it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from dutylog.clock import Clock
from dutylog.domain.vehicle import Vehicle
from dutylog.recording.block import AMBIENT_TEMPERATURE, BODY_TEMPERATURE, SPEED, TRAVEL, Block, Channel, Stream
from dutylog.recording.source import Batch
from dutylog.units import FS_PER_S, NS_PER_S

CASE = Path(__file__).parent / "data" / "cases" / "C_desert"
RATE_HZ, SLOW_HZ, SPEED_HZ, BATCH_HZ = 1000, 10, 5, 10
COUNTS, STROKE_MM = 4095, 254.0


def write_vehicle(folder: Path, dampers: int = 4) -> Path:
    """Write the vehicle file of C_desert with sensors of 0 to 4095 counts; over four dampers each wheel has two."""
    text = (CASE / "truck.toml").read_text(encoding="utf-8")
    head, *tables = text.split("[[damper]]\n")
    last, profiles = tables[-1].split("\n[profile", 1)
    tables = [*tables[:-1], last + "\n"]
    calibration = f"calibration = [[0, 0], [{COUNTS}, {STROKE_MM}]]"
    made = []
    for number in range(dampers):
        table = re.sub(r'serial = ".*"', f'serial = "BENCH-{number}"', tables[number % len(tables)])
        if number >= len(tables):
            table = re.sub(r'position = "(.*)"', r'position = "\1_second"\nwheel = "\1"', table)
        made.append(f"[[damper]]\n{table.rstrip()}\n{calibration}\n\n")
    file = folder / f"benchmark-{dampers}.toml"
    file.write_text(f"{head}{''.join(made)}[profile{profiles}", encoding="utf-8")
    return file


def write_counts(folder: Path) -> Path:
    """Write the counts of all four dampers, there and back again."""
    import pyarrow.parquet as pq

    table = pq.read_table(CASE / "recording.parquet")
    columns = [name for name in table.column_names if name.endswith("_travel_mm")]
    once = np.array([table[name].to_numpy() for name in columns]).T
    whole = len(once) // RATE_HZ * RATE_HZ
    counts = np.rint(np.clip(np.nan_to_num(once[:whole]) / STROKE_MM, 0, 1) * COUNTS).astype("<i2")
    file = folder / "counts.npy"
    np.save(file, np.concatenate([counts, counts[::-1]]))
    return file


class CountsSource:
    """A source of 100 ms batches; with a clock at its pace, without one as fast as it is asked."""

    kind = "benchmark"
    text = "C_desert in 12-bit counts"
    resumable = False

    def __init__(self, vehicle: Vehicle, seconds: float, counts: Path, clock: Clock | None = None) -> None:
        """counts: made by `write_counts`, so that whoever is measured needs no reader of Parquet files."""
        self._clock, self._end = clock, round(seconds * BATCH_HZ)
        positions = [damper.position for damper in vehicle.dampers]
        once = np.load(counts)
        self._counts = np.ascontiguousarray(once[:, [i % once.shape[1] for i in range(len(positions))]])
        grids = ((1, "travel", "i2", RATE_HZ), (2, "temperature", "f4", SLOW_HZ), (3, "speed", "f4", SPEED_HZ))
        channels = (
            tuple(Channel(position, TRAVEL, "count") for position in positions),
            (
                *(Channel(position, BODY_TEMPERATURE, "c") for position in positions),
                Channel("", AMBIENT_TEMPERATURE, "c"),
            ),
            (Channel("", SPEED, "mps"),),
        )
        self.streams = tuple(
            Stream(number, name, dtype, FS_PER_S // rate_hz, columns)
            for (number, name, dtype, rate_hz), columns in zip(grids, channels, strict=True)
        )
        self._batch = self._epoch = self._t0_ns = 0

    def start(self, epoch: int, next_index: Mapping[int, int]) -> None:
        """Begin at the beginning."""
        self._batch, self._epoch = 0, epoch
        self._t0_ns = 0 if self._clock is None else self._clock.mono_ns()

    def read_batch(self) -> Batch | None:
        """Return the next 100 ms once they have passed."""
        if self._batch >= self._end:
            return None
        if self._clock is not None:
            due_ns = self._t0_ns + (self._batch + 1) * NS_PER_S // BATCH_HZ
            self._clock.sleep(max(0.0, (due_ns - self._clock.mono_ns()) / NS_PER_S))
        batch, self._batch = self._batch, self._batch + 1
        travel, temperature, speed = self.streams
        rows = RATE_HZ // BATCH_HZ
        start = batch * rows % len(self._counts)
        warm = 40.0 + 30.0 * np.sin(batch * 1e-4)
        blocks = [
            self._block(travel, batch * rows, self._counts[start : start + rows]),
            self._block(temperature, batch, np.full((1, len(temperature.channels)), warm, dtype="<f4")),
        ]
        if batch % (BATCH_HZ // SPEED_HZ) == 0:
            blocks.append(self._block(speed, batch // 2, np.array([[15.0]], dtype="<f4")))
        return Batch(tuple(blocks))

    def close(self) -> None:
        """Nothing to let go of."""

    def _block(self, stream: Stream, first_index: int, data: np.ndarray) -> Block:
        t0_ns = self._t0_ns + first_index * stream.period_fs // 1_000_000
        return Block(stream, self._epoch, first_index, t0_ns, stream.period_fs, np.ascontiguousarray(data))

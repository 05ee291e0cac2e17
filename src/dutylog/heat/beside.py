"""The heat of a long recording, followed by a process of its own, so that counting doesn't wait for it.

Following heat costs a third of what counting does; with a second processor that third costs next to no time.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
from collections.abc import Iterable
from typing import IO, Any

from dutylog.domain.heat_input import HeatInput
from dutylog.domain.vehicle import Vehicle
from dutylog.engine.output import HeatReset, TileHeat
from dutylog.errors import RecordingError
from dutylog.heat.series import DamperSeries, HeatSeries

WORTH_ROWS = 10_000
"""Shorter recordings are done before another process would have started: forty minutes of four dampers."""
GROUP_ROWS = 2000

Row = tuple[Any, ...]


class HeatBeside:
    """Takes the tiles of a recording; follows them here, or in a process of its own once there are many."""

    def __init__(self) -> None:
        self._rows: list[TileHeat | HeatReset] = []
        self._vehicle: Vehicle | None = None
        self._process: subprocess.Popen[bytes] | None = None
        self._most = WORTH_ROWS if len(os.sched_getaffinity(0)) > 1 else sys.maxsize

    def take(self, vehicle: Vehicle, rows: Iterable[TileHeat | HeatReset]) -> None:
        """Take in what the engine made of one or more tiles.

        Raises:
            RecordingError: the other process has ended early.
        """
        if vehicle is not self._vehicle:
            self._flush()
            self._vehicle = vehicle
        self._rows += rows
        if len(self._rows) < self._most:
            return
        if self._process is None:
            command = [sys.executable, "-m", "dutylog.heat.beside"]
            self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)
            self._most = GROUP_ROWS
        self._flush()

    def _flush(self) -> None:
        """Send what has gathered."""
        if self._process is None or not self._rows:
            return
        self._send((self._vehicle, [_pack(row) for row in self._rows]))
        self._rows = []

    def _send(self, group: tuple[Vehicle | None, list[Row]] | None) -> None:
        if self._process is None or self._process.stdin is None:
            return
        try:
            pickle.dump(group, self._process.stdin, protocol=pickle.HIGHEST_PROTOCOL)
            self._process.stdin.flush()
        except OSError as err:
            raise _ended_early() from err

    def finish(self) -> dict[str, DamperSeries]:
        """Return what came of it, by position.

        Raises:
            RecordingError: the other process has ended early.
        """
        if self._process is None or self._process.stdout is None:
            series = HeatSeries()
            if self._vehicle is not None:
                series.take(self._vehicle, self._rows)
            return series.finish()
        self._flush()
        self._send(None)
        try:
            # Written by our own child; nobody else has the pipe.
            found: dict[str, DamperSeries] = pickle.load(self._process.stdout)  # noqa: S301
        except (EOFError, pickle.UnpicklingError) as err:
            raise _ended_early() from err
        return found

    def close(self) -> None:
        """End the other process, whatever it is doing; safe to call twice."""
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None


def _ended_early() -> RecordingError:
    return RecordingError("the process that follows the heat ended early; try again, perhaps with more memory")


def _pack(row: TileHeat | HeatReset) -> Row:
    """Return a row as plain values: a third of the bytes and of the time of pickling it as it is."""
    if isinstance(row, HeatReset):
        return row.position, row.what
    heat = row.heat
    return (
        row.position, row.unit_id, row.clock, row.start_ns, row.end_ns, heat.seconds, heat.power_w,
        heat.measured_ratio, heat.rms_mps, heat.body_c, heat.air_c, heat.speed_mps,
    )  # fmt: skip


def _unpack(row: Row) -> TileHeat | HeatReset:
    if len(row) == 2:
        return HeatReset(row[0], row[1])
    position, unit_id, clock, start_ns, end_ns, *heat = row
    return TileHeat(position, unit_id, clock, start_ns, end_ns, HeatInput(*heat))


def follow(source: IO[bytes], target: IO[bytes]) -> None:
    """Follow groups of rows until None; then write what came of it."""
    series = HeatSeries()
    while (group := pickle.load(source)) is not None:  # noqa: S301  # written by the process that started this one
        vehicle, rows = group
        series.take(vehicle, [_unpack(row) for row in rows])
    pickle.dump(series.finish(), target, protocol=pickle.HIGHEST_PROTOCOL)
    target.flush()


if __name__ == "__main__":
    try:
        follow(sys.stdin.buffer, sys.stdout.buffer)
    except (BrokenPipeError, EOFError):
        # Whoever counts has gone; there is nobody left to tell.
        os._exit(1)

"""Small vehicles, streams and recordings for the raw-log tests, and a comparison of frames."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from dutylog.clock import ManualClock
from dutylog.domain.vehicle import Damper, ForceAt, ForceCurve, Profile, Vehicle
from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.framer import Grid
from dutylog.recording.log import LogWriter
from dutylog.recording.source import Batch

PERIOD_1KHZ_FS = 10**12
"""1 ms in femtoseconds."""


def make_vehicle(calibration: tuple[tuple[float, float], ...] = ()) -> Vehicle:
    curve = ForceCurve((-1.0, 1.0), (-1500.0, 900.0))
    profile = Profile("plain", 0.3, 0.022, 0.06, 1.1, 5.0, 4000.0, (ForceAt(0.0, curve),), 0.001, 40.0, 120.0)
    damper = Damper("front_left", "front_left", "plain", "S1", calibration=calibration)
    return Vehicle("truck", "Truck", (damper,), (profile,))


TRAVEL = Stream(1, "travel", "f4", PERIOD_1KHZ_FS, (Channel("front_left", "travel", "mm"),))
BODY = Stream(2, "body", "f4", 100 * PERIOD_1KHZ_FS, (Channel("front_left", "body_temperature", "c"),))
SPEED = Stream(
    3, "slow", "f8", 1000 * PERIOD_1KHZ_FS, (Channel("", "speed", "mps"), Channel("", "ambient_temperature", "c"))
)
STREAMS = (TRAVEL, BODY, SPEED)


class Script:
    """A made-up recording: per stream which indices exist, all values a function of the index.

    t0_ns: instant of index 0 of every stream. holes: stream id -> [(first, end), ...] rows that are missing.
    """

    def __init__(
        self,
        streams: Sequence[Stream],
        end_s: float,
        holes: dict[int, list[tuple[int, int]]] | None = None,
        t0_ns: int = 0,
    ) -> None:
        self.streams = tuple(streams)
        self.end_ns = round(end_s * 1e9)
        self.t0_ns = t0_ns
        self.holes = holes or {}

    def values(self, stream: Stream, indices: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
        columns = [np.sin(indices * 0.01 * (k + 1) + stream.stream_id) * 100 + 150 for k in range(len(stream.channels))]
        return np.stack(columns, axis=1).astype("<" + stream.dtype)

    def runs(self, stream: Stream, start_ns: int, stop_ns: int, first_index: int = 0) -> list[tuple[int, int]]:
        """Return the stretches of indices whose instants lie in [start_ns, stop_ns)."""
        grid = Grid(0, self.t0_ns, stream.period_fs)
        period_ns = stream.period_fs / 1e6
        low = max(0, int((start_ns - self.t0_ns) / period_ns) - 2)
        while grid.time_ns(low) < start_ns:
            low += 1
        high = max(low, int((stop_ns - self.t0_ns) / period_ns) - 2)
        while grid.time_ns(high) < stop_ns:
            high += 1
        low = max(low, first_index)
        runs, at = [], low
        for first, end in [*sorted(self.holes.get(stream.stream_id, [])), (high, high)]:
            if min(first, high) > at:
                runs.append((at, min(first, high)))
            at = max(at, end)
        return runs

    def batch(self, epoch: int, start_ns: int, stop_ns: int, next_index: dict[int, int] | None = None) -> Batch:
        blocks = []
        for stream in self.streams:
            first_index = (next_index or {}).get(stream.stream_id, 0)
            for low, high in self.runs(stream, start_ns, stop_ns, first_index):
                t0_ns = Grid(0, self.t0_ns, stream.period_fs).time_ns(low)
                data = self.values(stream, np.arange(low, high))
                blocks.append(Block(stream, epoch, low, t0_ns, stream.period_fs, data))
        return Batch(tuple(blocks))

    def batches(self, epoch: int, window_ns: int | None, next_index: dict[int, int] | None = None) -> Iterator[Batch]:
        """Yield the recording in windows of time; None for all of it in one."""
        start_ns, end_ns = self.t0_ns, self.t0_ns + self.end_ns
        window_ns = window_ns or self.end_ns
        for at in range(start_ns, end_ns, window_ns):
            yield self.batch(epoch, at, min(at + window_ns, end_ns), next_index)


def frame_key(frame: Frame) -> tuple[Any, ...]:
    """Return all of a frame in a form that compares to the bit."""
    block = frame.block
    samples = None
    if block is not None:
        samples = (block.stream, block.epoch, block.first_index, block.t0_ns, block.period_fs, block.quality)
        samples += (block.data.dtype.str, block.data.shape, block.data.tobytes())
    fields = (frame.type, frame.sequence, frame.epoch, frame.t0_ns, frame.stream_id, frame.first_index, frame.n)
    return (*fields, frame.period_fs, frame.config_id, frame.quality, frame.data, samples)


def keys(frames: Sequence[Frame]) -> list[tuple[Any, ...]]:
    return [frame_key(frame) for frame in frames]


def rows_of(frames: Sequence[Frame], stream_id: int) -> list[tuple[int, bytes]]:
    """Return (index, bits) of every sample of a stream, in log order."""
    rows = []
    for frame in frames:
        if frame.type == FrameType.SAMPLES and frame.stream_id == stream_id:
            assert frame.block is not None
            rows += [(frame.first_index + k, row.tobytes()) for k, row in enumerate(frame.block.data)]
    return rows


def only_segment(folder: Path) -> Path:
    (path,) = sorted(folder.glob("*.dlg"))
    return path


def open_log(folder: Path, **options: int) -> LogWriter:
    return LogWriter(folder, make_vehicle(), "boot", ManualClock(5, 7), **options)


def write(folder: Path, script: Script, epoch: int = 1, window_ms: int = 100) -> LogWriter:
    """Write a script, committing after each window; the writer stays open."""
    writer = open_log(folder)
    writer.start_epoch(script.streams, "script", "made up", epoch)
    for batch in script.batches(epoch, window_ms * 1_000_000, dict(writer.state.next_index)):
        writer.append(batch)
        writer.commit()
    return writer


def frame_ends(octets: bytes) -> list[int]:
    """Return where frames end, by the header's payload_length alone."""
    ends, at = [], 0
    while at < len(octets):
        at += 72 + int.from_bytes(octets[at + 56 : at + 60], "little")
        ends.append(at)
    return ends

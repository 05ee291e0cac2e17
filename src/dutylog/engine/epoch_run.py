"""One epoch of a source: frames in, prepared tiles out.

A tile is round(rate) indices on a grid that starts at the epoch. It is prepared as soon as its
window (shaft_speed.TileShape) is known to the end, or the epoch is over; so what comes out depends
on the log alone, never on the lengths in which it arrived.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.engine.faults import FaultTracker
from dutylog.engine.gas_channels import GasChannels
from dutylog.engine.output import Fault
from dutylog.engine.slow_channel import SlowChannel
from dutylog.engine.travel_buffer import TravelBuffer
from dutylog.errors import RecordingError
from dutylog.motion.shaft_speed import ShaftSpeedEstimator, TileShape
from dutylog.motion.validity import GAP, find_hole, find_runs, is_outside, judge_window
from dutylog.recording.block import (
    AMBIENT_TEMPERATURE,
    BODY_TEMPERATURE,
    RESERVOIR_PRESSURE,
    SPEED,
    TRAVEL,
    Block,
    Stream,
)
from dutylog.recording.frame import Frame, FrameType
from dutylog.units import FS_PER_NS

Array = NDArray[np.float64]
Singles = NDArray[np.float32]
Mask = NDArray[np.bool_]
Reasons = NDArray[np.uint8]

TEMPERATURE_RANGE_C = (-60.0, 400.0)
"""Outside it a thermocouple is open or wired wrongly; a converter's open code is 2047. Judgement."""
SPEED_RANGE_MPS = (-5.0, 150.0)
TRAVEL_JOIN_NS = 60_000_000
SLOW_JOIN_NS = 2_500_000_000
SLOW_HALO_NS = 1_000_000_000
"""Slow samples up to this long after a tile are used for it; they are in the log by then."""

_NEVER_NS = 2**63


@dataclass(frozen=True, slots=True)
class PreparedTile:
    """A tile of prepared signals; rows are dampers in the vehicle's order.

    travel_m, speed_mps: (dampers, n). raw_m: calibrated samples, holes filled but jumps left. valid:
    may be integrated. reason: why not, by codes of `validity.REASONS`, None where all may be.
    noise_m: (dampers,) rms of the sensor.
    body_c: (dampers,) mean of the samples in the tile, else interpolated or held, NaN while unknown.
    body_samples: believed samples that fall in the tile.
    gas_pa: mean gauge pressure of each reservoir by the samples in the tile, None without any.
    void: nothing came at all. has_sensor: (dampers,). outside_m: range of the samples of each damper
    that can't be travel, None where there were none.
    """

    epoch: int
    tile: int
    start_index: int
    start_ns: int
    end_ns: int
    period_fs: int
    travel_m: Singles
    speed_mps: Singles
    raw_m: Array
    valid: Mask
    reason: Reasons | None
    noise_m: Array
    body_c: Array
    body_samples: tuple[list[float], ...]
    gas_pa: tuple[float | None, ...]
    ambient_c: float | None
    vehicle_mps: float | None
    void: bool
    has_sensor: tuple[bool, ...]
    outside_m: tuple[tuple[float, float] | None, ...]

    @property
    def n(self) -> int:
        """Return the number of indices in the tile."""
        return int(self.travel_m.shape[1])

    @property
    def dt_s(self) -> float:
        """Return the sample spacing [s]."""
        return self.period_fs * 1e-15

    @property
    def rate_hz(self) -> float:
        """Return samples a second [Hz]."""
        return 1e15 / self.period_fs

    def time_ns(self, offset: int) -> int:
        """Return the grid instant of an index relative to the tile's start."""
        return self.start_ns + offset * self.period_fs // FS_PER_NS


@dataclass(frozen=True, slots=True)
class _Signals:
    """The travel of a tile, prepared and raw; fields as in PreparedTile."""

    travel_m: Singles
    speed_mps: Singles
    raw_m: Array
    valid: Mask
    reason: Reasons | None
    noise_m: Array
    outside_m: tuple[tuple[float, float] | None, ...]


@dataclass(frozen=True, slots=True)
class PreparedSpan:
    """Tiles that follow each other and were prepared in one go; the same to the bit as one by one.

    travel_m, speed_mps, raw_m: (dampers, indices of all tiles). clean: (dampers,) whether every sample
    of whole tiles is believed.
    """

    tiles: tuple[PreparedTile, ...]
    travel_m: Singles
    speed_mps: Singles
    raw_m: Array
    clean: tuple[bool, ...]


class EpochRun:
    """Buffers what tiles still need and prepares them in order."""

    def __init__(self, epoch: int, vehicle: Vehicle) -> None:
        self.epoch = epoch
        self._dampers = vehicle.dampers
        self._stroke_m = np.array([vehicle.profile_of(d).stroke_m for d in vehicle.dampers])
        self._body = {d.position: SlowChannel(*TEMPERATURE_RANGE_C) for d in vehicle.dampers}
        self._body_offset_k = {d.position: d.body_offset_k for d in vehicle.dampers}
        self.gas = GasChannels([d.position for d in vehicle.dampers])
        self._ambient = SlowChannel(*TEMPERATURE_RANGE_C)
        self._speed = SlowChannel(*SPEED_RANGE_MPS)
        self.travel_faults = FaultTracker(TRAVEL_JOIN_NS)
        self.slow_faults = FaultTracker(SLOW_JOIN_NS)
        self._buffer: TravelBuffer | None = None
        self._has_sensor: tuple[bool, ...] = ()
        self._estimator: ShaftSpeedEstimator | None = None
        self._anchors: deque[tuple[int, int, int]] = deque()
        self._needed: deque[tuple[int, int, int]] = deque()
        self._start_index: int | None = None
        self.next_tile: int | None = None
        self._news: list[Fault] = []
        # Where travel is known to hold something unbelievable: no use to look for it with every tile.
        self._hole_index: int | None = None
        # Up to where it was looked for; all that is looked at in one go has one spacing.
        self._looked_index = 0

    def feed(self, frame: Frame) -> None:
        """Take a samples or gap frame."""
        block = frame.block
        if block is None:
            if frame.type is FrameType.GAP and frame.stream is not None and _is_travel(frame.stream):
                end_index = frame.first_index + frame.n
                self._open(frame.stream, frame.first_index).append_missing(end_index)
                if not self._anchors:
                    self._anchors.append((frame.first_index, frame.t0_ns, frame.period_fs))
                self._needed.append((frame.sequence, end_index, 0))
            return
        if _is_travel(block.stream):
            self._feed_travel(block)
            self._needed.append((frame.sequence, block.end_index, 0))
        else:
            self._feed_slow(block)
            latest_ns = max(channel.offset_ns for channel in block.stream.channels)
            self._needed.append((frame.sequence, 0, block.time_ns(block.end_index - 1) + latest_ns))

    def ready_count(self) -> int:
        """Return how many whole tiles have their window."""
        if self._buffer is None or self._estimator is None or self.next_tile is None:
            return 0
        shape = self._estimator.shape
        return max(0, (self._buffer.end_index - self.next_tile * shape.n - shape.future) // shape.n)

    def spans(self, *, ended: bool = False, most: int = 1) -> Iterator[PreparedSpan]:
        """Yield every tile whose window is known, up to `most` at once; with `ended` all that is left."""
        buffer, estimator = self._buffer, self._estimator
        if buffer is None or estimator is None or self.next_tile is None:
            return
        shape = estimator.shape
        while True:
            start = self.next_tile * shape.n
            count = min(most, (buffer.end_index - start - shape.future) // shape.n)
            if count < 1 and not (ended and buffer.end_index > start):
                return
            span = None
            if count >= 1 and start - shape.past >= buffer.start_index:
                span = self._prepare_clean(buffer, estimator, self.next_tile, count)
            if span is None:
                span = self._prepare(buffer, estimator, self.next_tile)
            self.next_tile += len(span.tiles)
            self._forget(buffer, shape)
            yield span

    def take_faults(self, before_ns: int) -> list[Fault]:
        """Return what became certain of faults since the last call, those that nothing after before_ns can join.

        For after a span: what its tiles note one by one must not be closed by the last of them first.
        """
        closed = self.travel_faults.close_before(before_ns) + self.slow_faults.close_before(before_ns)
        faults, self._news = self._news + closed, []
        return faults

    def end_faults(self) -> list[Fault]:
        """Return the faults still open at the end of the epoch."""
        return [*self.travel_faults.close_all(), *self.slow_faults.close_all()]

    def is_uncalibrated(self, row: int) -> bool:
        """Return whether a damper's travel comes in counts that nobody has calibrated."""
        return self._buffer is not None and self._buffer.is_uncalibrated(row)

    def needed_from(self) -> int | None:
        """Return the sequence of the oldest frame a restart must read again, None if there is none."""
        return self._needed[0][0] if self._needed else None

    def _feed_travel(self, block: Block) -> None:
        if self._open(block.stream, block.first_index).append(block):
            self._anchors.append((block.first_index, block.t0_ns, block.period_fs))

    def _open(self, stream: Stream, first_index: int) -> TravelBuffer:
        """Return the buffer of the epoch's travel, begun with the first that is known of it."""
        if self._buffer is None:
            start = first_index if self._start_index is None else self._start_index
            self._start_index = start
            self._buffer = TravelBuffer(stream, self._dampers, start, first_index)
            self._has_sensor = tuple(self._buffer.has_sensor(row) for row in range(len(self._dampers)))
            shape = TileShape.for_rate(stream.samples_per_second)
            self._estimator = ShaftSpeedEstimator(shape, stream.period_fs * 1e-15)
            if self.next_tile is None:
                self.next_tile = start // shape.n
        elif self._buffer.stream.stream_id != stream.stream_id:
            raise RecordingError(
                f"epoch {self.epoch} has two travel streams ({self._buffer.stream.name}, {stream.name}); "
                "this version reads one"
            )
        return self._buffer

    def _feed_slow(self, block: Block) -> None:
        end_fs = len(block.data) * block.period_fs
        times = [block.t0_ns + behind_fs // FS_PER_NS for behind_fs in range(0, end_fs, block.period_fs)]
        columns = block.data.T.astype(np.float64).tolist()
        for channel, values in zip(block.stream.channels, columns, strict=True):
            shifted = [t + channel.offset_ns for t in times] if channel.offset_ns else times
            if channel.quantity == BODY_TEMPERATURE and channel.name in self._body:
                offset_k = self._body_offset_k[channel.name]
                read = [value + offset_k for value in values] if offset_k else values
                for time_ns in self._body[channel.name].add(shifted, read):
                    self._news += self.slow_faults.note(channel.name, "thermocouple_open", time_ns, time_ns)
            elif channel.quantity == RESERVOIR_PRESSURE:
                self.gas.add(channel.name, shifted, values)
            elif channel.quantity == AMBIENT_TEMPERATURE:
                self._ambient.add(shifted, values)
            elif channel.quantity == SPEED:
                self._speed.add(shifted, values)

    def _prepare_clean(
        self, buffer: TravelBuffer, estimator: ShaftSpeedEstimator, tile: int, count: int
    ) -> PreparedSpan | None:
        """Prepare whole tiles up to the first sample that can't be believed, None if the first holds one."""
        shape = estimator.shape
        _, period_fs = self._time_of(tile * shape.n)
        for anchor in self._anchors:
            if anchor[2] != period_fs:
                return None
        first = tile * shape.n - shape.past
        if self._hole_index is not None and first <= self._hole_index < first + shape.length:
            return None
        region = buffer.window(first, (count - 1) * shape.n + shape.length)
        sensors = self._has_sensor
        for row, there in enumerate(sensors):
            if not there:
                region[row] = 0.0
        hole = find_hole(region, self._stroke_m, period_fs * 1e-15, self._looked_index - first)
        self._looked_index = first + hole
        if hole < region.shape[1]:
            self._hole_index = first + hole
            count = (hole - shape.length) // shape.n + 1
            if count < 1:
                return None
        windows = _overlapping(region, shape, count)
        travel, speed, noise = estimator.prepare(windows, period_fs * 1e-15)
        raw = region[:, shape.past : shape.past + count * shape.n]
        valid = np.empty(travel.shape, dtype=bool)
        valid[:] = np.array(sensors)[:, None]
        tiles = []
        for number in range(count):
            part = slice(number * shape.n, (number + 1) * shape.n)
            signals = _Signals(
                travel[:, part],
                speed[:, part],
                raw[:, part],
                valid[:, part],
                None,
                noise[:, number],
                (None,) * len(travel),
            )
            tiles.append(self._make_tile(tile + number, (tile + number) * shape.n, signals, void=False))
        return PreparedSpan(tuple(tiles), travel, speed, raw, sensors)

    def _prepare(self, buffer: TravelBuffer, estimator: ShaftSpeedEstimator, tile: int) -> PreparedSpan:
        """Prepare one tile, whole or not, whatever is wrong in it."""
        shape = estimator.shape
        first = max(tile * shape.n, buffer.start_index)
        stop = min((tile + 1) * shape.n, buffer.end_index)
        inside = slice(first - tile * shape.n, stop - tile * shape.n)
        start_ns, period_fs = self._time_of(first)
        void = buffer.is_void(first, stop)
        if void:
            nothing = np.zeros((len(self._dampers), stop - first), dtype=np.float32)
            missing = np.ones(nothing.shape, dtype=bool)
            outside = spike = ~missing
            reason = np.full(nothing.shape, GAP, dtype=np.uint8)
            levels, outside_m = np.zeros(len(nothing)), (None,) * len(nothing)
            signals = _Signals(nothing, nothing, nothing.astype(np.float64), ~missing, reason, levels, outside_m)
        else:
            window = buffer.window(tile * shape.n - shape.past, shape.length)
            judged = judge_window(window, self._stroke_m, period_fs * 1e-15)
            whole = slice(shape.past + inside.start, shape.past + inside.stop)
            travel, speed, noise = estimator.prepare(judged.filled_m, period_fs * 1e-15)
            missing, outside, spike = judged.missing[:, whole], judged.outside[:, whole], judged.spike[:, whole]
            signals = _Signals(
                travel[:, inside],
                speed[:, inside],
                judged.raw_m[:, whole],
                judged.valid[:, whole],
                judged.reason[:, whole],
                noise,
                _ranges_outside(window[:, whole], self._stroke_m, outside),
            )
        for row, damper in enumerate(self._dampers):
            if self._has_sensor[row]:
                masks = (("gap", missing[row]), ("travel_open", outside[row]), ("spike", spike[row]))
                self._note_travel(damper.position, masks, start_ns, period_fs)
        prepared = self._make_tile(tile, first, signals, void=void)
        whole_tile = stop - first == shape.n
        clean = tuple(whole_tile and bool(row.all()) for row in signals.valid)
        return PreparedSpan((prepared,), signals.travel_m, signals.speed_mps, signals.raw_m, clean)

    def _make_tile(self, tile: int, first: int, signals: _Signals, *, void: bool) -> PreparedTile:
        """Return a tile with all that isn't travel."""
        start_ns, period_fs = self._time_of(first)
        end_ns = start_ns + signals.travel_m.shape[1] * period_fs // FS_PER_NS
        body_c, body_samples = self._body_temperatures(start_ns, end_ns)
        speeds = self._speed.within(start_ns, end_ns)
        return PreparedTile(
            epoch=self.epoch,
            tile=tile,
            start_index=first,
            start_ns=start_ns,
            end_ns=end_ns,
            period_fs=period_fs,
            travel_m=signals.travel_m,
            speed_mps=signals.speed_mps,
            raw_m=signals.raw_m,
            valid=signals.valid,
            reason=signals.reason,
            noise_m=signals.noise_m,
            body_c=body_c,
            body_samples=body_samples,
            gas_pa=self.gas.within(start_ns, end_ns),
            ambient_c=self._ambient.latest(end_ns, 60 * SLOW_HALO_NS),
            vehicle_mps=sum(speeds) / len(speeds) if speeds else self._speed.latest(end_ns, 3 * SLOW_HALO_NS),
            void=void,
            has_sensor=self._has_sensor,
            outside_m=signals.outside_m,
        )

    def _note_travel(self, position: str, masks: tuple[tuple[str, Mask], ...], start_ns: int, period_fs: int) -> None:
        for kind, mask in masks:
            if not mask.any():
                continue
            for begin, end in find_runs(mask):
                begin_ns = start_ns + begin * period_fs // FS_PER_NS
                end_ns = start_ns + end * period_fs // FS_PER_NS
                if kind == "spike":
                    self._news.append(Fault(position, kind, begin_ns, begin_ns))
                else:
                    self._news += self.travel_faults.note(position, kind, begin_ns, end_ns)

    def _body_temperatures(self, start_ns: int, end_ns: int) -> tuple[Array, tuple[list[float], ...]]:
        """Return each damper's body temperature in a tile and the samples in it."""
        samples = tuple(self._body[d.position].within(start_ns, end_ns) for d in self._dampers)
        middle_ns = (start_ns + end_ns) // 2
        body_c = []
        for damper, seen in zip(self._dampers, samples, strict=True):
            value = sum(seen) / len(seen) if seen else self._body[damper.position].at(middle_ns, end_ns + SLOW_HALO_NS)
            body_c.append(np.nan if value is None else value)
        return np.array(body_c), samples

    def body_now(self, position: str, end_ns: int) -> float | None:
        """Return the newest body temperature [degC] before end_ns, None when older than 2 s."""
        return self._body[position].latest(end_ns, 2 * SLOW_HALO_NS)

    def _time_of(self, index: int) -> tuple[int, int]:
        """Return instant [ns] and period [fs] of an index, by the latest block that began at or before it."""
        later = bisect_right(self._anchors, (index, _NEVER_NS))
        first_index, t0_ns, period_fs = self._anchors[max(0, later - 1)]
        return t0_ns + (index - first_index) * period_fs // FS_PER_NS, period_fs

    def _forget(self, buffer: TravelBuffer, shape: TileShape) -> None:
        """Drop what no later tile needs."""
        next_tile = self.next_tile or 0
        # One more than the window: rows stamped off the grid are moved along the slope of their neighbours.
        oldest = next_tile * shape.n - shape.past - 1
        buffer.drop_before(oldest)
        while len(self._anchors) > 1 and self._anchors[1][0] <= oldest:
            self._anchors.popleft()
        next_ns = self._time_of(next_tile * shape.n)[0] - SLOW_HALO_NS
        for channel in (*self._body.values(), self._ambient, self._speed):
            channel.let_go_before(next_ns)
        self.gas.let_go_before(next_ns)
        anchor = self._anchors[0][0]
        while self._needed and self._is_done(self._needed[0], min(oldest, anchor), next_ns):
            self._needed.popleft()

    @staticmethod
    def _is_done(entry: tuple[int, int, int], oldest_index: int, oldest_ns: int) -> bool:
        _, end_index, last_ns = entry
        return end_index <= oldest_index if end_index else last_ns < oldest_ns

    def to_dict(self) -> dict[str, Any]:
        """Return what can't be read again from the frames since `needed_from`, in JSON types."""
        return {
            "epoch": self.epoch,
            "start_index": self._start_index,
            "next_tile": self.next_tile,
            "body": {position: channel.to_dict() for position, channel in self._body.items()},
            "gas": self.gas.to_dict(),
            "ambient": self._ambient.to_dict(),
            "speed": self._speed.to_dict(),
            "travel_faults": self.travel_faults.to_list(),
            "slow_faults": self.slow_faults.to_list(),
            "news": [[f.position, f.kind, f.start_ns, f.end_ns] for f in self._news],
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take back what `to_dict` gave; the frames since `needed_from` must be fed again."""
        self._start_index, self.next_tile = data["start_index"], data["next_tile"]
        for position, channel in self._body.items():
            if position in data["body"]:
                channel.restore(data["body"][position])
        self.gas.restore(data.get("gas", {}))  # checkpoints of earlier versions lack it
        self._ambient.restore(data["ambient"])
        self._speed.restore(data["speed"])
        self.travel_faults.restore(data["travel_faults"])
        self.slow_faults.restore(data["slow_faults"])
        self._news = [Fault(*fault) for fault in data["news"]]


def _is_travel(stream: Stream) -> bool:
    return any(channel.quantity == TRAVEL for channel in stream.channels)


def _overlapping(region: Array, shape: TileShape, count: int) -> Array:
    """Return the windows (dampers, tiles, length) of so many tiles in a region without gaps in memory, uncopied."""
    row, sample = region.strides
    strides = row, shape.n * sample, sample
    return np.ndarray((len(region), count, shape.length), region.dtype, region, strides=strides)


def _ranges_outside(window_m: Array, stroke_m: Array, outside: Mask) -> tuple[tuple[float, float] | None, ...]:
    """Return for each damper the range of samples that can't be travel; those on the way there aside."""
    beyond = outside & is_outside(window_m, stroke_m)
    chosen = [window_m[row, mask] for row, mask in enumerate(beyond)]
    return tuple((float(values.min()), float(values.max())) if len(values) else None for values in chosen)

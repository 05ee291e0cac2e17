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
from typing import Any, NamedTuple

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.engine.faults import FaultTracker
from dutylog.engine.output import Fault
from dutylog.engine.slow_signals import SLOW_HALO_NS, SlowSignals
from dutylog.engine.travel_buffer import TravelBuffer
from dutylog.errors import RecordingError
from dutylog.motion.shaft_speed import ShaftSpeedEstimator, TileShape
from dutylog.motion.validity import GAP, find_hole, find_runs, is_outside, judge_window
from dutylog.recording.block import Block, Stream
from dutylog.recording.frame import Frame, FrameType
from dutylog.units import FS_PER_NS

Array = NDArray[np.float64]
Singles = NDArray[np.float32]
Mask = NDArray[np.bool_]
Reasons = NDArray[np.uint8]

TRAVEL_JOIN_NS = 60_000_000
SLOW_JOIN_NS = 2_500_000_000

_NEVER_NS = 2**63


class PreparedTile(NamedTuple):
    """A tile of prepared signals; rows are dampers in the vehicle's order. A tuple, because there is one every second.

    travel_m, speed_mps: (dampers, n). raw_m: calibrated samples, holes filled but jumps left. valid:
    may be integrated. reason: why not, by codes of `validity.REASONS`, None where all may be.
    noise_m: (dampers,) rms of the sensor.
    body_c: (dampers,) mean of the samples in the tile, else interpolated or held, NaN while unknown.
    body_samples: believed samples that fall in the tile. body_mean_c: their mean, None without any.
    gas_pa: mean gauge pressure of each reservoir by the samples in the tile, None without any.
    void: nothing came at all. has_sensor: (dampers,). outside_m: range of the samples of each damper
    that can't be travel, None where there were none. length_us: so rounded that tiles that follow each other add up.
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
    body_mean_c: tuple[float | None, ...]
    gas_pa: tuple[float | None, ...]
    ambient_c: float | None
    vehicle_mps: float | None
    void: bool
    has_sensor: tuple[bool, ...]
    outside_m: tuple[tuple[float, float] | None, ...]
    length_us: int

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
    """The travel of equally long tiles, prepared and raw; fields as in PreparedTile, but noise_m (dampers, tiles)."""

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
        self.slow = SlowSignals(vehicle.dampers)
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
            if frame.type is FrameType.GAP and frame.stream is not None and frame.stream.has_travel:
                end_index = frame.first_index + frame.n
                self._open(frame.stream, frame.first_index).append_missing(end_index)
                if not self._anchors:
                    self._anchors.append((frame.first_index, frame.t0_ns, frame.period_fs))
                self._needed.append((frame.sequence, end_index, 0))
            return
        if block.stream.has_travel:
            self._feed_travel(block)
            self._needed.append((frame.sequence, block.end_index, 0))
        else:
            self._needed.append((frame.sequence, 0, self.slow.add(block)))
            if self.slow.is_full:
                self._read_slow()

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
            self._read_slow()
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
        self._read_slow()
        news, self._news = self._news, []
        return [*news, *self.travel_faults.close_all(), *self.slow_faults.close_all()]

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

    def _read_slow(self) -> None:
        """Read what waits of the slow signals, noting what can't be believed of it."""
        for position, time_ns in self.slow.read():
            self._news += self.slow_faults.note(position, "thermocouple_open", time_ns, time_ns)

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
        if not all(sensors):
            region = np.where(np.array(sensors)[:, None], region, 0.0)
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
        signals = _Signals(travel, speed, raw, valid, None, noise, (None,) * len(travel))
        tiles = self._make_tiles(tile, tile * shape.n, count, signals, void=False)
        return PreparedSpan(tiles, travel, speed, raw, sensors)

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
            levels, outside_m = np.zeros((len(nothing), 1)), (None,) * len(nothing)
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
                noise[:, None],
                _ranges_outside(window[:, whole], self._stroke_m, outside),
            )
        for row, damper in enumerate(self._dampers):
            if self._has_sensor[row]:
                masks = (("gap", missing[row]), ("travel_open", outside[row]), ("spike", spike[row]))
                self._note_travel(damper.position, masks, start_ns, period_fs)
        tiles = self._make_tiles(tile, first, 1, signals, void=void)
        whole_tile = stop - first == shape.n
        clean = tuple(whole_tile and bool(row.all()) for row in signals.valid)
        return PreparedSpan(tiles, signals.travel_m, signals.speed_mps, signals.raw_m, clean)

    def _make_tiles(
        self, tile: int, first: int, count: int, signals: _Signals, *, void: bool
    ) -> tuple[PreparedTile, ...]:
        """Return tiles with all that isn't travel. first: index of the first sample."""
        n = signals.travel_m.shape[1] // count
        starts = [self._time_of(first + number * n) for number in range(count)]
        spans_ns = [(start_ns, start_ns + n * period_fs // FS_PER_NS) for start_ns, period_fs in starts]
        tiles = []
        for number, slow in enumerate(self.slow.tiles(spans_ns)):
            part = slice(number * n, (number + 1) * n)
            made = PreparedTile(
                self.epoch,
                tile + number,
                first + number * n,
                *spans_ns[number],
                starts[number][1],
                signals.travel_m[:, part],
                signals.speed_mps[:, part],
                signals.raw_m[:, part],
                signals.valid[:, part],
                signals.reason,
                signals.noise_m[:, number],
                slow.body_c,
                slow.body_samples,
                slow.body_mean_c,
                slow.gas_pa,
                slow.ambient_c,
                slow.vehicle_mps,
                void,
                self._has_sensor,
                signals.outside_m,
                spans_ns[number][1] // 1000 - spans_ns[number][0] // 1000,
            )
            tiles.append(made)
        return tuple(tiles)

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
        self.slow.let_go_before(next_ns)
        anchor = self._anchors[0][0]
        while self._needed and self._is_done(self._needed[0], min(oldest, anchor), next_ns):
            self._needed.popleft()

    @staticmethod
    def _is_done(entry: tuple[int, int, int], oldest_index: int, oldest_ns: int) -> bool:
        _, end_index, last_ns = entry
        return end_index <= oldest_index if end_index else last_ns < oldest_ns

    def to_dict(self) -> dict[str, Any]:
        """Return what can't be read again from the frames since `needed_from`, in JSON types."""
        self._read_slow()
        return {
            "epoch": self.epoch,
            "start_index": self._start_index,
            "next_tile": self.next_tile,
            **self.slow.to_dict(),
            "travel_faults": self.travel_faults.to_list(),
            "slow_faults": self.slow_faults.to_list(),
            "news": [[f.position, f.kind, f.start_ns, f.end_ns] for f in self._news],
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take back what `to_dict` gave; the frames since `needed_from` must be fed again."""
        self._start_index, self.next_tile = data["start_index"], data["next_tile"]
        self.slow.restore(data)
        self.travel_faults.restore(data["travel_faults"])
        self.slow_faults.restore(data["slow_faults"])
        self._news = [Fault(*fault) for fault in data["news"]]


def _overlapping(region: Array, shape: TileShape, count: int) -> Array:
    """Return the windows (dampers, tiles, length) of so many tiles in a region, uncopied."""
    row, sample = region.strides
    size, strides = (len(region), count, shape.length), (row, shape.n * sample, sample)
    if region.flags.c_contiguous:
        # Of single tiles: a tenth of the time.
        return np.ndarray(size, region.dtype, region, strides=strides)
    return as_strided(region, size, strides, writeable=False)


def _ranges_outside(window_m: Array, stroke_m: Array, outside: Mask) -> tuple[tuple[float, float] | None, ...]:
    """Return for each damper the range of samples that can't be travel; those on the way there aside."""
    beyond = outside & is_outside(window_m, stroke_m)
    chosen = [window_m[row, mask] for row, mask in enumerate(beyond)]
    return tuple((float(values.min()), float(values.max())) if len(values) else None for values in chosen)

"""All sensors of a vehicle as one source: each line to them in a thread of its own, put together here.

A line that is lost leaves the others alone: what it owes becomes gaps while it is asked for again. One whose
own clock times its rows comes back in a new epoch, since its clock began anew.
"""

from __future__ import annotations

import threading
import traceback
from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.driver import LOST, WRONG, Driver, DriverState, Plan, Rows, Word
from dutylog.clock import Clock
from dutylog.config.sensors import SensorSettings
from dutylog.errors import ConfigError, InputError, SourceError, WrongDevice
from dutylog.recording.block import TRAVEL, Block, Stream
from dutylog.recording.framer import SOURCE_LOST
from dutylog.recording.source import Batch, SourceGap
from dutylog.units import FS_PER_NS, NS_PER_S

BATCH_NS = NS_PER_S // 10
QUEUE_RUNS = 4096
"""Runs of rows that wait for core at most, of each line: over a minute of the bridge. Then the oldest go, counted."""
SILENT_NS = 3 * NS_PER_S // 2
"""So long without a row a travel stream is said to have a gap, which goes on until rows come again."""
BACK_OFF_S = (0.1, 0.2, 0.5, 1.0)
"""Waits between attempts to open a line; the last one repeats: what is plugged in again is back within 2 s."""
LOOSE_S = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0)
"""Waits after a line was lost again before it had worked for STEADY_NS: a plug that rattles all day would else begin
an epoch, and a file of the log, each second. Judgement."""
STEADY_NS = 10 * NS_PER_S
READ_S = 0.2
JOIN_S = 1.0


@dataclass(frozen=True, slots=True)
class RawTravel:
    """The last second of a travel input in counts: mean, rms of its noise, and over how many rows."""

    mean: float
    noise: float
    rows: int


class _Line:
    """A driver in its thread. What it hands on waits in `runs`, each with the number of the `open` it came from."""

    def __init__(self, driver: Driver, clock: Clock) -> None:
        self.driver = driver
        self.runs: deque[tuple[int, Rows]] = deque()
        self.dropped_count = self.lost_count = 0
        self._clock = clock
        self._opened = 0
        self._word: Word | None = None
        self._text = ""
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=driver.name, daemon=True)

    def start(self) -> None:
        """Begin; only the first call does."""
        if self._thread.ident is None:
            self._thread.start()

    def close(self) -> None:
        """Ask the thread to end and wait for it, not for long: a device that hangs dies with the process."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(JOIN_S)

    def state(self) -> DriverState:
        """Return how the line is; while it can't be opened the reason stands above what the driver says."""
        state, word = self.driver.state(), self._word
        counters = {**state.counters, "lost": self.lost_count, "dropped_runs": self.dropped_count}
        if word is None:
            return DriverState(state.name, state.word, state.text, counters, state.channels)
        return DriverState(state.name, word, self._text, counters, state.channels)

    def _run(self) -> None:
        failures = losses = 0
        t0_ns = self._clock.mono_ns()
        while not self._stop.is_set():
            begun_ns = 0
            try:
                self.driver.open(t0_ns)
                begun_ns = self._clock.mono_ns()
                self._opened += 1
                self._word = None
                failures = 0
                while not self._stop.is_set():
                    for rows in self.driver.read(READ_S):
                        self._put(rows)
            except SourceError as err:
                self._lose(WRONG if isinstance(err, WrongDevice) else LOST, str(err))
            except Exception as err:  # noqa: BLE001 - a fault of ours in one line must not end the others
                traceback.print_exc()
                self._lose(LOST, f"{self.driver.name}: a fault of dutylog itself ({err!r}); the log has the place")
            finally:
                self.driver.close()
            if begun_ns:
                losses = 0 if self._clock.mono_ns() - begun_ns >= STEADY_NS else losses
                self._stop.wait(LOOSE_S[min(losses, len(LOOSE_S) - 1)])
                losses += 1
            else:
                self._stop.wait(BACK_OFF_S[min(failures, len(BACK_OFF_S) - 1)])
                failures += 1

    def _lose(self, word: Word, text: str) -> None:
        self.lost_count += self._word is None
        self._word, self._text = word, text

    def _put(self, rows: Rows) -> None:
        if len(self.runs) >= QUEUE_RUNS:
            self.runs.popleft()
            self.dropped_count += 1
        self.runs.append((self._opened, rows))


class _Lane:
    """One stream of the present epoch: what of a driver's rows belongs where."""

    def __init__(self, stream: Stream, t0_ns: int) -> None:
        self.stream = stream
        self._base: int | None = None
        self._index, self._t0_ns, self._period_fs = 0, t0_ns, stream.period_fs
        self.next_index = 0

    def take(self, rows: Rows, epoch: int) -> Block | None:
        """Return the rows as a block of this epoch, None where a gap was told of them before."""
        if self._base is None:
            # Whatever gap was told of before the first row ends at the instant of that row.
            self._base = rows.index - max(self.next_index, self._index_at(rows.t0_ns))
        first = rows.index - self._base
        if first < self.next_index or not len(rows.data):
            return None
        self._index, self._t0_ns, self._period_fs = first, rows.t0_ns, rows.period_fs
        self.next_index = first + len(rows.data)
        data = np.ascontiguousarray(rows.data, dtype="<" + self.stream.dtype)
        return Block(self.stream, epoch, first, rows.t0_ns, rows.period_fs, data, rows.quality)

    def gap(self, now_ns: int, is_last: bool) -> SourceGap | None:
        """Return the gap of a travel stream that has been silent for long; is_last: that owes anything at all."""
        if not self.stream.has_travel:
            return None
        until = self._index_at(now_ns if is_last else now_ns - SILENT_NS)
        if not is_last:
            # Whole seconds, so that a long silence makes one frame a second.
            until -= until % self.stream.samples_per_second
        if until <= self.next_index:
            return None
        gap = SourceGap(self.stream.stream_id, until, self._index, self._t0_ns, self._period_fs, now_ns, SOURCE_LOST)
        self.next_index = until
        return gap

    def _index_at(self, time_ns: int) -> int:
        """Return the last index whose instant isn't after a time: a gap up to it claims no later time."""
        return self._index + (time_ns - self._t0_ns) * FS_PER_NS // self._period_fs


class SensorSource:
    """The drivers of a vehicle as a source; a batch each tenth of a second."""

    kind = "sensors"
    resumable = False

    def __init__(self, drivers: Sequence[Driver], clock: Clock) -> None:
        """drivers: all of the vehicle's lines; their plans become streams, numbered from 1 in their order."""
        self.text = ", ".join(driver.name for driver in drivers)
        self._clock = clock
        self._lines = [_Line(driver, clock) for driver in drivers]
        plans = [(line, number, plan) for line in self._lines for number, plan in enumerate(line.driver.plans)]
        self.streams = tuple(_stream(place, plan) for place, (_, _, plan) in enumerate(plans, start=1))
        self._place = {(id(line), number): place for place, (line, number, _) in enumerate(plans)}
        self._lanes: list[_Lane] = []
        self._generation: dict[int, int] = {}
        self._epoch = 0
        self._next_ns = 0
        self._raw: dict[int, deque[NDArray[np.int16]]] = {}

    def start(self, epoch: int, next_index: Mapping[int, int]) -> None:  # noqa: ARG002
        """Begin an epoch; `next_index` is of no use, what was missed won't come again."""
        now_ns = self._clock.mono_ns()
        self._epoch, self._next_ns = epoch, now_ns + BATCH_NS
        self._lanes = [_Lane(stream, now_ns) for stream in self.streams]
        self._generation = {}
        for line in self._lines:
            line.start()

    def read_batch(self) -> Batch:
        """Return what came in the last tenth of a second; `ends_epoch` where a line's clock began anew."""
        self._clock.sleep(max(0.0, (self._next_ns - self._clock.mono_ns()) / NS_PER_S))
        now_ns = self._clock.mono_ns()
        self._next_ns = max(self._next_ns + BATCH_NS, now_ns)
        blocks: list[Block] = []
        reason, end_ns = "", now_ns
        for line in self._lines:
            anew = self._drain(line, blocks)
            if anew is not None:
                reason, end_ns = f"{line.driver.name} began anew", anew.t0_ns
        blocks.sort(key=lambda block: block.stream.stream_id)
        gaps = [gap for lane in self._lanes if (gap := lane.gap(end_ns, bool(reason))) is not None]
        return Batch(tuple(blocks), gaps=tuple(gaps), ends_epoch=reason)

    def close(self) -> None:
        """Let go of all devices; safe to call twice."""
        for line in self._lines:
            line.close()

    def devices(self) -> tuple[DriverState, ...]:
        """Return how each line is."""
        return tuple(line.state() for line in self._lines)

    def raw_travel(self) -> dict[str, RawTravel]:
        """Return the last second of each travel input by position; nothing of one that was silent."""
        found = {}
        for place, parts in self._raw.items():
            rows = np.concatenate(parts).astype(np.float64)
            if not len(rows):
                continue
            # Second differences of white noise have six times its variance, and none of steady motion.
            noise = np.diff(rows, 2, axis=0).std(axis=0) / 6**0.5 if len(rows) > 3 else np.zeros(rows.shape[1])
            for column, channel in enumerate(self.streams[place].channels):
                if channel.quantity == TRAVEL:
                    found[channel.name] = RawTravel(float(rows[:, column].mean()), float(noise[column]), len(rows))
        return found

    def _drain(self, line: _Line, blocks: list[Block]) -> Rows | None:
        """Take what waits of a line; return the first rows that belong to a new epoch, None where none do."""
        key = id(line)
        for place in (self._place[key, number] for number in range(len(line.driver.plans))):
            if self._lanes[place].stream.has_travel:
                self._raw.setdefault(place, deque(maxlen=NS_PER_S // BATCH_NS)).append(self._none(place))
        while line.runs:
            opened, rows = line.runs[0]
            if line.driver.is_clocked and self._generation.setdefault(key, opened) != opened:
                return rows
            line.runs.popleft()
            place = self._place[key, rows.plan]
            block = self._lanes[place].take(rows, self._epoch)
            if block is not None:
                blocks.append(block)
                if self._lanes[place].stream.has_travel:
                    self._raw[place][-1] = np.concatenate([self._raw[place][-1], block.data])
        return None

    def _none(self, place: int) -> NDArray[np.int16]:
        return np.empty((0, len(self.streams[place].channels)), dtype=np.int16)


def _stream(number: int, plan: Plan) -> Stream:
    return Stream(number, plan.name, plan.dtype, plan.period_fs, plan.channels)


def make_drivers(settings: SensorSettings, clock: Clock) -> list[Driver]:
    """Return a driver for each line that the vehicle file names, none of them opened.

    Raises:
        ConfigError: more on a bus than it has time for.
    """
    drivers: list[Driver] = []
    if settings.bridge is not None:
        from dutylog.acquire.bridge.driver import BridgeDriver

        drivers.append(BridgeDriver(settings.bridge, clock))
    buses = {chip.place.bus for chip in settings.thermocouples} | {chip.place.bus for chip in settings.adcs}
    for bus in sorted(buses):
        from dutylog.acquire.i2c.driver import I2cDriver

        thermocouples = tuple(chip for chip in settings.thermocouples if chip.place.bus == bus)
        adcs = tuple(chip for chip in settings.adcs if chip.place.bus == bus)
        try:
            drivers.append(I2cDriver(bus, thermocouples, adcs, clock))
        except InputError as err:
            raise ConfigError([f"I2C bus {bus}: {err}"]) from err
    if settings.gps is not None:
        from dutylog.acquire.gps.driver import GpsDriver

        drivers.append(GpsDriver(settings.gps, clock))
    return drivers

"""What an epoch says beside travel: temperatures, speed and pressures, block by block in and tile by tile out.

Blocks wait until tiles are made, so that those that follow each other are read together: one costs mostly the calls.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper
from dutylog.engine.gas_channels import GasChannels
from dutylog.engine.slow_channel import SlowChannel, Spans, mean_of
from dutylog.recording.block import (
    AMBIENT_TEMPERATURE,
    BODY_TEMPERATURE,
    RESERVOIR_PRESSURE,
    SPEED,
    Block,
    Channel,
    Stream,
)
from dutylog.units import FS_PER_NS

TEMPERATURE_RANGE_C = (-60.0, 400.0)
"""Outside it a thermocouple is open or wired wrongly; a converter's open code is 2047. Judgement."""
SPEED_RANGE_MPS = (-5.0, 150.0)
SLOW_HALO_NS = 1_000_000_000
"""Slow samples up to this long after a tile are used for it; they are in the log by then."""
_MOST_WAITING = 1000
"""Blocks that wait at most where no tile is made: a minute and a half at ten a second."""


class SlowTile(NamedTuple):
    """What is said of a tile; fields as in PreparedTile."""

    body_c: NDArray[np.float64]
    body_samples: tuple[list[float], ...]
    body_mean_c: tuple[float | None, ...]
    gas_pa: tuple[float | None, ...]
    ambient_c: float | None
    vehicle_mps: float | None


class _Feed(NamedTuple):
    """A column of a stream that somebody wants. position: of a thermocouple, None for what has no faults."""

    column: int
    channel: SlowChannel
    offset_ns: int
    offset_k: float
    position: str | None


@dataclass(frozen=True, slots=True)
class _Plan:
    """How a stream is read. latest_ns: its largest offset."""

    stream: Stream
    feeds: tuple[_Feed, ...]
    latest_ns: int


_Part = tuple[_Plan, Block, int]
"""A block, how it is read and the instant [ns] of its last sample on the stream's grid."""


class _Samples(NamedTuple):
    """Samples of one column in order of time."""

    feed: _Feed
    times_ns: list[int]
    values: list[float]

    @property
    def is_plain(self) -> bool:
        """Return whether all are new and believable."""
        return not self.times_ns or self.feed.channel.is_plain(self.times_ns, self.values)


class SlowSignals:
    """Takes blocks of all streams but travel. What comes out is the same however they are cut."""

    def __init__(self, dampers: Sequence[Damper]) -> None:
        self._body = {d.position: SlowChannel(*TEMPERATURE_RANGE_C) for d in dampers}
        self._body_offset_k = {d.position: d.body_offset_k for d in dampers}
        self.gas = GasChannels([d.position for d in dampers])
        self._ambient = SlowChannel(*TEMPERATURE_RANGE_C)
        self._speed = SlowChannel(*SPEED_RANGE_MPS)
        self._plans: dict[int, _Plan] = {}
        # Where two columns feed one channel it goes by the order in which their blocks came.
        self._fed: set[int] = set()
        self._is_ordered = False
        self._waiting: list[_Part] = []

    @property
    def is_full(self) -> bool:
        """Return whether so many blocks wait that they should be read."""
        return len(self._waiting) >= _MOST_WAITING

    def add(self, block: Block) -> int:
        """Take a block; return the instant [ns] of its last sample."""
        plan = self._plans.get(block.stream.stream_id)
        if plan is None or plan.stream is not block.stream:
            plan = self._plan(block.stream)
        last_ns = block.t0_ns + (len(block.data) - 1) * block.period_fs // FS_PER_NS
        self._waiting.append((plan, block, last_ns))
        return last_ns + plan.latest_ns

    def read(self) -> list[tuple[str, int]]:
        """Read what waits; return position and instant [ns] of samples of thermocouples that can't be believed."""
        waiting, self._waiting = self._waiting, []
        runs = [[one] for one in waiting] if self._is_ordered else _join(waiting)
        read = [samples for run in runs for samples in _read(run)]
        if len(runs) < len(waiting) and not all(one.is_plain for one in read):
            # What is wrong is told in the order in which it came.
            read = [samples for one in waiting for samples in _read([one])]
        bad = []
        for feed, times_ns, values in read:
            wrong_ns = feed.channel.add(times_ns, values)
            if feed.position is not None:
                bad += [(feed.position, time_ns) for time_ns in wrong_ns]
        return bad

    def tiles(self, spans_ns: Spans) -> Iterator[SlowTile]:
        """Yield what is said of tiles, of each from samples up to SLOW_HALO_NS after it."""
        samples = [channel.cut(spans_ns) for channel in self._body.values()]
        means = [[mean_of(values) for values in column] for column in samples]
        held = [
            [
                channel.at((start_ns + end_ns) // 2, end_ns + SLOW_HALO_NS) if mean is None else mean
                for mean, (start_ns, end_ns) in zip(column, spans_ns, strict=True)
            ]
            for channel, column in zip(self._body.values(), means, strict=True)
        ]
        # None becomes NaN.
        body_c = np.array(held, dtype=np.float64).T.copy()
        ambient_c = [self._ambient.latest(end_ns, 60 * SLOW_HALO_NS) for _, end_ns in spans_ns]
        speeds_mps = [
            self._speed.latest(end_ns, 3 * SLOW_HALO_NS) if mean is None else mean
            for mean, (_, end_ns) in zip(self._speed.means(spans_ns), spans_ns, strict=True)
        ]
        by_tile = zip(*samples, strict=True), zip(*means, strict=True), self.gas.means(spans_ns)
        for row in zip(body_c, *by_tile, ambient_c, speeds_mps, strict=True):
            yield SlowTile(*row)

    def body_now(self, position: str, end_ns: int) -> float | None:
        """Return the newest body temperature [degC] before end_ns, None when older than 2 s."""
        return self._body[position].latest(end_ns, 2 * SLOW_HALO_NS)

    def let_go_before(self, time_ns: int) -> None:
        """Forget samples before time_ns but the newest of them."""
        for channel in (*self._body.values(), self._ambient, self._speed):
            channel.let_go_before(time_ns)
        self.gas.let_go_before(time_ns)

    def to_dict(self) -> dict[str, Any]:
        """Return what can't be read again from the log, in JSON types; nothing may wait."""
        return {
            "body": {position: channel.to_dict() for position, channel in self._body.items()},
            "gas": self.gas.to_dict(),
            "ambient": self._ambient.to_dict(),
            "speed": self._speed.to_dict(),
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take back what `to_dict` gave."""
        for position, channel in self._body.items():
            if position in data["body"]:
                channel.restore(data["body"][position])
        self.gas.restore(data.get("gas", {}))  # checkpoints of earlier versions lack it
        self._ambient.restore(data["ambient"])
        self._speed.restore(data["speed"])

    def _plan(self, stream: Stream) -> _Plan:
        """Say how a stream is read, that of an epoch once."""
        known = self._plans.get(stream.stream_id)
        if known is not None and known.stream == stream:
            return known
        feeds = []
        for column, channel in enumerate(stream.channels):
            feed = self._feed(column, channel)
            if feed is not None:
                self._is_ordered |= id(feed.channel) in self._fed
                self._fed.add(id(feed.channel))
                feeds.append(feed)
        plan = _Plan(stream, tuple(feeds), max(channel.offset_ns for channel in stream.channels))
        self._plans[stream.stream_id] = plan
        return plan

    def _feed(self, column: int, channel: Channel) -> _Feed | None:
        name, offset_ns = channel.name, channel.offset_ns
        if channel.quantity == BODY_TEMPERATURE and name in self._body:
            return _Feed(column, self._body[name], offset_ns, self._body_offset_k[name], name)
        target = None
        if channel.quantity == RESERVOIR_PRESSURE:
            target = self.gas.channel_of(name)
        elif channel.quantity == AMBIENT_TEMPERATURE:
            target = self._ambient
        elif channel.quantity == SPEED:
            target = self._speed
        return None if target is None else _Feed(column, target, offset_ns, 0.0, None)


def _join(parts: Sequence[_Part]) -> list[list[_Part]]:
    """Return blocks of each stream whose samples come one after the other in runs, those as they first came."""
    runs: list[list[_Part]] = []
    latest: dict[int, list[_Part]] = {}
    for part in parts:
        plan, block, _ = part
        run = latest.get(plan.stream.stream_id)
        if run is not None and run[-1][0] is plan and run[-1][2] < block.t0_ns:
            run.append(part)
        else:
            latest[plan.stream.stream_id] = run = [part]
            runs.append(run)
    return runs


def _read(run: Sequence[_Part]) -> Iterator[_Samples]:
    """Yield the samples in blocks of one stream, column by column."""
    plan = run[0][0]
    if not plan.feeds:
        return
    times_ns: list[int] = []
    for _, block, _ in run:
        t0_ns, period_fs = block.t0_ns, block.period_fs
        times_ns += [t0_ns + behind_fs // FS_PER_NS for behind_fs in range(0, len(block.data) * period_fs, period_fs)]
    data = run[0][1].data if len(run) == 1 else np.concatenate([block.data for _, block, _ in run])
    columns = data.T.astype(np.float64).tolist()
    for feed in plan.feeds:
        values = columns[feed.column]
        shifted_ns = [time_ns + feed.offset_ns for time_ns in times_ns] if feed.offset_ns else times_ns
        yield _Samples(feed, shifted_ns, [value + feed.offset_k for value in values] if feed.offset_k else values)

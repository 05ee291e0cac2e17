"""Reservoir pressures as tiles need them: a slow channel for each position that has a sender, none for the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dutylog.engine.slow_channel import SlowChannel

RANGE_PA = (-2e5, 2e7)
"""Gauge pressure outside it is a broken sender: less than vacuum, more than any seal holds. Judgement."""
HELD_NS = 2_000_000_000
"""A pressure shown may be so old; judgement."""


class GasChannels:
    """What senders said; dampers without one cost nothing."""

    def __init__(self, positions: Sequence[str]) -> None:
        """positions: of all dampers, in order."""
        self._positions = positions
        self._channels: dict[str, SlowChannel] = {}

    def add(self, position: str, times_ns: list[int], values_pa: list[float]) -> None:
        """Take samples of a sender; one of a position the vehicle doesn't have is passed over."""
        if position in self._positions:
            self._of(position).add(times_ns, values_pa)

    def within(self, start_ns: int, end_ns: int) -> tuple[float | None, ...]:
        """Return the mean gauge pressure [Pa] of each damper in a tile, None without a sample in it."""
        if not self._channels:
            return (None,) * len(self._positions)
        means: list[float | None] = []
        for position in self._positions:
            channel = self._channels.get(position)
            values = [] if channel is None else channel.within(start_ns, end_ns)
            means.append(sum(values) / len(values) if values else None)
        return tuple(means)

    def now(self, position: str, end_ns: int) -> float | None:
        """Return a damper's newest pressure [Pa gauge] before end_ns, None without a sender or when it is too old."""
        channel = self._channels.get(position)
        return None if channel is None else channel.latest(end_ns, HELD_NS)

    def let_go_before(self, time_ns: int) -> None:
        """Forget samples before time_ns but the newest of them."""
        for channel in self._channels.values():
            channel.let_go_before(time_ns)

    def to_dict(self) -> dict[str, Any]:
        """Return what a checkpoint must keep."""
        return {position: channel.to_dict() for position, channel in self._channels.items()}

    def restore(self, data: dict[str, Any]) -> None:
        """Take back what `to_dict` gave."""
        for position, kept in data.items():
            if position in self._positions:
                self._of(position).restore(kept)

    def _of(self, position: str) -> SlowChannel:
        if position not in self._channels:
            self._channels[position] = SlowChannel(*RANGE_PA)
        return self._channels[position]

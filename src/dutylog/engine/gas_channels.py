"""Reservoir pressures as tiles need them: a slow channel for each position that has a sender, none for the others."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from dutylog.engine.slow_channel import SlowChannel, Spans

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

    def channel_of(self, position: str) -> SlowChannel | None:
        """Return the channel of a position whose sender says something, None for one the vehicle doesn't have."""
        return self._of(position) if position in self._positions else None

    def means(self, spans_ns: Spans) -> list[tuple[float | None, ...]]:
        """Return for each of many tiles the mean gauge pressure [Pa] of each damper, None without a sample in it."""
        nothing: list[float | None] = [None] * len(spans_ns)
        if not self._channels:
            return [(None,) * len(self._positions)] * len(spans_ns)
        channels = [self._channels.get(position) for position in self._positions]
        return list(zip(*(nothing if one is None else one.means(spans_ns) for one in channels), strict=True))

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

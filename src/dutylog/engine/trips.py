"""Trips: from the first motion to the last before nothing moved for the grace time."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, NamedTuple

from dutylog.duty.totals import Totals
from dutylog.engine.output import TripDamper, TripRow

OVERLAP_NS = 1_000_000_000
"""A device that comes back is timed anew, and what was told as its gap may reach a little into that. Judgement."""

Gains = tuple[tuple[str, str, Totals], ...]
"""unit_id, position and what was gained."""


class TileSummary(NamedTuple):
    """What a tile adds: gains of every damper by (unit_id, position), motion and distance.

    distance_m: None where speed is unknown. gains: of tiles that follow each other within the grace time, all in
    motion or all at rest, those of all of them may stand with the first.
    """

    epoch: int
    tile: int
    start_ns: int
    end_ns: int
    moving: bool
    distance_m: float | None
    gains: Gains


@dataclass(slots=True)
class _Share:
    unit_id: str
    position: str
    settled: Totals = field(default_factory=Totals)
    since_motion: Totals | None = None


class TripTracker:
    """Knows the open trip; what happened since the last motion counts once motion resumes."""

    def __init__(self, grace_ns: int) -> None:
        self.grace_ns = grace_ns
        self._key: tuple[int, int] | None = None
        self._start_ns = self._end_ns = 0
        self._moving_us = 0
        self._distance_m: float | None = None
        self._shares: dict[tuple[str, str], _Share] = {}

    @property
    def is_open(self) -> bool:
        """Return whether a trip is going on."""
        return self._key is not None

    def update(self, tile: TileSummary) -> list[TripRow]:
        """Take a tile; return the trip if this tile ended it."""
        ended = []
        if self._key is not None and tile.end_ns - self._end_ns > self.grace_ns:
            ended = self.close()
        if self._key is None:
            if not tile.moving:
                return ended
            self._key = (tile.epoch, tile.tile)
            self._start_ns = tile.start_ns
        for unit_id, position, gained in tile.gains:
            share = self._shares.get((unit_id, position))
            if share is None:
                share = self._shares[unit_id, position] = _Share(unit_id, position)
            if tile.moving:
                share.settled.merge(gained)
            elif share.since_motion is None:
                share.since_motion = gained.copy()
            else:
                share.since_motion.merge(gained)
        if tile.moving:
            self._take_motion(tile)
        return ended

    def add(self, gains: list[tuple[str, str, Totals]]) -> None:
        """Take what became certain after the last tile: strokes ended by the end of the run."""
        for unit_id, position, gained in gains:
            share = self._shares.get((unit_id, position))
            if share is not None:
                share.settled.merge(gained)

    def _take_motion(self, tile: TileSummary) -> None:
        self._end_ns = tile.end_ns
        self._moving_us += (tile.end_ns - tile.start_ns) // 1000
        if tile.distance_m is not None:
            self._distance_m = (self._distance_m or 0.0) + tile.distance_m
        for share in self._shares.values():
            if share.since_motion is not None:
                share.settled.merge(share.since_motion)
                share.since_motion = None

    def continues_at(self, start_ns: int) -> bool:
        """Return whether a run that starts at this instant of the same clock belongs to the open trip."""
        return self._key is not None and -OVERLAP_NS <= start_ns - self._end_ns <= self.grace_ns

    def shift_clock(self, by_ns: int) -> None:
        """Move the open trip to a new monotonic clock that is `by_ns` ahead of the old one."""
        self._start_ns += by_ns
        self._end_ns += by_ns

    def correct(self, stored: TripRow) -> None:
        """Raise the open trip to a stored row of it that the log can no longer prove (truncated card)."""
        if self._key != (stored.epoch, stored.start_tile):
            return
        self._end_ns = max(self._end_ns, stored.end_ns)
        self._moving_us = max(self._moving_us, stored.moving_us)
        if stored.distance_m is not None:
            self._distance_m = max(self._distance_m or 0.0, stored.distance_m)
        for damper in stored.dampers:
            key = (damper.unit_id, damper.position)
            share = self._shares.setdefault(key, _Share(*key))
            share.settled.raise_to(damper.totals)

    def close(self) -> list[TripRow]:
        """End the open trip, if any, and return it."""
        row = self.row(is_open=False)
        self._key = None
        self._moving_us, self._distance_m = 0, None
        self._shares = {}
        return [] if row is None else [row]

    def row(self, *, is_open: bool = True) -> TripRow | None:
        """Return the trip up to its last motion, None while there is none."""
        if self._key is None:
            return None
        dampers = tuple(TripDamper(s.unit_id, s.position, s.settled.copy()) for s in self._shares.values())
        return TripRow(*self._key, self._start_ns, self._end_ns, is_open, self._moving_us, self._distance_m, dampers)

    def to_dict(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        return {
            "key": self._key,
            "span": [self._start_ns, self._end_ns],
            "moving_us": self._moving_us,
            "distance_m": self._distance_m,
            "shares": [
                [s.unit_id, s.position, s.settled.as_row(), (s.since_motion or Totals()).as_row()]
                for s in self._shares.values()
            ],
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take back what `to_dict` gave."""
        self._key = None if data["key"] is None else (int(data["key"][0]), int(data["key"][1]))
        self._start_ns, self._end_ns = data["span"]
        self._moving_us, self._distance_m = data["moving_us"], data["distance_m"]
        self._shares = {
            (unit, position): _Share(unit, position, Totals(*settled), Totals(*rest))
            for unit, position, settled, rest in data["shares"]
        }

"""60-second rows per damper, gathered tile by tile."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from dutylog.duty.totals import Totals
from dutylog.engine.output import MinuteRow
from dutylog.engine.trips import TileSummary

TILES = 60
Means = Sequence[float | None]


class _Mean:
    """Sum and number of the values seen."""

    __slots__ = ("count", "total")

    def __init__(self, total: float = 0.0, count: int = 0) -> None:
        self.total, self.count = total, count

    def add(self, values: Iterable[float | None]) -> None:
        for value in values:
            if value is not None:
                self.total += value
                self.count += 1

    def get(self) -> float | None:
        return self.total / self.count if self.count else None


class MinuteTracker:
    """The minute being filled."""

    def __init__(self) -> None:
        self._minute: tuple[int, int] | None = None
        self._start_ns = self._end_ns = 0
        self._totals: dict[tuple[str, str], Totals] = {}
        self._body: dict[tuple[str, str], _Mean] = {}
        self._ambient, self._speed = _Mean(), _Mean()

    def update(
        self, tiles: TileSummary, body_c: Sequence[Means], ambient_c: Means, speed_mps: Means
    ) -> list[MinuteRow]:
        """Take tiles of one minute; return the rows of the minute before if they begin a new one.

        tiles: all of them together. body_c: of each of their gains. All three: means of each tile, None when unknown.
        """
        rows: list[MinuteRow] = []
        minute = (tiles.epoch, tiles.tile // TILES)
        if self._minute != minute:
            rows = self.flush()
            self._minute, self._start_ns = minute, tiles.start_ns
        self._end_ns = tiles.end_ns
        for (unit_id, position, gained), warmths_c in zip(tiles.gains, body_c, strict=True):
            key = (unit_id, position)
            # Taken out and put back: the latest place of a unit stands last, see `flush`.
            totals = self._totals.pop(key, None) or Totals()
            totals.merge(gained)
            self._totals[key] = totals
            self._body.setdefault(key, _Mean()).add(warmths_c)
        self._ambient.add(ambient_c)
        self._speed.add(speed_mps)
        return rows

    def add(self, gains: list[tuple[str, str, Totals]]) -> None:
        """Take what became certain after the last tile: strokes ended by the end of the run."""
        for unit_id, position, gained in gains:
            if (unit_id, position) in self._totals:
                self._totals[unit_id, position].merge(gained)

    def flush(self) -> list[MinuteRow]:
        """Return the rows gathered so far and begin anew."""
        if self._minute is None:
            return []
        duration_us = (self._end_ns - self._start_ns) // 1000
        rows: dict[str, MinuteRow] = {}
        for (unit_id, position), totals in self._totals.items():
            # A unit that changed places within the minute has one row, at the place it went to.
            if unit_id in rows:
                totals.merge(rows.pop(unit_id).totals)
            rows[unit_id] = MinuteRow(
                unit_id=unit_id,
                position=position,
                epoch=self._minute[0],
                minute=self._minute[1],
                start_ns=self._start_ns,
                duration_us=duration_us,
                totals=totals,
                body_mean_c=self._body[unit_id, position].get(),
                ambient_mean_c=self._ambient.get(),
                speed_mean_mps=self._speed.get(),
            )
        self._minute = None
        self._totals, self._body = {}, {}
        self._ambient, self._speed = _Mean(), _Mean()
        return list(rows.values())

    def to_dict(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        return {
            "minute": self._minute,
            "span": [self._start_ns, self._end_ns],
            "dampers": [
                [*key, totals.as_row(), self._body[key].total, self._body[key].count]
                for key, totals in self._totals.items()
            ],
            "means": [self._ambient.total, self._ambient.count, self._speed.total, self._speed.count],
        }

    def restore(self, data: dict[str, Any]) -> None:
        """Take back what `to_dict` gave."""
        self._minute = None if data["minute"] is None else (int(data["minute"][0]), int(data["minute"][1]))
        self._start_ns, self._end_ns = data["span"]
        self._totals = {(u, p): Totals(*row) for u, p, row, _, _ in data["dampers"]}
        self._body = {(u, p): _Mean(total, count) for u, p, _, total, count in data["dampers"]}
        total, count, speed_total, speed_count = data["means"]
        self._ambient, self._speed = _Mean(total, count), _Mean(speed_total, speed_count)

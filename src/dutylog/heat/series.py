"""What a live run would have shown of a recording's heat, tile by tile."""

from __future__ import annotations

import json
from array import array
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from dutylog.domain.vehicle import Vehicle
from dutylog.engine.output import HeatReset, TileHeat
from dutylog.heat.vehicle_heat import DamperHeat, VehicleHeat

SPEEDS_MPS = (0, 5, 10, 16, 20, 30)
"""Speeds at which the identified hA is told."""


PIECE_PAIRS = 10_000
OUTPUT_TILES = 10
"""Damping output is told after so many tiles; it is judged no more often (heat/damping.py)."""


@dataclass(slots=True)
class DamperSeries:
    """One damper's heat over a recording: a value a tile in plain arrays, so that days of it fit; and its end."""

    ends_s: array[float] = field(default_factory=lambda: array("d"))
    oil_c: array[float] = field(default_factory=lambda: array("f"))
    output_ends_s: array[float] = field(default_factory=lambda: array("d"))
    output_ratio: array[float] = field(default_factory=lambda: array("f"))
    lost_s: float | None = None
    oil_sd_k: float = 0.0
    ha_w_per_k: dict[str, float] = field(default_factory=dict)

    def json_pieces(self) -> Iterator[str]:
        """Yield the keys of `dutylog integrate` (shared/INTEGRATE.md) as JSON, comma between them, piece by piece.

        A list of days as Python objects, and its text beside it, would take fifteen times what is kept here.
        """
        yield '"oil_c": ['
        yield from _pairs(self.ends_s, self.oil_c, 3)
        yield f'], "oil_sd_k": {json.dumps(self.oil_sd_k)}, "ha_w_per_k": {json.dumps(self.ha_w_per_k)}'
        yield ', "damping_output": ['
        yield from _pairs(self.output_ends_s, self.output_ratio, 4)
        yield f'], "damping_lost_s": {json.dumps(self.lost_s)}'


def _pairs(ends_s: array[float], values: array[float], digits: int) -> Iterator[str]:
    """Yield [time, value] lists as JSON, comma between them."""
    for start in range(0, len(values), PIECE_PAIRS):
        part = slice(start, start + PIECE_PAIRS)
        rows = [[end_s, round(value, digits)] for end_s, value in zip(ends_s[part], values[part], strict=True)]
        yield (", " if start else "") + json.dumps(rows, allow_nan=False)[1:-1]


class HeatSeries:
    """Follows a recording's tiles."""

    def __init__(self) -> None:
        self._heat = VehicleHeat(on_tile=self._note, is_foretelling=False)
        self._dampers: dict[str, DamperSeries] = {}

    def take(self, vehicle: Vehicle, rows: Iterable[TileHeat | HeatReset]) -> None:
        """Take in what the engine made of one or more tiles."""
        self._heat.take(vehicle, rows)

    def _note(self, tile: TileHeat, damper: DamperHeat) -> None:
        series = self._dampers.get(tile.position)
        if series is None:
            series = self._dampers[tile.position] = DamperSeries()
        series.ends_s.append(round(tile.end_ns * 1e-9, 3))
        series.oil_c.append(damper.observer.oil_c)
        if len(series.ends_s) % OUTPUT_TILES:
            return
        output = damper.damping.now()
        if output.ratio is not None:
            series.output_ends_s.append(series.ends_s[-1])
            series.output_ratio.append(output.ratio)
        if output.state == "lost" and series.lost_s is None:
            series.lost_s = series.ends_s[-1]

    def finish(self) -> dict[str, DamperSeries]:
        """Return what came of it, by position; a damper without a tile isn't there."""
        for position, series in self._dampers.items():
            damper = self._heat.damper(position)
            if damper is None:
                continue
            series.oil_sd_k = damper.observer.state().oil_sd_k
            laws = damper.observer.laws()
            series.ha_w_per_k = {str(speed): laws.ha_w_per_k(speed) for speed in SPEEDS_MPS}
        return self._dampers

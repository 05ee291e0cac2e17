"""A small still picture of a charge by day: where each mark stands in a box of fixed size."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

WIDTH, HEIGHT = 360.0, 200.0
LEFT, RIGHT, TOP, BOTTOM = 62.0, 12.0, 12.0, 26.0
"""Margins for the figures beside and below."""
LEAST_SPAN_PA = 1e5
"""Of the upright axis: a bar, so that a gauge's doubt doesn't look like a leak. Source: judgement."""


@dataclass(frozen=True, slots=True)
class PlotPoint:
    """A reading: day (ordinal), pressure with 95 of 100 within, and whether a new stretch begins with it."""

    day: int
    pressure_pa: float
    within_pa: float
    begins: bool


@dataclass(frozen=True, slots=True)
class Mark:
    """A reading in the picture: its middle, and the ends of its range."""

    x: float
    y: float
    high_y: float
    low_y: float
    begins: bool


@dataclass(frozen=True, slots=True)
class Level:
    """A pressure at a height of the picture."""

    y: float
    pressure_pa: float


@dataclass(frozen=True, slots=True)
class GasPlot:
    """The picture. lines: one for each stretch, as an SVG list of points. levels: what stands beside it."""

    marks: tuple[Mark, ...]
    lines: tuple[str, ...]
    top: Level
    bottom: Level
    target: Level | None
    limit: Level | None
    first_day: str
    last_day: str
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = WIDTH - RIGHT
    base: float = HEIGHT - BOTTOM


def draw(points: Sequence[PlotPoint], target_pa: float | None, limit_pa: float | None) -> GasPlot | None:
    """Return the picture, None where the readings are of fewer than two days.

    Args:
        points: the oldest first. target_pa, limit_pa: lines across, None without.
    """
    if not points or points[0].day == points[-1].day:
        return None
    ends = [point.pressure_pa + sign * point.within_pa for point in points for sign in (-1.0, 1.0)]
    ends += [one for one in (target_pa, limit_pa) if one is not None]
    middle, half = (max(ends) + min(ends)) / 2.0, max(max(ends) - min(ends), LEAST_SPAN_PA) / 2.0
    first, days = points[0].day, points[-1].day - points[0].day
    tall = HEIGHT - TOP - BOTTOM

    def at_y(pressure_pa: float) -> float:
        return round(TOP + tall * (middle + half - pressure_pa) / (2.0 * half), 1)

    def at_x(day: int) -> float:
        return round(LEFT + 8.0 + (WIDTH - LEFT - RIGHT - 16.0) * (day - first) / days, 1)

    marks = tuple(
        Mark(
            at_x(point.day),
            at_y(point.pressure_pa),
            at_y(point.pressure_pa + point.within_pa),
            at_y(point.pressure_pa - point.within_pa),
            point.begins,
        )
        for point in points
    )
    return GasPlot(
        marks,
        _lines(marks),
        Level(TOP, middle + half),
        Level(HEIGHT - BOTTOM, middle - half),
        None if target_pa is None else Level(at_y(target_pa), target_pa),
        None if limit_pa is None else Level(at_y(limit_pa), limit_pa),
        date.fromordinal(first).isoformat(),
        date.fromordinal(points[-1].day).isoformat(),
    )


def _lines(marks: Sequence[Mark]) -> tuple[str, ...]:
    stretches: list[list[Mark]] = []
    for mark in marks:
        if mark.begins or not stretches:
            stretches.append([])
        stretches[-1].append(mark)
    return tuple(" ".join(f"{mark.x},{mark.y}" for mark in one) for one in stretches if len(one) > 1)

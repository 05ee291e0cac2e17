"""Force curves as a picture: the profile's, as found, and after the build, in one frame of axes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dutylog.domain.vehicle import Profile

WIDTH, HEIGHT = 640.0, 360.0
LEFT, RIGHT, TOP, BOTTOM = 74.0, 14.0, 14.0, 46.0
MOST_TICKS = 6
Line = tuple[tuple[float, float], ...]
"""Points of (speed [m/s], force [N]), by rising speed."""


@dataclass(frozen=True, slots=True)
class Tick:
    """A mark of an axis. place: in the picture. kind, value: as domain.quantity has it; '' for newtons."""

    place: float
    value: float
    text: str


@dataclass(frozen=True, slots=True)
class Picture:
    """Lines as points of SVG, '' where there is none; zero_x, zero_y: where the axes cross."""

    profile: str
    found: str
    after: str
    speeds: tuple[Tick, ...]
    forces: tuple[Tick, ...]
    zero_x: float
    zero_y: float


def profile_line(profile: Profile, reach_mps: float) -> Line:
    """Return a profile's curve at mid stroke as far as another one reaches, by straight lines as it is stated."""
    nearest = min(profile.force, key=lambda one: abs(one.travel_m - profile.stroke_m / 2.0)).curve
    low, high = max(-reach_mps, nearest.speeds_mps[0]), min(reach_mps, nearest.speeds_mps[-1])
    speeds = sorted({low, high, *(one for one in nearest.speeds_mps if low < one < high)})
    forces = np.interp(speeds, nearest.speeds_mps, nearest.forces_n)
    return tuple((speed, float(force)) for speed, force in zip(speeds, forces, strict=True))


def draw(profile: Line, found: Line, after: Line = ()) -> Picture:
    """Return the picture of up to three curves; at least one has a point."""
    points = [*profile, *found, *after]
    speeds, forces = _span([one for one, _ in points]), _span([one for _, one in points])

    def x(speed: float) -> float:
        return LEFT + (speed - speeds[0]) / (speeds[1] - speeds[0]) * (WIDTH - LEFT - RIGHT)

    def y(force: float) -> float:
        return TOP + (forces[1] - force) / (forces[1] - forces[0]) * (HEIGHT - TOP - BOTTOM)

    def points_of(line: Line) -> str:
        return " ".join(f"{x(speed):.1f},{y(force):.1f}" for speed, force in line)

    return Picture(
        points_of(profile),
        points_of(found),
        points_of(after),
        tuple(Tick(round(x(one), 1), one, f"{one:g}") for one in _ticks(*speeds)),
        tuple(Tick(round(y(one), 1), one, f"{one:g}") for one in _ticks(*forces)),
        round(x(0.0), 1),
        round(y(0.0), 1),
    )


def _span(values: Sequence[float]) -> tuple[float, float]:
    """Return least and most, zero among them, with some room, never alike."""
    low, high = min(0.0, *values), max(0.0, *values)
    room = 0.04 * (high - low) or 1.0
    return low - room, high + room


def _ticks(low: float, high: float) -> list[float]:
    """Return round figures within a span, at most MOST_TICKS of them and zero among them."""
    rough = (high - low) / MOST_TICKS
    size = 10.0 ** math.floor(math.log10(rough))
    step = next(one * size for one in (1.0, 2.0, 5.0, 10.0) if one * size >= rough)
    first = math.ceil(low / step)
    return [round(at * step, 9) for at in range(first, math.floor(high / step) + 1)]

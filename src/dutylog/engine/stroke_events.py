"""Single strokes and bottom-outs with their instants, found in the runs that the duty is made of.

A second reading of the definitions in shared/CONVENTIONS.md beside `duty.strokes`, which keeps no
single stroke and no speeds; tests/engine/test_signals.py holds the two together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.duty.damper_duty import BOTTOM_UM, REARM_UM
from dutylog.duty.strokes import GATE_UM

Ints = NDArray[np.int64]
Floats = NDArray[np.float32] | NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class StrokeEvent:
    """One stroke. Times [ns] of its first and last extreme, length_um > 0, direction +1 compression,
    peak_mps: largest shaft speed [m/s] in its direction, >= 0."""

    start_ns: int
    end_ns: int
    length_um: int
    direction: int
    peak_mps: float


@dataclass(frozen=True, slots=True)
class BottomOutEvent:
    """One bottom-out: instant [ns] of the up-crossing and shaft speed [m/s] there."""

    start_ns: int
    speed_mps: float


@dataclass(frozen=True, slots=True)
class _Point:
    travel_um: int
    time_ns: int


class StrokeFinder:
    """Follows unbroken travel; a stroke comes out once travel has come back by 3 mm, or was lost (`finish`)."""

    def __init__(self) -> None:
        self._clear()

    def update(self, travel_um: Ints, speed_mps: Floats, times_ns: Ints) -> list[StrokeEvent]:
        """Take samples (n,) that directly follow the last ones; return the strokes that became certain."""
        places = _turning_places(travel_um)
        ups, downs = self._peaks(speed_mps, places)
        points = zip(travel_um[places].tolist(), times_ns[places].tolist(), ups, downs, strict=True)
        taken = [self._take(_Point(reached_um, time_ns), up, down) for reached_um, time_ns, up, down in points]
        return [stroke for stroke in taken if stroke is not None]

    def finish(self) -> list[StrokeEvent]:
        """Travel ends here: return the open stroke, if it is one."""
        events = [self._stroke()] if self._direction else []
        self._clear()
        return events

    def _clear(self) -> None:
        self._direction = 0
        self._low: _Point | None = None
        self._high: _Point | None = None
        self._pivot = self._extreme = _Point(0, 0)
        self._peak = 0.0
        # Largest speeds up and down since `low`/`high` without a direction, since `extreme` with one.
        self._up = self._down = 0.0
        self._tail = (0.0, 0.0)

    def _peaks(self, speed_mps: Floats, places: Ints) -> tuple[list[float], list[float]]:
        """Return the largest speed up and down on the way to each place; what follows the last is kept."""
        ups = np.maximum(np.maximum.reduceat(speed_mps, places), 0.0).tolist()
        downs = np.maximum(-np.minimum.reduceat(speed_mps, places), 0.0).tolist()
        ups, downs = [self._tail[0], *ups], [self._tail[1], *downs]
        self._tail = (ups.pop(), downs.pop())
        return ups, downs

    def _take(self, point: _Point, up: float, down: float) -> StrokeEvent | None:
        self._up, self._down = max(self._up, up), max(self._down, down)
        if not self._direction:
            self._find_direction(point)
            return None
        gone_um = (point.travel_um - self._extreme.travel_um) * self._direction
        if gone_um > 0:
            self._peak = max(self._peak, self._up if self._direction > 0 else self._down)
            self._extreme, self._up, self._down = point, 0.0, 0.0
            return None
        if -gone_um < GATE_UM:
            return None
        event = self._stroke()
        self._begin(self._extreme, point, -self._direction)
        return event

    def _find_direction(self, point: _Point) -> None:
        if self._low is None or self._high is None:
            self._low = self._high = point
            self._up = self._down = 0.0
            return
        if point.travel_um < self._low.travel_um:
            self._low, self._up = point, 0.0
        elif point.travel_um > self._high.travel_um:
            self._high, self._down = point, 0.0
        if point.travel_um - self._low.travel_um >= GATE_UM:
            self._begin(self._low, point, 1)
        elif self._high.travel_um - point.travel_um >= GATE_UM:
            self._begin(self._high, point, -1)

    def _begin(self, pivot: _Point, extreme: _Point, direction: int) -> None:
        self._pivot, self._extreme, self._direction = pivot, extreme, direction
        self._peak = self._up if direction > 0 else self._down
        self._up = self._down = 0.0

    def _stroke(self) -> StrokeEvent:
        length_um = abs(self._extreme.travel_um - self._pivot.travel_um)
        return StrokeEvent(self._pivot.time_ns, self._extreme.time_ns, length_um, self._direction, self._peak)


class BottomOutFinder:
    """Up-crossings of stroke - 3 mm, armed again below stroke - 6 mm; breaks in travel change nothing."""

    def __init__(self, stroke_um: int) -> None:
        self._hit_um, self._free_um = stroke_um - BOTTOM_UM, stroke_um - REARM_UM
        self._armed = True

    def update(self, travel_um: Ints, speed_mps: Floats, times_ns: Ints) -> list[BottomOutEvent]:
        """Take samples (n,); return the bottom-outs in them."""
        mark = (travel_um >= self._hit_um).astype(np.int8) - (travel_um < self._free_um)
        places = np.flatnonzero(mark)
        if not len(places):
            return []
        marks = mark[places]
        before = np.concatenate(([-1 if self._armed else 1], marks[:-1]))
        self._armed = bool(marks[-1] < 0)
        return [
            BottomOutEvent(int(times_ns[place]), float(speed_mps[place]))
            for place in places[(marks > 0) & (before < 0)].tolist()
        ]


def _turning_places(travel_um: Ints) -> Ints:
    """Return the indices of the first sample and of every local extreme where it is first reached."""
    step = np.diff(travel_um)
    moves = np.flatnonzero(step)
    rising = step[moves] > 0
    turns = moves[:-1][rising[1:] != rising[:-1]] + 1
    return np.concatenate(([0], turns, moves[-1:] + 1)).astype(np.int64)

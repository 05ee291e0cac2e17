"""Strokes: excursions between reversals that come back by at least 3 mm.

A `Chain` is the hysteresis filter over one unbroken stretch of travel, written so that a later
stretch can be joined to it exactly. Its first pivot stays open to revision, because an earlier
stretch may move it; everything after its first confirmed reversal never changes. Proof in
shared/STROKES.md; tests/duty/test_strokes.py splits random series at every point.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.duty.rainflow import Rainflow

GATE_UM = 3_000
"""A reversal counts once travel has come back this far (shared/CONVENTIONS.md)."""
LENGTH_BIN_UM = 5_000
FREQUENCY_EDGES_HZ = (0.5, 1.0, 2.0, 3.0, 4.0, 6.0, 8.0, 10.0, 12.0, 15.0, 20.0, 25.0, 30.0, 40.0)
"""Classes of stroke frequency, 1 / (2 x duration of the stroke); the outer two are open."""
LENGTH_BINS = 128
_GATHERED = 2_048
_FREQUENCY_EDGES = np.array(FREQUENCY_EDGES_HZ)

Ints = NDArray[np.int64]
_NONE: Ints = np.empty(0, dtype=np.int64)
Point = tuple[int, int]
"""Travel [um] and the time [ns] it was first reached."""


class StrokeCounts:
    """Finished strokes: number, length and classes. Lengths in um, classes of 5 mm, the last one open."""

    __slots__ = ("_table", "_waiting", "_waiting_count", "compression_count", "strokes_count", "travel_um")

    def __init__(self) -> None:
        self.strokes_count = 0
        self.compression_count = 0
        self.travel_um = 0
        # Rows: compression by length, rebound by length, all by frequency.
        self._table = np.zeros((3, LENGTH_BINS), dtype=np.int64)
        # Lengths and durations of strokes whose classes nobody has asked for yet.
        self._waiting: list[tuple[Ints, Ints]] = []
        self._waiting_count = 0

    @property
    def compression_by_length(self) -> dict[int, int]:
        """Return compression strokes by class of length, empty classes left out."""
        return self._row(0)

    @property
    def rebound_by_length(self) -> dict[int, int]:
        """Return rebound strokes by class of length, empty classes left out."""
        return self._row(1)

    @property
    def by_frequency(self) -> dict[int, int]:
        """Return strokes by class of frequency, empty classes left out."""
        return self._row(2)

    def add(self, pivots_um: Ints, pivots_ns: Ints) -> None:
        """Count the strokes between each two of some turning points in order: travel [um] and time [ns]."""
        if len(pivots_um) < 2:
            return
        # Not np.diff: a second holds few strokes, of which each call costs more than they do.
        length_um = pivots_um[1:] - pivots_um[:-1]
        self.strokes_count += len(length_um)
        self.compression_count += int(np.count_nonzero(length_um > 0))
        self.travel_um += int(np.add.reduce(np.abs(length_um)))
        self._waiting.append((length_um, pivots_ns[1:] - pivots_ns[:-1]))
        self._waiting_count += len(length_um)
        if self._waiting_count >= _GATHERED:
            self._classify()

    def _classify(self) -> None:
        """Put the strokes that wait into their classes."""
        if not self._waiting:
            return
        length_um, duration_ns = (np.concatenate(part) for part in zip(*self._waiting, strict=True))
        self._waiting, self._waiting_count = [], 0
        group = np.minimum(np.abs(length_um) // LENGTH_BIN_UM, LENGTH_BINS - 1) + LENGTH_BINS * (length_um <= 0)
        self._table[:2] += np.bincount(group, minlength=2 * LENGTH_BINS).reshape(2, -1)
        frequency = np.searchsorted(_FREQUENCY_EDGES, 5e8 / np.maximum(1, duration_ns), side="right")
        self._table[2] += np.bincount(frequency, minlength=LENGTH_BINS)

    @property
    def _classes(self) -> Ints:
        self._classify()
        return self._table

    def add_one(self, start: Point, end: Point) -> None:
        """Count one stroke."""
        self.add(*np.array((start, end), dtype=np.int64).T)

    def merge(self, other: StrokeCounts) -> None:
        """Add other strokes."""
        self.strokes_count += other.strokes_count
        self.compression_count += other.compression_count
        self.travel_um += other.travel_um
        self._table += other._classes

    def copy(self) -> StrokeCounts:
        """Return an independent copy."""
        counts = StrokeCounts()
        counts.merge(self)
        return counts

    def to_list(self) -> list[Any]:
        """Return the state in JSON types."""
        groups = [sorted(self._row(row).items()) for row in range(3)]
        return [self.strokes_count, self.compression_count, self.travel_um, *groups]

    @staticmethod
    def from_list(data: list[Any]) -> StrokeCounts:
        """Restore what `to_list` gave."""
        counts = StrokeCounts()
        counts.strokes_count, counts.compression_count, counts.travel_um = (int(x) for x in data[:3])
        for row, group in enumerate(data[3:]):
            for key, count in group:
                counts._table[row, key] = count
        return counts

    def __eq__(self, other: object) -> bool:
        return isinstance(other, StrokeCounts) and self.to_list() == other.to_list()

    __hash__ = None  # type: ignore[assignment]

    def __repr__(self) -> str:
        return f"StrokeCounts.from_list({self.to_list()})"

    def _row(self, row: int) -> dict[int, int]:
        return {int(key): int(self._classes[row, key]) for key in np.flatnonzero(self._classes[row])}


@dataclass(slots=True)
class Chain:
    """State of the filter over one unbroken stretch.

    low, high: extremes while no direction is known (None while empty). direction: +1 compression,
    -1 rebound, 0 unknown. first: first pivot. second: end of the first stroke, kept apart in a head
    only. last: latest pivot. extreme: furthest point of the open stroke. reversals: pivots after the first.
    """

    low: Point | None = None
    high: Point | None = None
    direction: int = 0
    first: Point | None = None
    second: Point | None = None
    last: Point | None = None
    extreme: Point | None = None
    reversals: int = 0

    def find_direction(self, point: Point) -> bool:
        """Take a point while no direction is known; return True when it gives one."""
        if self.low is None or self.high is None:
            self.low = self.high = point
            return False
        if point[0] < self.low[0]:
            self.low = point
        elif point[0] > self.high[0]:
            self.high = point
        if point[0] - self.low[0] >= GATE_UM:
            self.direction, self.first = 1, self.low
        elif self.high[0] - point[0] >= GATE_UM:
            self.direction, self.first = -1, self.high
        else:
            return False
        self.last, self.extreme = self.first, point
        self.low = self.high = None
        return True

    def copy(self) -> Chain:
        """Return an independent copy."""
        return Chain(*(getattr(self, name) for name in self.__slots__))


@dataclass(slots=True)
class Strokes:
    """Strokes of a stretch with any number of breaks; splits and merges exactly.

    head: the leftmost chain, whose first stroke an earlier stretch can still change. tail: the chain
    that goes on after the latest break, None while unbroken. counts: strokes whose both ends are
    certain. flow: rainflow of all pivots but the head's first.
    """

    head: Chain = field(default_factory=Chain)
    tail: Chain | None = None
    counts: StrokeCounts = field(default_factory=StrokeCounts)
    flow: Rainflow = field(default_factory=Rainflow)

    def update(self, path_um: Ints, times_ns: Ints) -> tuple[list[int], Ints]:
        """Take the turning points of unbroken travel in order, ends included: travel [um] and time [ns].

        Returns:
            of each stroke whose end became certain, the number of the point that showed it and its
            length [um], positive for compression.
        """
        chain = self.head if self.tail is None else self.tail
        path = path_um.tolist()
        first = 0
        while chain.extreme is None and first < len(path):
            if chain.find_direction((path[first], int(times_ns[first]))) and self.tail is not None:
                self.flow.update((chain.first[0],) if chain.first is not None else ())
            first += 1
        if chain.extreme is None or first == len(path):
            return [], _NONE
        shown, ends, last, is_rising = _find_reversals(path, first, chain.extreme[0], chain.direction > 0)
        chain.direction = 1 if is_rising else -1
        old_extreme = chain.extreme
        if last >= 0:
            chain.extreme = (path[last], int(times_ns[last]))
        if not shown:
            return [], _NONE
        # The pivots from the latest one known before; its successor may be the extreme known before.
        places = np.array([0, *ends])
        pivots_um, pivots_ns = path_um.take(places), times_ns.take(places)
        pivots_um[0], pivots_ns[0] = chain.last if chain.last is not None else old_extreme
        if ends[0] < 0:
            pivots_um[1], pivots_ns[1] = old_extreme
        apart = chain.reversals == 0 and self.tail is None
        if apart:
            chain.second = (int(pivots_um[1]), int(pivots_ns[1]))
        self.counts.add(pivots_um[apart:], pivots_ns[apart:])
        self.flow.update(pivots_um[1:])
        chain.reversals += len(ends)
        chain.last = (int(pivots_um[-1]), int(pivots_ns[-1]))
        return shown, pivots_um[1:] - pivots_um[:-1]

    def _feed(self, points: list[Point | None]) -> None:
        """Take single turning points."""
        path = np.array([point for point in points if point is not None], dtype=np.int64).reshape(-1, 2)
        self.update(path[:, 0], path[:, 1])

    def _confirm(self, chain: Chain, pivot: Point) -> int:
        """Take the end of a stroke as certain; return its length [um], positive for compression."""
        self.flow.update((pivot[0],))
        last = chain.last if chain.last is not None else pivot
        if chain.reversals == 0 and self.tail is None:
            chain.second = pivot
        else:
            self.counts.add_one(last, pivot)
        chain.reversals += 1
        chain.last = pivot
        return pivot[0] - last[0]

    def break_off(self) -> int:
        """End the open stroke: travel was lost here, or the run is over. Returns its length [um], 0 if none."""
        chain = self.head if self.tail is None else self.tail
        length_um = 0 if chain.extreme is None else self._confirm(chain, chain.extreme)
        self.tail = Chain()
        return length_um

    def merge(self, later: Strokes) -> None:
        """Add a later stretch that begins with the sample after this one's last."""
        head, broken = later.head, later.tail is not None
        if head.extreme is None:
            self._feed([head.low, head.high])
        else:
            self._join(head, broken)
        if later.tail is not None:
            if head.extreme is None or head.reversals == 1:
                self.break_off()
            self.tail = later.tail.copy()
        self.counts.merge(later.counts)
        self.flow.merge(later.flow)

    def _join(self, head: Chain, broken: bool) -> None:
        """Go on with a later head of known direction; feeding the ends of its first stroke is enough."""
        end = head.extreme if head.second is None else head.second
        self._feed([head.first, end])
        if head.second is None or (broken and head.reversals == 1):
            return
        mine = self.head if self.tail is None else self.tail
        # later.flow begins with this same pivot; pushed twice in a row it counts once.
        self._confirm(mine, head.second)
        mine.direction, mine.last, mine.extreme = head.direction, head.last, head.extreme
        mine.reversals += head.reversals - 1

    def confirmed(self) -> StrokeCounts:
        """Return the strokes whose end is certain, the first one included."""
        counts = self.counts.copy()
        if self.head.first is not None and self.head.second is not None:
            counts.add_one(self.head.first, self.head.second)
        return counts

    def finished(self) -> StrokeCounts:
        """Return all strokes as if travel ended here."""
        whole = _copy_strokes(self)
        whole.break_off()
        return whole.confirmed()

    def rainflow(self) -> Rainflow:
        """Return the rainflow count as if travel ended here."""
        whole = _copy_strokes(self)
        whole.break_off()
        flow = Rainflow()
        if whole.head.first is not None:
            flow.update([whole.head.first[0]])
        flow.merge(whole.flow)
        return flow

    def to_dict(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        return {
            "head": _chain_to_list(self.head),
            "tail": None if self.tail is None else _chain_to_list(self.tail),
            "counts": self.counts.to_list(),
            "flow": self.flow.to_dict(),
        }

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Strokes:
        """Restore what `to_dict` gave."""
        return Strokes(
            head=_chain_from_list(data["head"]),
            tail=None if data["tail"] is None else _chain_from_list(data["tail"]),
            counts=StrokeCounts.from_list(data["counts"]),
            flow=Rainflow.from_dict(data["flow"]),
        )


def _find_reversals(
    path: list[int], first: int, extreme: int, is_rising: bool
) -> tuple[list[int], list[int], int, bool]:
    """Return where travel had come back by the gate, where it turned, the open extreme and its direction.

    path: travel [um]; from `first` on it goes on from a stroke whose furthest point so far is `extreme`.
    A place of -1 is that point.
    """
    shown: list[int] = []
    ends: list[int] = []
    last = -1
    # The difference to the mark where a stroke turns: one comparison says that nothing happens.
    back = extreme - GATE_UM if is_rising else extreme + GATE_UM
    for number in range(first, len(path)):
        place = path[number]
        if is_rising:
            if place > extreme:
                extreme, last, back = place, number, place - GATE_UM
            elif place <= back:
                shown.append(number)
                ends.append(last)
                extreme, last, back, is_rising = place, number, place + GATE_UM, False
        elif place < extreme:
            extreme, last, back = place, number, place + GATE_UM
        elif place >= back:
            shown.append(number)
            ends.append(last)
            extreme, last, back, is_rising = place, number, place - GATE_UM, True
    return shown, ends, last, is_rising


def _copy_strokes(strokes: Strokes) -> Strokes:
    tail = None if strokes.tail is None else strokes.tail.copy()
    return Strokes(strokes.head.copy(), tail, strokes.counts.copy(), strokes.flow.copy())


def _chain_to_list(chain: Chain) -> list[Any]:
    return [getattr(chain, name) for name in chain.__slots__]


def _chain_from_list(data: list[Any]) -> Chain:
    low, high, direction, first, second, last, extreme, reversals = data
    points = [None if p is None else (int(p[0]), int(p[1])) for p in (low, high, first, second, last, extreme)]
    return Chain(points[0], points[1], int(direction), points[2], points[3], points[4], points[5], int(reversals))

"""Rainflow counting that can be stopped, stored, split and merged without changing the count.

Source: ASTM E1049-85 (2017) section 5.4.4. The four-point form is used: an inner range no larger than
both its neighbours is one closed cycle and leaves the sequence. What remains (the residue) grows and
then shrinks; counting its ranges as half cycles gives exactly the count of the standard
(tests/duty/test_rainflow.py). The residue of two parts put together reduces to the residue of the whole.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

BIN_UM = 5_000
"""Ranges are counted in classes of 5 mm: class k holds k*5 mm <= range < (k+1)*5 mm."""
_FEW, _WORTHWHILE, _GATHERED = 64, 16, 2_048
"""A pass over whole arrays pays for more points than this, and when it closes one point in 16. Measured."""

Ints = NDArray[np.int64]


class Rainflow:
    """Closed cycles by class of range, and the residue of turning points [um].

    Points that come as arrays are gathered and counted two thousand at a time, or when somebody looks.
    """

    __slots__ = ("_closed", "_gathered", "_gathered_count", "_residue")

    def __init__(self) -> None:
        self._closed: dict[int, int] = {}
        self._residue: list[int] = []
        self._gathered: list[Ints] = []
        self._gathered_count = 0

    @property
    def closed_counts(self) -> dict[int, int]:
        """Return closed cycles by class (live)."""
        self._count()
        return self._closed

    @property
    def residue_um(self) -> list[int]:
        """Return the turning points of no closed cycle (live)."""
        self._count()
        return self._residue

    def update(self, turning_um: Iterable[int] | Ints) -> None:
        """Add turning points [um] in order; points on the way between two others are left out."""
        if isinstance(turning_um, np.ndarray):
            self._gathered.append(turning_um)
            self._gathered_count += len(turning_um)
            if self._gathered_count >= _GATHERED:
                self._count()
        else:
            self._count()
            self._push(turning_um)

    def copy(self) -> Rainflow:
        """Return an independent copy."""
        flow = Rainflow()
        flow._closed, flow._residue = dict(self.closed_counts), list(self.residue_um)
        return flow

    def _count(self) -> None:
        """Count what was gathered."""
        if self._gathered:
            points = np.concatenate(self._gathered)
            self._gathered, self._gathered_count = [], 0
            self._push(self._close_inner(points).tolist())

    def _push(self, turning_um: Iterable[int]) -> None:
        stack, closed = self._residue, self._closed
        for point in turning_um:
            if len(stack) < 2:
                if not stack or point != stack[-1]:
                    stack.append(point)
                continue
            last = stack[-1]
            if point == last:
                continue
            if (point > last) == (last > stack[-2]):
                stack[-1] = point  # only prolongs the last leg
            else:
                stack.append(point)
            while len(stack) >= 4:
                outer, start, end, tip = stack[-4:]
                inner = abs(end - start)
                if inner > abs(tip - end) or inner > abs(start - outer):
                    break
                key = inner // BIN_UM
                closed[key] = closed.get(key, 0) + 1
                del stack[-3:-1]

    def _close_inner(self, turning_um: Ints) -> Ints:
        """Count inner cycles many at a time; return the turning points that are left.

        Which of several inner cycles closes first changes neither the count nor what is left, so all that
        don't touch each other close at once. Ends when a pass closes few: one by one is faster then.
        """
        if len(turning_um) > _FEW:
            turning_um = _leave_out_idle(turning_um)
        closed_um: list[Ints] = []
        while len(turning_um) > _FEW:
            # Where cycles close, points go on turning: what is left between them is longer than each of its parts.
            size = np.abs(turning_um[1:] - turning_um[:-1])
            middle = size[1:-1]
            inner = np.flatnonzero((middle <= size[:-2]) & (middle <= size[2:])) + 1
            if not len(inner):
                break
            begins = np.flatnonzero(inner[1:] - inner[:-1] > 1) + 1
            if len(begins) + 1 < len(inner):
                # Of cycles in a row that share a point (all are equally large) every second one closes.
                number = np.arange(len(inner))
                row = np.zeros_like(inner)
                row[begins] = begins
                inner = inner[(number - np.maximum.accumulate(row)) % 2 == 0]
            closed_um.append(size[inner])
            is_left = np.ones(len(turning_um), dtype=bool)
            is_left[inner] = is_left[inner + 1] = False
            turning_um = turning_um[is_left]
            if len(inner) * _WORTHWHILE < len(turning_um):
                break
        if closed_um:
            for key, count in enumerate(np.bincount(np.concatenate(closed_um) // BIN_UM).tolist()):
                if count:
                    self._closed[key] = self._closed.get(key, 0) + count
        return turning_um

    def merge(self, later: Rainflow) -> None:
        """Add the count of the turning points that followed."""
        self.update(later.residue_um)
        for key, count in later.closed_counts.items():
            self._closed[key] = self._closed.get(key, 0) + count

    def count_half_cycles(self) -> dict[int, int]:
        """Return half cycles by class, closed cycles and residue together (ASTM E1049)."""
        halves = {key: 2 * count for key, count in self.closed_counts.items()}
        for first, second in itertools.pairwise(self.residue_um):
            key = abs(second - first) // BIN_UM
            halves[key] = halves.get(key, 0) + 1
        return halves

    def to_dict(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        return {"closed": sorted(self.closed_counts.items()), "residue_um": list(self.residue_um)}

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Rainflow:
        """Restore what `to_dict` gave."""
        flow = Rainflow()
        flow._closed = {int(key): int(count) for key, count in data["closed"]}
        flow._residue = [int(x) for x in data["residue_um"]]
        return flow


def _leave_out_idle(points_um: Ints) -> Ints:
    """Return the points without those that only prolong a leg, or repeat the one before them."""
    leg = points_um[1:] - points_um[:-1]
    rising = leg > 0
    if leg.all() and (rising[1:] != rising[:-1]).all():
        return points_um
    kept = np.flatnonzero(leg)
    rising = rising[kept]
    corner = kept[1:][rising[1:] != rising[:-1]]
    return points_um.take(np.concatenate([[0], corner, [len(points_um) - 1]]))

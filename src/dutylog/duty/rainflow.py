"""Rainflow counting that can be stopped, stored, split and merged without changing the count.

Source: ASTM E1049-85 (2017) section 5.4.4. The four-point form is used: an inner range no larger than
both its neighbours is one closed cycle and leaves the sequence. What remains (the residue) grows and
then shrinks; counting its ranges as half cycles gives exactly the count of the standard
(tests/duty/test_rainflow.py). The residue of two parts put together reduces to the residue of the whole.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

BIN_UM = 5_000
"""Ranges are counted in classes of 5 mm: class k holds k*5 mm <= range < (k+1)*5 mm."""


class Rainflow:
    """Closed cycles by class of range, and the residue of turning points [um]."""

    __slots__ = ("closed_counts", "residue_um")

    def __init__(self) -> None:
        self.closed_counts: dict[int, int] = {}
        self.residue_um: list[int] = []

    def update(self, turning_um: Iterable[int]) -> None:
        """Add turning points [um] in order; points on the way between two others are left out."""
        stack, closed = self.residue_um, self.closed_counts
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

    def merge(self, later: Rainflow) -> None:
        """Add the count of the turning points that followed."""
        self.update(later.residue_um)
        for key, count in later.closed_counts.items():
            self.closed_counts[key] = self.closed_counts.get(key, 0) + count

    def count_half_cycles(self) -> dict[int, int]:
        """Return half cycles by class, closed cycles and residue together (ASTM E1049)."""
        halves = {key: 2 * count for key, count in self.closed_counts.items()}
        for first, second in zip(self.residue_um, self.residue_um[1:], strict=False):
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
        flow.closed_counts = {int(key): int(count) for key, count in data["closed"]}
        flow.residue_um = [int(x) for x in data["residue_um"]]
        return flow

"""Meetings with the ends of travel: bump stop, bottomed, limit strap, topped out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper
from dutylog.duty.damper_duty import BOTTOM_UM, REARM_UM
from dutylog.review.trip_data import BOTTOMED, BUMP_STOP, STRAP, TOPPED_OUT

STEP_UM = 6_000
"""A bump stop is met anew once travel was so far below it. Judgement: as far as a bottom-out's own bar and a half."""
STRAP_MET_UM, STRAP_FREE_UM = 3_000, 9_000
"""A strap gives: taut within 3 mm of its travel, free again 9 mm off. Judgement."""
TOPPED_UM, UNTOPPED_UM = 3_000, 6_000
"""Topped out: through 3 mm, armed again above 6 mm; as for bottoming. Judgement."""
APPROACH_S = 0.02
"""Speed at contact is the largest towards the stop in so long before it: it slows the shaft within ms. Judgement."""

Whole = NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Met:
    """A contact found in samples. place: index of the sample that crossed the mark."""

    kind: str
    place: int
    is_inwards: bool


class Crossing:
    """An up-crossing of a mark that is armed again below another; both in um. sign -1: down, in negative numbers.

    Counts as DamperDuty does for bottom-outs: what lies between two stretches counts as nothing.
    """

    __slots__ = ("is_armed", "kind", "mark_um", "rearm_um", "sign")

    def __init__(self, kind: str, sign: int, mark_um: int, rearm_um: int) -> None:
        self.kind, self.sign = kind, sign
        self.mark_um, self.rearm_um = sign * mark_um, sign * rearm_um
        self.is_armed = True

    def reaches(self, low_um: int, high_um: int) -> bool:
        """Tell whether travel between two bounds meets the mark; where it doesn't, arm by it."""
        least, most = (low_um, high_um) if self.sign > 0 else (-high_um, -low_um)
        if most >= self.mark_um:
            return True
        if least < self.rearm_um:
            self.is_armed = True
        return False

    def take(self, travel_um: Whole) -> list[int]:
        """Return the places at which travel (n,) [um] meets the mark anew."""
        values = travel_um if self.sign > 0 else -travel_um
        hits = np.flatnonzero(values >= self.mark_um)
        if not len(hits):
            self.is_armed = self.is_armed or bool(values.min() < self.rearm_um)
            return []
        lowest = np.minimum.reduceat(values, np.concatenate([[0], hits]))
        free = (lowest < self.rearm_um).tolist()
        if hits[0] == 0:
            free[0] = False  # nothing lies before the first sample
        found = []
        for place, was_free in zip(hits.tolist(), free[:-1], strict=True):
            if was_free or self.is_armed:
                found.append(place)
            self.is_armed = False
        self.is_armed = bool(free[-1])
        return found


class ContactFinder:
    """All ends of travel of one damper. bump stop and strap are looked for where the place tells of them."""

    def __init__(self, damper: Damper, stroke_m: float) -> None:
        stroke_um = round(stroke_m * 1e6)
        self.crossings = [
            Crossing(BOTTOMED, 1, stroke_um - BOTTOM_UM, stroke_um - REARM_UM),
            Crossing(TOPPED_OUT, -1, TOPPED_UM, UNTOPPED_UM),
        ]
        if damper.bump_stop_m is not None:
            stop_um = round(damper.bump_stop_m * 1e6)
            self.crossings.append(Crossing(BUMP_STOP, 1, stop_um, stop_um - STEP_UM))
        if damper.strap_m is not None:
            strap_um = round(damper.strap_m * 1e6)
            self.crossings.append(Crossing(STRAP, -1, strap_um + STRAP_MET_UM, strap_um + STRAP_FREE_UM))

    def pick(self, low_um: int, high_um: int) -> list[Crossing]:
        """Return the crossings that travel between two bounds may meet; the others are armed by it."""
        return [crossing for crossing in self.crossings if crossing.reaches(low_um, high_um)]

    def take(self, travel_um: Whole, crossings: Sequence[Crossing]) -> list[Met]:
        """Return what travel (n,) [um] meets, of the crossings that `pick` gave for it."""
        return [Met(one.kind, place, one.sign > 0) for one in crossings for place in one.take(travel_um)]

    def state(self) -> list[bool]:
        """Return which crossings are armed."""
        return [crossing.is_armed for crossing in self.crossings]

"""What pushes found in travel say of each corner of a vehicle."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from dutylog.domain.vehicle import Vehicle
from dutylog.engine.travel_stretch import Stretch
from dutylog.ledger.push_tests import PUSHES_LIMIT, StoredPush
from dutylog.motion.free_decay import Decay
from dutylog.motion.pushes import CornerResult, find_pushes, summarise
from dutylog.units import NS_PER_S


@dataclass(frozen=True, slots=True)
class Corner:
    """What was found at one position. refused: (time [s], why) of pushes that say nothing. body_c: its damper's."""

    position: str
    pushes: tuple[StoredPush, ...]
    refused: tuple[tuple[float, str], ...]
    body_c: float | None

    @property
    def result(self) -> CornerResult | None:
        """Return what the pushes say together, None without any."""
        return result_of(self.pushes)


def result_of(pushes: Sequence[StoredPush]) -> CornerResult | None:
    """Return what stored pushes of one corner say together, None without any."""
    return summarise([(one.frequency_hz, one.ratio, one.ratio_sd, one.swing_mm * 1e-3) for one in pushes])


def find_corners(stretches: Sequence[Stretch], vehicle: Vehicle) -> list[Corner]:
    """Return what each position with a travel sensor of its own shows, in the vehicle's order."""
    good: dict[str, list[StoredPush]] = {}
    refused: dict[str, list[tuple[float, str]]] = {}
    bodies: dict[str, float | None] = {}
    start_ns = stretches[0].start_ns if stretches else 0
    for stretch in stretches:
        begin_s = (stretch.start_ns - start_ns) / NS_PER_S
        bodies |= dict(zip(stretch.positions, stretch.body_c, strict=True))
        for found in find_pushes(stretch.travel_m, stretch.rate_hz, stretch.noise_m):
            position, decay = stretch.positions[found.corner], found.decay
            if isinstance(decay, Decay):
                good.setdefault(position, []).append(_stored(decay))
            else:
                refused.setdefault(position, []).append((begin_s + found.time_s, decay.reason))
    return [
        Corner(
            damper.position,
            tuple(good.get(damper.position, ())[:PUSHES_LIMIT]),
            tuple(refused.get(damper.position, ())),
            bodies.get(damper.position),
        )
        for damper in vehicle.dampers
        if damper.travel_from is None
    ]


def _stored(decay: Decay) -> StoredPush:
    return StoredPush(decay.frequency_hz, decay.ratio, decay.ratio_sd, decay.swing_m * 1e3, decay.left_over_ratio)

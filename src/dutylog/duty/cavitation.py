"""Compression force beyond what the gas can hold against: there the oil behind the piston tears off.

Without a base valve the pressure above the piston in compression comes from the gas alone. The force of the curve can
be made only up to absolute gas pressure x (bore area - shaft area); beyond it the curve, and its heat, are uncertain.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile
from dutylog.units import STANDARD_ATMOSPHERE_PA

Forces = NDArray[np.float32] | NDArray[np.float64]
Travels = NDArray[np.float32] | NDArray[np.float64]
Ratios = NDArray[np.float64]
Ints = NDArray[np.int64]
Places = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class CavitationMargin:
    """The largest compression force a damper can make.

    force_n: at full extension, cold. reach_m: travel at which the shaft would take all of the gas's room, infinite
    where that isn't known; the margin rises as 1 / (1 - travel / reach).
    """

    force_n: float
    reach_m: float

    @staticmethod
    def of(profile: Profile) -> CavitationMargin | None:
        """Return the margin of a profile without a base valve; None where that or the charge isn't known.

        Source: balance of forces on the piston at zero absolute pressure behind it. Charge as filled cold at sea
        level, gas compressed slowly (isothermal): warm or fast gas holds more, so the margin is told at its least.
        """
        if profile.has_base_valve is not False or profile.charge_pa is None:
            return None
        force_n = (profile.charge_pa + STANDARD_ATMOSPHERE_PA) * (profile.bore_area_m2 - profile.shaft_area_m2)
        volume_m3 = profile.gas_volume_m3
        return CavitationMargin(force_n, np.inf if volume_m3 is None else volume_m3 / profile.shaft_area_m2)

    def find_beyond(self, force_n: Forces, travel_m: Travels, fade_ratio: Ratios) -> Places | None:
        """Return the places of samples that lie beyond, rising; None where none does.

        Args:
            force_n: (n,) without fade. travel_m: (n,). fade_ratio: (tiles,) of tiles of n / tiles samples each.
        """
        limits_n = np.divide(self.force_n, fade_ratio, out=np.full(len(fade_ratio), np.inf), where=fade_ratio > 0.0)
        lowest_n = limits_n.min()
        # Mostly the only look at every sample; what follows costs by the samples that may lie beyond.
        if not force_n.max() > lowest_n:
            return None
        places = np.flatnonzero(force_n > lowest_n)
        room = np.maximum(0.0, 1.0 - travel_m[places] / self.reach_m)
        places = places[force_n[places] * room > limits_n[places // (len(force_n) // len(fade_ratio))]]
        return places if len(places) else None


def part_of(places: Places | None, start: int, stop: int) -> Places | None:
    """Return the places within start..stop, counted from start; None for none."""
    if places is None:
        return None
    first, last = np.searchsorted(places, (start, stop)).tolist()
    return places[first:last] - start if last > first else None


def compute_times_us(places: Places, start_ns: int, period_ns: int) -> Ints:
    """Return each sample's time in whole microseconds, so shared out that any stretch adds up to its length.

    Args:
        places: of samples. start_ns: instant of sample 0 by the index grid. period_ns: spacing.
    """
    if period_ns % 1000 == 0:
        return np.full(len(places), period_ns // 1000, dtype=np.int64)
    begins_ns = start_ns + places.astype(np.int64) * period_ns
    return (begins_ns + period_ns) // 1000 - begins_ns // 1000


def sum_by_piece(values: Ints, places: Places, length: int, pieces: int) -> list[int]:
    """Return the sums of whole values (hits,) at rising places, for each piece of so many samples."""
    total = np.zeros(len(values) + 1, dtype=np.int64)
    np.cumsum(values, out=total[1:])
    sums: list[int] = np.diff(total[np.searchsorted(places, np.arange(pieces + 1) * length)]).tolist()
    return sums

"""The nitrogen charge of a damper as it would read at 20 degC and full extension, whatever it is now.

Pure functions. What is charged can hurt: every sentence made here defers to the maker's manual and a qualified
technician (shared/CHARGE.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dutylog.domain.gas import COLD_C, compute_room_m3
from dutylog.domain.nitrogen import ROOM_SD_RATIO, move_charge_pa
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.units import STANDARD_ATMOSPHERE_PA, ZERO_C_IN_K

SENDER_SD_RATIO = 0.005
"""Of a reading: how well a sender repeats itself. Source: judgement."""


@dataclass(frozen=True, slots=True)
class GasReading:
    """What is known of a reservoir at one time. gauge_pa: measured. gas_c, gas_sd_k: its temperature and doubt.

    oil_c: of the oil. travel_m: None where unknown.
    """

    gauge_pa: float
    gas_c: float
    gas_sd_k: float
    oil_c: float
    travel_m: float | None

    def __post_init__(self) -> None:
        values = (self.gauge_pa, self.gas_c, self.gas_sd_k, self.oil_c, self.travel_m or 0.0)
        if not all(math.isfinite(value) for value in values):
            raise InputError(f"gas reading of {values}; what is unknown is given as None")
        if self.gauge_pa <= -STANDARD_ATMOSPHERE_PA or self.gas_c <= -ZERO_C_IN_K or self.gas_sd_k < 0.0:
            raise InputError(f"gas of {self.gauge_pa} Pa gauge, {self.gas_c} degC +- {self.gas_sd_k} K can't be")


@dataclass(frozen=True, slots=True)
class Equivalent:
    """What the charge would read cold and fully extended [Pa gauge], with one standard deviation.

    is_by_travel: False where no gas volume (or no travel) is known: temperature alone was corrected.
    """

    gauge_pa: float
    sd_pa: float
    is_by_travel: bool


def compute_equivalent(profile: Profile, reading: GasReading) -> Equivalent:
    """Return what the charge would read at 20 degC and full extension.

    Args:
        profile: of the damper; without gas_volume_m3 temperature alone is corrected.
        reading: what is there now.
    Source:
        The amount of gas stays: density x room is the same before and after. Room: domain/gas.py.
    """
    room = 1.0
    if reading.travel_m is not None and (room_m3 := compute_room_m3(profile, reading.travel_m, reading.oil_c)):
        room = max(room_m3 / (profile.gas_volume_m3 or room_m3), 0.01)
    is_by_travel = reading.travel_m is not None and profile.gas_volume_m3 is not None
    cold_pa = move_charge_pa(reading.gauge_pa + STANDARD_ATMOSPHERE_PA, reading.gas_c, COLD_C, room)
    parts = (
        reading.gas_sd_k / (reading.gas_c + ZERO_C_IN_K),
        SENDER_SD_RATIO,
        ROOM_SD_RATIO * abs(1.0 - room) / room,
    )
    return Equivalent(cold_pa - STANDARD_ATMOSPHERE_PA, cold_pa * math.hypot(*parts), is_by_travel)


CAUTION = (
    "it is charged gas: let it cool and have a qualified technician look at it by the maker's manual; dry nitrogen only"
)

"""The nitrogen charge of a damper as it would read at 20 degC and full extension, whatever it is now.

Pure functions. What is charged can hurt: every sentence made here defers to the maker's manual and a qualified
technician (shared/CHARGE.md).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dutylog.domain.gas import COLD_C, compute_room_m3
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.units import STANDARD_ATMOSPHERE_PA, ZERO_C_IN_K

GAS_CONSTANT = 8.31446261815324
"""[J/(mol K)]. Source: SI Brochure, 9th edition, exact by the constants of section 2.2."""
CRITICAL_K, CRITICAL_PA, ACENTRIC = 126.192, 3.3958e6, 0.0372
"""Of nitrogen. Source: Span et al. 2000, equation of state of nitrogen; from memory."""
THIRD_VIRIAL = 1.5e-9
"""Of nitrogen around room temperature [m6/mol2]. Source: from memory, within 10 %."""
GAS_SHARE, GAS_SHARE_SD = 0.7, 0.2
"""Where the gas's temperature lies between that of the air (0) and of the body (1). Source: judgement."""
LEAST_GAS_SD_K = 1.0
UNKNOWN_AIR_SD_K = 15.0
"""Doubt of the gas's temperature with nothing known of the air. Source: judgement."""
SENDER_SD_RATIO = 0.005
"""Of a reading: how well a sender repeats itself. Source: judgement."""
ROOM_SD_RATIO = 0.10
"""Of the room that shaft and oil take: how well volumes and the oil's growth are known. Source: judgement."""


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


def compute_pressure_pa(density: float, temperature_k: float) -> float:
    """Return the absolute pressure [Pa] of nitrogen of a density [mol/m3].

    Source: virial equation to the third term, second coefficient by Tsonopoulos (AIChE Journal 20, 1974, 263; from
    memory); within 0.1 % of tests/data/reference/02_n2_*.csv, test_charge.py.
    """
    second, third = _second_virial(temperature_k), THIRD_VIRIAL
    return density * GAS_CONSTANT * temperature_k * (1.0 + second * density + third * density**2)


def compute_density(pressure_pa: float, temperature_k: float) -> float:
    """Return the density [mol/m3] of nitrogen at an absolute pressure [Pa]; by Newton's method on the equation."""
    second, third = _second_virial(temperature_k), THIRD_VIRIAL
    ideal = pressure_pa / (GAS_CONSTANT * temperature_k)
    density = ideal
    for _ in range(8):
        excess = density * (1.0 + second * density + third * density**2) - ideal
        density -= excess / (1.0 + 2.0 * second * density + 3.0 * third * density**2)
    return density


def _second_virial(temperature_k: float) -> float:
    """Return the second virial coefficient [m3/mol] of nitrogen."""
    reduced = temperature_k / CRITICAL_K
    simple = 0.1445 - 0.330 / reduced - 0.1385 / reduced**2 - 0.0121 / reduced**3 - 0.000607 / reduced**8
    acentric = 0.0637 + 0.331 / reduced**2 - 0.423 / reduced**3 - 0.008 / reduced**8
    return (simple + ACENTRIC * acentric) * GAS_CONSTANT * CRITICAL_K / CRITICAL_PA


def estimate_gas_c(
    body_c: float, air_c: float | None, share: float = GAS_SHARE, share_sd: float = GAS_SHARE_SD
) -> tuple[float, float]:
    """Return the gas's temperature [degC] and its standard deviation [K] from that of body and air.

    Source: judgement; it lies between both, and how near to the body depends on where the reservoir sits.
    """
    if air_c is None:
        return body_c, UNKNOWN_AIR_SD_K
    warmer_k = body_c - air_c
    return air_c + share * warmer_k, math.hypot(LEAST_GAS_SD_K, share_sd * warmer_k)


def compute_equivalent(profile: Profile, reading: GasReading) -> Equivalent:
    """Return what the charge would read at 20 degC and full extension.

    Args:
        profile: of the damper; without gas_volume_m3 temperature alone is corrected.
        reading: what is there now.
    Source:
        The amount of gas stays: density x room is the same before and after. Room: domain/gas.py.
    """
    absolute_pa = reading.gauge_pa + STANDARD_ATMOSPHERE_PA
    density = compute_density(absolute_pa, reading.gas_c + ZERO_C_IN_K)
    room = 1.0
    if reading.travel_m is not None and (room_m3 := compute_room_m3(profile, reading.travel_m, reading.oil_c)):
        room = max(room_m3 / (profile.gas_volume_m3 or room_m3), 0.01)
    is_by_travel = reading.travel_m is not None and profile.gas_volume_m3 is not None
    cold_pa = compute_pressure_pa(density * room, COLD_C + ZERO_C_IN_K)
    parts = (
        reading.gas_sd_k / (reading.gas_c + ZERO_C_IN_K),
        SENDER_SD_RATIO,
        ROOM_SD_RATIO * abs(1.0 - room) / room,
    )
    return Equivalent(cold_pa - STANDARD_ATMOSPHERE_PA, cold_pa * math.hypot(*parts), is_by_travel)


CAUTION = (
    "it is charged gas: let it cool and have a qualified technician look at it by the maker's manual; dry nitrogen only"
)


def say_charge(equivalent: Equivalent) -> str:
    """Return one line for the crew on what the charge comes to."""
    what = "at 20 °C and full extension" if equivalent.is_by_travel else "at 20 °C; travel isn't corrected, the profile"
    missing = "" if equivalent.is_by_travel else " has no gas_volume_ml"
    return f"gas {equivalent.gauge_pa / 1e5:.2f} ± {equivalent.sd_pa / 1e5:.2f} bar {what}{missing}"

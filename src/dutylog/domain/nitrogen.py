"""Nitrogen as a real gas, and the atmosphere that a gauge counts from. Absolute pressures everywhere.

Gauge pressures exist at the edges: absolute = gauge + atmosphere where the gauge is (`compute_atmosphere_pa`).
"""

from __future__ import annotations

import math

from dutylog.units import STANDARD_ATMOSPHERE_PA, ZERO_C_IN_K

GAS_CONSTANT = 8.31446261815324
"""[J/(mol K)]. Source: SI Brochure, 9th edition, exact by the constants of section 2.2."""
CRITICAL_K, CRITICAL_PA, ACENTRIC = 126.192, 3.3958e6, 0.0372
"""Of nitrogen. Source: Span et al. 2000, equation of state of nitrogen; from memory."""
THIRD_VIRIAL = 1.5e-9
"""Of nitrogen around room temperature [m6/mol2]. Source: from memory, within 10 %."""
ISA_K, ISA_LAPSE_K_PER_M, ISA_EXPONENT = 288.15, 0.0065, 9.80665 / (287.05287 * 0.0065)
"""Sea level, lapse up to 11 km, and g / (R lapse). Source: ICAO Doc 7488 / ISO 2533."""
ALTITUDES_M = (-450.0, 6000.0)
"""Where vehicles drive: lowest and highest land with tracks. Source: from memory."""
GAS_SHARE, GAS_SHARE_SD = 0.7, 0.2
"""Where the gas's temperature lies between that of the air (0) and of the body (1). Source: judgement."""
LEAST_GAS_SD_K = 1.0
UNKNOWN_AIR_SD_K = 15.0
"""Doubt of the gas's temperature with nothing known of the air. Source: judgement."""
ROOM_SD_RATIO = 0.10
"""Of the room that shaft and oil take: how well volumes and the oil's growth are known. Source: judgement."""


def compute_pressure_pa(density: float, temperature_k: float) -> float:
    """Return the absolute pressure [Pa] of nitrogen of a density [mol/m3].

    Source: virial equation to the third term, second coefficient by Tsonopoulos (AIChE Journal 20, 1974, 263; from
    memory); within 0.1 % of tests/data/reference/02_n2_*.csv, test_nitrogen.py.
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


def move_charge_pa(pressure_pa: float, from_c: float, to_c: float, room_ratio: float = 1.0) -> float:
    """Return the absolute pressure [Pa] that a charge comes to at another temperature and in another room.

    Args:
        pressure_pa: absolute, at `from_c` [degC]. to_c: where it goes.
        room_ratio: room it leaves over room it gets; above 1: it is squeezed.
    Source:
        The amount of gas stays: density x room is the same before and after.
    """
    density = compute_density(pressure_pa, from_c + ZERO_C_IN_K) * room_ratio
    return compute_pressure_pa(density, to_c + ZERO_C_IN_K)


def compute_atmosphere_pa(altitude_m: float) -> float:
    """Return the pressure [Pa] of the standard atmosphere at a geopotential altitude [m] below 11 km.

    Source: ICAO Doc 7488 / ISO 2533; tests/data/reference/02_units_and_atmosphere.json. Weather moves it by 1 %.
    """
    return STANDARD_ATMOSPHERE_PA * math.pow(1.0 - ISA_LAPSE_K_PER_M * altitude_m / ISA_K, ISA_EXPONENT)


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


def _second_virial(temperature_k: float) -> float:
    """Return the second virial coefficient [m3/mol] of nitrogen."""
    reduced = temperature_k / CRITICAL_K
    simple = 0.1445 - 0.330 / reduced - 0.1385 / reduced**2 - 0.0121 / reduced**3 - 0.000607 / reduced**8
    acentric = 0.0637 + 0.331 / reduced**2 - 0.423 / reduced**3 - 0.008 / reduced**8
    return (simple + ACENTRIC * acentric) * GAS_CONSTANT * CRITICAL_K / CRITICAL_PA

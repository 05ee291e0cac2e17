"""The room that the nitrogen of a damper has: what shaft and warm oil leave of it."""

from __future__ import annotations

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError

COLD_C = 20.0
"""Temperature at which charges are told and compared."""
OIL_EXPANSION_PER_K = 7e-4
"""Net growth of the oil against the metal around it. Source: from memory, within 15 %."""
OIL_KG_PER_M3 = 870.0
"""Density of damper oil, cold. Source: from memory, within 3 %."""
LEAST_ROOM_RATIO = 0.30
"""Hot gas at full bump with less of its room than this rises too far in pressure. Source: judgement."""


def compute_oil_growth_m3(profile: Profile, oil_c: float) -> float:
    """Return how much more room [m3] the oil takes at a temperature [degC] than cold."""
    return profile.oil_mass_kg / OIL_KG_PER_M3 * OIL_EXPANSION_PER_K * (oil_c - COLD_C)


def compute_room_m3(profile: Profile, travel_m: float, oil_c: float = COLD_C) -> float | None:
    """Return the room [m3] of the gas at a travel [m] and oil temperature [degC], None where no volume is given.

    Source: volume at full extension less the shaft's own and the oil's growth; bore and pistons taken as rigid.
    """
    if profile.gas_volume_m3 is None:
        return None
    return profile.gas_volume_m3 - profile.shaft_area_m2 * travel_m - compute_oil_growth_m3(profile, oil_c)


def check_charged(profile: Profile) -> None:
    """Raise InputError for a damper whose gas nobody can read: low-pressure gas behind no valve."""
    if profile.construction == "twin_tube":
        raise InputError(f"profile {profile.name} is a twin_tube: its gas has no valve to read or fill at")


def compute_hot_room_ratio(profile: Profile) -> float | None:
    """Return what the gas keeps of its room at full bump with the oil at its limit, None where no volume is given.

    The oil's limit is `oil_limit_c`, where none is given `body_limit_c`.
    """
    hot_c = profile.body_limit_c if profile.oil_limit_c is None else profile.oil_limit_c
    room_m3 = compute_room_m3(profile, profile.stroke_m, hot_c)
    return None if room_m3 is None or profile.gas_volume_m3 is None else room_m3 / profile.gas_volume_m3

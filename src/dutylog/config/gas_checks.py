"""Checks of what a profile says of its nitrogen and its base valve."""

from __future__ import annotations

import math
from typing import Any

from dutylog.config.limits import show_number
from dutylog.config.lines import KeyPath
from dutylog.config.report import Report
from dutylog.domain.gas import COLD_C, LEAST_ROOM_RATIO, OIL_EXPANSION_PER_K, OIL_KG_PER_M3

_ML_PER_MM3 = 1e-3
_ML_PER_M3 = 1e6


def check_gas(profile: dict[str, Any], path: KeyPath, report: Report) -> None:
    """Check the keys of charge, gas volume and base valve against each other and the shaft."""
    is_charged = "charge_psi" in profile or "charge_bar" in profile
    if "charge_psi" in profile and "charge_bar" in profile:
        report.problem((*path, "charge_bar"), "both charge_psi and charge_bar are given; keep one")
    if profile.get("base_valve") is False and not is_charged:
        text = "false, but no charge is given, so cavitation isn't judged; write charge_psi or charge_bar"
        report.note((*path, "base_valve"), text)
    volume_ml, swept_ml = profile.get("gas_volume_ml"), _swept_ml(profile)
    if volume_ml is None or swept_ml is None:
        return
    if volume_ml <= swept_ml:
        text = f"{show_number(volume_ml)} ml is less than the shaft takes at full bump, {swept_ml:.0f} ml"
        report.problem((*path, "gas_volume_ml"), text)
        return
    left = _hot_room_ratio(profile, volume_ml - swept_ml, volume_ml)
    if left is not None and left < LEAST_ROOM_RATIO:
        text = (
            f"at full bump and body_limit_c the gas keeps {max(0.0, left):.0%} of its room, "
            f"less than {LEAST_ROOM_RATIO:.0%}: its pressure rises far; check the volume"
        )
        report.note((*path, "gas_volume_ml"), text)


def _swept_ml(profile: dict[str, Any]) -> float | None:
    if "shaft_diameter_mm" not in profile or "stroke_mm" not in profile:
        return None
    return float(math.pi / 4.0 * profile["shaft_diameter_mm"] ** 2 * profile["stroke_mm"] * _ML_PER_MM3)


def _hot_room_ratio(profile: dict[str, Any], room_ml: float, volume_ml: float) -> float | None:
    if "oil_mass_kg" not in profile or "body_limit_c" not in profile:
        return None
    warmer_k = profile["body_limit_c"] - COLD_C
    growth_ml = profile["oil_mass_kg"] / OIL_KG_PER_M3 * OIL_EXPANSION_PER_K * warmer_k * _ML_PER_M3
    return float((room_ml - growth_ml) / volume_ml)

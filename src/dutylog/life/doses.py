"""What each row of use does to a damper: doses by mechanism, in the units of life/parts.py.

Doses add: those of a row are the sum of those of its pieces, wherever it is cut.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.exchange import compute_outer_m2
from dutylog.domain.vehicle import ForceCurve, Profile
from dutylog.life.ageing import (
    compute_arrhenius,
    compute_damage,
    compute_ten_degree,
    compute_time_above_s,
    integrate_arrhenius_fall_s,
    integrate_ten_degree_fall_s,
)
from dutylog.life.parts import RULES, Rules, WearPart
from dutylog.life.use import (
    MOST_SPEED_MPS,
    MOST_VEHICLE_MPS,
    TEMPERATURES_C,
    Use,
    amounts,
    estimate_temperatures,
    ratio,
)

Floats = NDArray[np.float64]

S_PER_H = 3600.0
AGEING_AT_C = 60.0
OIL_HEAT_AT_C = 80.0
"""Temperatures whose hours are the units of the two doses. They scale doses and references alike: shares don't know
them."""
PEAK_OVER_MEAN = math.pi / 2.0
"""Highest over mean speed of a stroke that is half a sine."""
LEAST_VEHICLE_MPS = 1e-3
"""A vehicle that is slower stands: what its shafts do is no road's doing."""


@dataclass(frozen=True, slots=True)
class Events:
    """Time [s] by row in which the oil, an upper bound of the seal, was hotter than seals and oil should be."""

    hot_seal_s: Floats
    hot_oil_s: Floats


def compute_doses(profile: Profile, use: Use, rules: Rules = RULES) -> dict[str, Floats]:
    """Return the doses of each row by mechanism, (n,), finite and >= 0.

    Unknown amounts count as none, an unknown dirt factor as 1, less on clean roads; unknown temperatures are estimated.
    Ageing and heat count over the whole duration, all else over what was measured.
    """
    use = estimate_temperatures(profile, use, rules)
    energy_j, slid_m = amounts(use.energy_j), amounts(use.sliding_m)
    dirt = _dirt_factor(use, rules)
    grit = np.maximum(1.0 + rules.value("outer_dirt_ratio") * (dirt - 1.0), 0.0)
    usual_pa = rules.value("usual_charge_pa")
    pressure = 1.0 if profile.charge_pa is None else max(profile.charge_pa, 0.0) / usual_pa
    ageing_s, oil_s = _heated_s(profile, use, rules)
    return {
        "abrasion": slid_m * dirt * pressure,
        "ageing": ageing_s / S_PER_H,
        "shear": energy_j / profile.oil_mass_kg,
        "oil_heat": oil_s / S_PER_H,
        "sliding": slid_m * grit,
        "joint_work": (energy_j / profile.shaft_area_m2 + _charge_pa(profile, usual_pa) * slid_m) * grit,
        "piston_sliding": slid_m * (profile.shaft_diameter_m / profile.bore_diameter_m) ** 2,
        "force_cycles": _force_cycles(profile, use, rules),
    }


def compute_events(profile: Profile, use: Use, rules: Rules = RULES) -> Events:
    """Return for how long each row, with its cool-down, was hotter than seals and oil should be."""
    use = estimate_temperatures(profile, use, rules)
    cool_from_c, cool_s, tau_s = _cooling(profile, use, rules)
    found = []
    for key in ("hot_seal_c", "oil_cap_c"):
        level_c = rules.value(key)
        driven_s = np.where(use.oil_c > level_c, amounts(use.duration_s), 0.0)
        found.append(driven_s + compute_time_above_s(cool_from_c, use.ambient_c, tau_s, cool_s, level_c))
    return Events(*found)


def compute_shares(part: WearPart, doses: Mapping[str, Floats], rules: Rules = RULES) -> Floats:
    """Return the used share (n,) of a part by row: sum of weight x dose / reference dose.

    0 for parts that only the calendar ends.
    """
    # life/reference.py works out its doses with this module.
    from dutylog.life.reference import reference_doses

    reference = reference_doses(rules)
    total = np.zeros(np.shape(next(iter(doses.values()))))
    for mechanism, weight in part.weights:
        total = total + weight * doses[mechanism] / reference[mechanism]
    return total


def _dirt_factor(use: Use, rules: Rules) -> Floats:
    """Return how dirty shafts and joints are against an ordinary dusty road.

    What was told of sand, mud or water counts. Else a road that hardly moves the shaft is paved and clean.
    """
    told = np.clip(np.where(np.isfinite(use.dirt_factor), use.dirt_factor, 1.0), 0.0, 100.0)
    slide_mps = ratio(use.sliding_m, use.measured_s, MOST_SPEED_MPS)
    drive_mps = ratio(use.distance_m, use.duration_s, MOST_VEHICLE_MPS)
    roughness = np.where(np.isfinite(use.distance_m), slide_mps / np.maximum(drive_mps, LEAST_VEHICLE_MPS), np.inf)
    clean, paved, dusty = (rules.value(key) for key in ("clean_ratio", "paved_m_per_m", "dusty_m_per_m"))
    by_road = clean + (1.0 - clean) * np.clip((roughness - paved) / (dusty - paved), 0.0, 1.0)
    return np.asarray(np.where(told > 1.0, told, told * by_road))


def _heated_s(profile: Profile, use: Use, rules: Rules) -> tuple[Floats, Floats]:
    """Return equivalent seconds of seals and of oil, driven and cooling down."""
    energy, step_k = rules.value("ageing_j_per_mol"), rules.value("oil_step_k")
    low_c, cap_c = rules.value("oil_low_c"), rules.value("oil_cap_c")
    duration_s = amounts(use.duration_s)
    is_warm = use.oil_c >= low_c
    oil_rate = np.where(is_warm, compute_ten_degree(np.minimum(use.oil_c, cap_c), OIL_HEAT_AT_C, step_k), 0.0)
    ageing_s = duration_s * compute_arrhenius(use.oil_c, energy, AGEING_AT_C)
    oil_s = duration_s * oil_rate
    cool_from_c, cool_s, tau_s = _cooling(profile, use, rules)
    rows = np.flatnonzero(cool_s > 0.0)
    if len(rows):
        fall = (cool_from_c[rows], use.ambient_c[rows], tau_s, cool_s[rows])
        ageing_s[rows] += integrate_arrhenius_fall_s(*fall, energy, AGEING_AT_C)
        oil_s[rows] += integrate_ten_degree_fall_s(*fall, OIL_HEAT_AT_C, (low_c, cap_c), step_k)
    return ageing_s, oil_s


def _cooling(profile: Profile, use: Use, rules: Rules) -> tuple[Floats, Floats, float]:
    """Return from what temperature and for how long each row cools down, and the time constant at rest [s]."""
    tau_s = profile.heat_capacity_j_per_k / (compute_outer_m2(profile) * rules.value("ha_rest_w_per_m2_k"))
    cool_s = np.minimum(amounts(use.cool_s), rules.value("cool_time_constants") * tau_s)
    known = np.where(np.isfinite(use.cool_from_c), use.cool_from_c, use.oil_c)
    return np.clip(known, *TEMPERATURES_C), cool_s, tau_s


def _charge_pa(profile: Profile, usual_pa: float) -> float:
    """Return the gas pressure that the joints carry at full extension."""
    if profile.charge_pa is not None:
        return max(profile.charge_pa, 0.0)
    return 0.0 if profile.construction == "twin_tube" else usual_pa


def _force_cycles(profile: Profile, use: Use, rules: Rules) -> Floats:
    """Return cycles that do as much as the strokes did, at the force that the shaft is made for."""
    moving = amounts(use.moving_measured_s)
    mean_mps = ratio(use.sliding_m, np.where(moving > 0.0, moving, use.measured_s), MOST_SPEED_MPS / PEAK_OVER_MEAN)
    curve = _middle_curve(profile)
    exponent, half = rules.value("miner_exponent"), 0.5 * amounts(use.strokes_count)
    made_for_mps = rules.value("made_for_mps")
    made_for_n = np.abs(_force_n(curve, np.array([-made_for_mps, made_for_mps]))).max()
    total = np.zeros(len(use))
    for sign in (1.0, -1.0):
        forces_n = np.abs(_force_n(curve, sign * PEAK_OVER_MEAN * mean_mps))
        total += compute_damage(forces_n / made_for_n if made_for_n > 0.0 else forces_n * 0.0, half, exponent)
    return total


def _middle_curve(profile: Profile) -> ForceCurve:
    """Return the force curve nearest to the middle of the stroke, where most strokes are (judgement)."""
    return min(profile.force, key=lambda at: abs(at.travel_m - 0.5 * profile.stroke_m)).curve


def _force_n(curve: ForceCurve, speed_mps: Floats) -> Floats:
    """Return the force [N] at shaft speeds, end slopes extended."""
    speeds, forces = np.array(curve.speeds_mps), np.array(curve.forces_n)
    piece = np.clip(np.searchsorted(speeds, speed_mps, side="right") - 1, 0, len(speeds) - 2)
    slope = (forces[piece + 1] - forces[piece]) / (speeds[piece + 1] - speeds[piece])
    return np.asarray(forces[piece] + slope * (speed_mps - speeds[piece]))

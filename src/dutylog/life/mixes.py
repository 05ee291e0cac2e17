"""What miles of mixed surfaces do to one damper: surfaces alternate, so heat follows the mix, not each surface's own.

Where a mix would take a damper beyond its profile's limits it stays there: who drives eases off or stops (judgement).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile
from dutylog.life.doses import compute_doses
from dutylog.life.parts import MECHANISMS, RULES, Rules
from dutylog.life.setups import AIR_C, COOL_DOWN_MILES, Rates
from dutylog.life.use import Use, compute_g_w_per_k, compute_ha_w_per_k, limits_c
from dutylog.sim.parameters import OIL_J_PER_KG_K
from dutylog.units import M_PER_MILE

Floats = NDArray[np.float64]

CYCLE_MILES = 10.0
"""Miles within which every surface of a mix has had its share (judgement)."""
STEP_S = 10.0
"""Well below the shortest time constant, 35 s; doses change by less than 0.3 % at half of it, test_reference.py."""
CYCLES = 8
"""Driven before heat is taken from the last; it starts from the plateau of the mean power."""
LONG_S = 1e6
"""A stop after which nothing is warm any more."""


@dataclass(frozen=True, slots=True)
class Leg:
    """A surface within a mix. ratio: its part of the miles."""

    rates: Rates
    speed_mps: float
    ratio: float


def compute_mile_doses(
    profile: Profile, legs: Sequence[Leg], rules: Rules = RULES, step_s: float = STEP_S
) -> dict[str, float]:
    """Return the doses that a mile brings by mechanism, with its part of the cool-down after every 50.

    Args:
        legs: in the order in which they are driven; ratios add up to 1.
    """
    use = _drive(profile, legs, rules, step_s)
    miles = use.distance_m / M_PER_MILE
    stops = Use.of(np.zeros(len(use)), ambient_c=AIR_C, cool_from_c=use.oil_c, cool_s=LONG_S)
    driven, stopped = compute_doses(profile, use, rules), compute_doses(profile, stops, rules)
    total_miles = math.fsum(miles)
    # A stop is as likely after any mile as after any other.
    return {
        name: math.fsum(driven[name] + stopped[name] * miles / COOL_DOWN_MILES) / total_miles for name in MECHANISMS
    }


def _drive(profile: Profile, legs: Sequence[Leg], rules: Rules, step_s: float) -> Use:
    """Return one cycle of a mix as rows of about `step_s`, with the temperatures that repeat from cycle to cycle."""
    seconds = np.array([leg.ratio * CYCLE_MILES * M_PER_MILE / leg.speed_mps for leg in legs])
    counts = np.ceil(seconds / step_s).astype(np.intp)

    def spread(values: Sequence[float]) -> Floats:
        """Return an amount by mile of each leg as that of each row."""
        amounts = np.array(values) * [leg.ratio * CYCLE_MILES for leg in legs]
        return np.asarray(np.repeat(amounts / counts, counts))

    steps_s = np.repeat(seconds / counts, counts)
    energy_j, slid_m = spread([leg.rates.energy_j for leg in legs]), spread([leg.rates.sliding_m for leg in legs])
    speed_mps = np.repeat([leg.speed_mps for leg in legs], counts)
    oil_c, body_c = _warm(
        profile,
        energy_j / steps_s,
        compute_g_w_per_k(profile, slid_m / steps_s),
        compute_ha_w_per_k(profile, speed_mps, rules),
        steps_s,
    )
    return Use.of(
        steps_s,
        energy_j=energy_j,
        strokes_count=spread([leg.rates.strokes_count for leg in legs]),
        sliding_m=slid_m,
        measured_s=steps_s,
        moving_s=steps_s,
        moving_measured_s=steps_s,
        distance_m=spread([M_PER_MILE] * len(legs)),
        speed_mps=speed_mps,
        ambient_c=AIR_C,
        body_c=body_c,
        oil_c=oil_c,
    )


def _warm(profile: Profile, power_w: Floats, g: Floats, ha: Floats, steps_s: Floats) -> tuple[Floats, Floats]:
    """Return the means of oil and body [degC] in each step of the last cycle.

    Source:
        Two nodes, shared/CONVENTIONS.md, by the trapezoidal rule around the plateau of each step.
    """
    oil_j_per_k = profile.oil_mass_kg * OIL_J_PER_KG_K
    body_j_per_k = profile.heat_capacity_j_per_k - oil_j_per_k
    rates = np.empty((len(steps_s), 2, 2))
    rates[:, 0, 0], rates[:, 0, 1] = -g / oil_j_per_k, g / oil_j_per_k
    rates[:, 1, 0], rates[:, 1, 1] = g / body_j_per_k, -(g + ha) / body_j_per_k
    half = 0.5 * steps_s[:, None, None] * rates
    ways = np.linalg.solve(np.eye(2) - half, np.eye(2) + half)
    bodies = AIR_C + power_w / ha
    plateaus = np.stack([bodies + power_w / g, bodies], axis=1)
    most = np.array(limits_c(profile))
    mean_w, mean_ha, mean_g = (float(np.average(values, weights=steps_s)) for values in (power_w, ha, g))
    now = np.minimum([AIR_C + mean_w / mean_ha + mean_w / mean_g, AIR_C + mean_w / mean_ha], most)
    found = np.empty((len(steps_s), 2))
    for _ in range(CYCLES):
        for step, (way, plateau) in enumerate(zip(ways, plateaus, strict=True)):
            after = np.minimum(plateau + way @ (now - plateau), most)
            found[step] = 0.5 * (now + after)
            now = after
    return found[:, 0], found[:, 1]

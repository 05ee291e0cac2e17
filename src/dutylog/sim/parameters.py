"""Numbers of the simulated vehicle that no profile holds, and generic values for them.

All are our own, chosen inside the usual range of an off-road vehicle of two tonnes (judgement).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError
from dutylog.sim.heat_truth import HeatParameters
from dutylog.sim.quarter_car import GRAVITY_MPS2
from dutylog.sim.sensors import SensorParameters
from dutylog.sim.suspension import SuspensionParameters, gas_shape, shaft_areas_m2
from dutylog.units import STANDARD_ATMOSPHERE_PA, gauge_psi_to_pa_abs

Floats = NDArray[np.float64]

OIL_J_PER_KG_K = 1900.0
"""Heat capacity of damper oil; the rest of a profile's heat capacity is the body's."""

RIDE_RATIO = 0.40
"""Share of the stroke used up at rest (common practice, no published source: 35 to 45 %)."""

PRELOAD_RATIO = 0.05
"""Share of the spring's static force that it already has at full extension (judgement)."""


@dataclass(frozen=True, slots=True)
class VehicleParameters:
    """All of a simulated vehicle but its dampers' profiles; arrays broadcast to (runs, wheels).

    idle_mps2: amplitude of the engine's shaking at the sprung masses, at idle_hz and twice that.
    tracks: 0 left, 1 right, for each wheel. lags_m: distance behind the front axle.
    """

    suspension: SuspensionParameters
    heat: HeatParameters
    sensors: SensorParameters
    tracks: NDArray[np.intp]
    lags_m: Floats
    idle_hz: float = 24.0
    idle_mps2: float = 0.3


def generic_parameters(
    vehicle: Vehicle, sensors: SensorParameters | None = None, wheelbase_m: float = 3.1
) -> VehicleParameters:
    """Return parameters that suit a vehicle's profiles: it stands level at 40 % of each stroke.

    Args:
        vehicle: one damper for each wheel, at most two axles.
    Raises:
        InputError: two dampers on one wheel, or a shared travel sensor.
    """
    wheels = [damper.wheel for damper in vehicle.dampers]
    if len(set(wheels)) != len(wheels) or any(damper.travel_from for damper in vehicle.dampers):
        raise InputError(
            f"vehicle {vehicle.vehicle_id}: the simulated vehicle takes one damper with its own sensor a wheel"
        )
    is_rear = np.array([_is_rear(wheel, number) for number, wheel in enumerate(wheels)])
    is_right = np.array([_is_right(wheel, number) for number, wheel in enumerate(wheels)])
    return VehicleParameters(
        suspension=_suspension(vehicle, is_rear),
        heat=_heat(vehicle, is_rear),
        sensors=sensors or SensorParameters(),
        tracks=is_right.astype(np.intp),
        lags_m=np.where(is_rear, wheelbase_m, 0.0),
    )


def _is_rear(wheel: str, number: int) -> bool:
    return "rear" in wheel or ("front" not in wheel and number >= 2)


def _is_right(wheel: str, number: int) -> bool:
    return "right" in wheel or ("left" not in wheel and number % 2 == 1)


def _suspension(vehicle: Vehicle, is_rear: NDArray[np.bool_]) -> SuspensionParameters:
    profiles = [vehicle.profile_of(damper) for damper in vehicle.dampers]
    strokes_m = np.array([profile.stroke_m for profile in profiles])
    areas_m2 = shaft_areas_m2(profiles)
    sprung_kg = np.where(is_rear, 490.0, 540.0)
    motion_ratio = np.where(is_rear, 0.66, 0.62)
    gas_volume_m3 = 2.6 * areas_m2 * strokes_m  # 38 % of it swept at full stroke
    gas_pressure_pa = np.full(strokes_m.shape, gauge_psi_to_pa_abs(200.0))
    exponent = np.full(strokes_m.shape, 1.3)  # between isothermal and adiabatic
    ride_m = RIDE_RATIO * strokes_m
    at_ride_pa = gas_pressure_pa * gas_shape(ride_m, areas_m2, gas_volume_m3, exponent)
    gas_at_ride_n = areas_m2 * (at_ride_pa - STANDARD_ATMOSPHERE_PA)
    spring_at_ride_n = sprung_kg * GRAVITY_MPS2 / motion_ratio - gas_at_ride_n
    preload_n = PRELOAD_RATIO * spring_at_ride_n
    spring = (spring_at_ride_n - preload_n) / ride_m  # the body then moves at 1.1 to 1.2 Hz
    return SuspensionParameters(
        sprung_kg=sprung_kg,
        unsprung_kg=np.where(is_rear, 72.0, 62.0),
        motion_ratio=motion_ratio,
        spring_n_per_m=spring,
        spring_preload_n=preload_n,
        tyre_n_per_m=np.full(strokes_m.shape, 290e3),
        gas_pressure_pa_abs=gas_pressure_pa,
        gas_volume_m3=gas_volume_m3,
        gas_exponent=exponent,
        gas_reference_c=np.full(strokes_m.shape, 20.0),
        bump_length_m=np.full(strokes_m.shape, 0.060),
        bump_n_per_m=np.full(strokes_m.shape, 40e3),
        bump_n_per_m3=np.full(strokes_m.shape, 2.0e8),
        top_length_m=np.full(strokes_m.shape, 0.030),
        top_n_per_m=np.full(strokes_m.shape, 150e3),
        metal_n_per_m=np.full(strokes_m.shape, 20e6),
    )


def _heat(vehicle: Vehicle, is_rear: NDArray[np.bool_]) -> HeatParameters:
    profiles = [vehicle.profile_of(damper) for damper in vehicle.dampers]
    oil = np.array([profile.oil_mass_kg for profile in profiles]) * OIL_J_PER_KG_K
    total = np.array([profile.heat_capacity_j_per_k for profile in profiles])
    if np.any(total <= oil):
        raise InputError(f"vehicle {vehicle.vehicle_id}: a profile's heat capacity is less than that of its oil")
    # surface of a plain cylinder: bore plus 12 mm of wall, stroke plus 150 mm long
    area_m2 = np.array([np.pi * (p.bore_diameter_m + 0.012) * (p.stroke_m + 0.15) for p in profiles])
    return HeatParameters(
        oil_j_per_k=oil,
        body_j_per_k=total - oil,
        g_still_w_per_k=np.full(oil.shape, 14.0),
        g_move_w_per_k_per_mps=np.full(oil.shape, 45.0),
        ha_rest_w_per_k=14.0 * area_m2,
        # the rear sits in the wake of the body (judgement: 15 % less air)
        ha_move=10.0 * area_m2 * np.where(is_rear, 0.85, 1.0),
        external_w=np.zeros(oil.shape),
    )

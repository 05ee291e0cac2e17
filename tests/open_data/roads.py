"""Measured road surfaces, and quarter cars that drive over them."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import numpy as np

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.sim.quarter_car import QuarterCar, Trace
from dutylog.sim.suspension import SuspensionParameters
from dutylog.units import STANDARD_ATMOSPHERE_PA
from open_data.folders import find_folder, read_columns

STEP_S = 0.25e-3
TYRE_PER_S2, SPRING_PER_S2, DAMPING_PER_S, MASS_RATIO = 653.0, 63.3, 6.0, 0.15
"""The quarter car of the International Roughness Index: stiffness of tyre and spring, damping and unsprung
mass, each per sprung mass. Source: M. W. Sayers, On the calculation of international roughness index from
longitudinal road profile, Transportation Research Record 1501 (1995), and ASTM E1926; from memory."""
IRI_MPS = 80.0 / 3.6
SPRUNG_KG = 400.0
"""Any mass does: the index is defined per sprung mass."""
NO_GAS = {"gas_pressure_pa_abs": STANDARD_ATMOSPHERE_PA, "gas_volume_m3": 1e3}
"""A chamber of 1000 m3 at the pressure of the air outside: pushes the shaft with nothing."""
OFFROAD_CURVE = ForceCurve(
    (-3.0, -1.2, -0.5, -0.15, -0.05, 0.0, 0.05, 0.15, 0.5, 1.2, 3.0),
    (-5750.0, -3090.0, -1950.0, -960.0, -390.0, 0.0, 270.0, 640.0, 1230.0, 1980.0, 3850.0),
)
"""A made-up digressive damper, harder in rebound."""


@dataclass(frozen=True)
class Drive:
    """A quarter car's way over a road: road height [m] at every step, its trace and its car."""

    road_m: np.ndarray
    trace: Trace
    car: QuarterCar
    parameters: SuspensionParameters


@functools.cache
def iri_profile():
    """Return distance and elevation [m] of road_profile_iri_025m, both from 0.

    Source: profile_1 of repository michalsorel/iri, MIT licence; 2177 points every 0.25 m.
    """
    distance, elevation = np.loadtxt(find_folder("road_profile_iri_025m") / "profile_1.txt", unpack=True)
    return distance - distance[0], elevation - elevation[0]


@functools.cache
def belgian_tracks():
    """Return spacing [m] and elevation (11 tracks, 1001 points) [m] of road_belgian_block.

    Source: OpenCRG example data, Apache-2.0; DaimlerChrysler, Research on Vehicle Dynamics, 2005.
    """
    columns = read_columns(find_folder("road_belgian_block") / "belgian_block_tracks.csv")
    distance = columns.pop("u_m")
    return float(distance[1] - distance[0]), np.stack(list(columns.values())) * 1e-3


def make_parameters(**values):
    """Return parameters without rubber, metal or gas unless given."""
    plain = {
        "motion_ratio": 1.0,
        "spring_preload_n": 0.0,
        **NO_GAS,
        "gas_exponent": 1.3,
        "gas_reference_c": 20.0,
        "bump_length_m": 1e-3,
        "bump_n_per_m": 0.0,
        "bump_n_per_m3": 0.0,
        "top_length_m": 1e-3,
        "top_n_per_m": 0.0,
        "metal_n_per_m": 0.0,
    }
    return SuspensionParameters(**{name: np.asarray(value, dtype=float) for name, value in (plain | values).items()})


def make_profile(curve, stroke_m):
    return Profile("road", stroke_m, 0.0222, 0.0508, 0.85, 2.9, 3650.0, (ForceAt(0.0, curve),), 0.0, 40.0, 120.0)


def golden_parameters():
    return make_parameters(
        sprung_kg=SPRUNG_KG,
        unsprung_kg=MASS_RATIO * SPRUNG_KG,
        spring_n_per_m=SPRING_PER_S2 * SPRUNG_KG,
        tyre_n_per_m=TYRE_PER_S2 * SPRUNG_KG,
    )


GOLDEN_CURVE = ForceCurve(
    (-1.0, 0.0, 1.0), (-DAMPING_PER_S * SPRUNG_KG, 0.0, DAMPING_PER_S * SPRUNG_KG)
)  # straight through zero


def offroad_parameters():
    """A made-up off-road corner with 60 mm of rubber at full compression."""
    return make_parameters(
        sprung_kg=540.0,
        unsprung_kg=62.0,
        motion_ratio=0.62,
        spring_n_per_m=73e3,
        spring_preload_n=2e3,
        tyre_n_per_m=290e3,
        bump_length_m=0.06,
        bump_n_per_m=40e3,
        bump_n_per_m3=2e8,
        top_length_m=0.03,
        top_n_per_m=150e3,
        metal_n_per_m=20e6,
    )


def drive(road_m, curve, parameters, stroke_m):
    """Return a quarter car driven over a road given at every step (steps,)."""
    car = QuarterCar([make_profile(curve, stroke_m)], parameters, 1, STEP_S)
    still = np.zeros((len(road_m), 1, 1))
    return Drive(road_m, car.run(road_m[:, None, None], still), car, parameters)


def with_lead_in(distance_m, elevation_m, speed_mps, slope, lead_m):
    """Return road height at every step, after a straight run-up of `lead_m` that ends where the road begins."""
    step_m = speed_mps * STEP_S
    lead = slope * (np.arange(-round(lead_m / step_m), 0) * step_m)
    along = np.arange(int(distance_m[-1] / step_m + 1e-9) + 1) * step_m
    road = np.concatenate([lead, np.interp(along, distance_m, elevation_m)])
    return road - road[0], len(lead)

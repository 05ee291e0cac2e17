"""What is believed of a damper's conductances before anything was measured: geometry and published correlations.

Every correlation is for a bare cylinder in clean air. A damper behind a wheel isn't one, so a prior is log-normal
and wide; heat/identify.py narrows it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from dutylog.domain.exchange import (
    DEAD_LENGTH_M,
    OIL_MOVE_W_PER_M2_K_PER_MPS,
    OIL_STILL_W_PER_M2_K,
    WALL_M,
    compute_wetted_m2,
)
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.heat.state import MOVE_EXPONENT, Laws

KELVIN = 273.15
STANDARD_PA = 101_325.0
AIR_J_PER_KG_K = 1007.0
"""Specific heat of air at constant pressure near 320 K. Source: reference/03_convection_spot_checks.json."""
GAS_J_PER_KG_K = 287.05
"""Gas constant of dry air [J/(kg K)]. Source: US Standard Atmosphere 1976."""
GRAVITY_MPS2 = 9.80665
STEFAN_BOLTZMANN = 5.670374419e-8
"""[W/(m2 K4)]. Source: CODATA 2018."""

EMISSIVITY = 0.9
"""Of a body that is painted, anodised or dusty. Source: typical values, reference/03_convection_spot_checks.json."""
FACTOR_LOG_SD = math.log(3.0) / 1.96
"""A factor of 3 either way holds 95 % of dampers. Source: shared/HEAT.md (judgement on published correlations)."""

FIT_BODY_C = 80.0
FIT_AIR_C = 25.0
FIT_MPS = tuple(float(speed) for speed in range(41))
"""At which temperatures and speeds hA(speed) is fitted to the correlations (judgement: a warm damper, 0..40 m/s)."""


@dataclass(frozen=True, slots=True)
class Air:
    """Dry air at one temperature and normal pressure: conductivity, kinematic viscosity, Prandtl number."""

    k_w_per_m_k: float
    nu_m2ps: float
    prandtl: float

    @staticmethod
    def at(celsius: float) -> Air:
        """Return its properties at a temperature [degC].

        Source:
            Viscosity after Sutherland, conductivity by the formula of the US Standard Atmosphere 1976,
            density of an ideal gas; within 2.5 % of reference/03_convection_spot_checks.json.
        """
        kelvin = celsius + KELVIN
        viscosity = 1.458e-6 * kelvin**1.5 / (kelvin + 110.4)
        conductivity = 2.64638e-3 * kelvin**1.5 / (kelvin + 245.4 * 10.0 ** (-12.0 / kelvin))
        density = STANDARD_PA / (GAS_J_PER_KG_K * kelvin)
        return Air(conductivity, viscosity / density, viscosity * AIR_J_PER_KG_K / conductivity)


def compute_forced_nusselt(reynolds: float, prandtl: float) -> float:
    """Return the mean Nusselt number of a cylinder in cross flow.

    Source:
        Churchill and Bernstein 1977, J. Heat Transfer 99, 300; from memory, held against reference/03_*.
    """
    laminar = 0.62 * math.sqrt(reynolds) * prandtl ** (1 / 3) / (1.0 + (0.4 / prandtl) ** (2 / 3)) ** 0.25
    return float(0.3 + laminar * (1.0 + (reynolds / 282_000.0) ** 0.625) ** 0.8)


def compute_natural_nusselt(rayleigh: float, prandtl: float) -> float:
    """Return the mean Nusselt number of a horizontal cylinder in air at rest.

    Source:
        Churchill and Chu 1975, Int. J. Heat Mass Transfer 18, 1049; from memory, held against reference/03_*.
    """
    spread = (1.0 + (0.559 / prandtl) ** (9 / 16)) ** (8 / 27)
    return float((0.60 + 0.387 * rayleigh ** (1 / 6) / spread) ** 2)


@dataclass(frozen=True, slots=True)
class Cylinder:
    """A body as the air sees it [m]; both ends count."""

    diameter_m: float
    length_m: float
    emissivity: float = EMISSIVITY

    @staticmethod
    def of(profile: Profile) -> Cylinder:
        """Return the body of a profile."""
        return Cylinder(profile.bore_diameter_m + 2.0 * WALL_M, profile.stroke_m + DEAD_LENGTH_M)

    @property
    def area_m2(self) -> float:
        """Return the outer area [m2]."""
        return math.pi * self.diameter_m * (self.length_m + 0.5 * self.diameter_m)

    def compute_ha_w_per_k(self, speed_mps: float, body_c: float, air_c: float) -> float:
        """Return heat into air and surroundings by degree [W/K] at a speed of the air [m/s].

        Raises:
            InputError: a speed below 0.
        Source:
            Fourth root of the sum of fourth powers of forced and natural convection (common practice), and
            radiation to surroundings at the air's temperature; reference/03_convection_cylinder.csv.
        """
        if speed_mps < 0.0:
            raise InputError(f"air speed of {speed_mps} m/s, expected 0 or more")
        film_c = 0.5 * (body_c + air_c)
        air = Air.at(film_c)
        forced = compute_forced_nusselt(speed_mps * self.diameter_m / air.nu_m2ps, air.prandtl) if speed_mps else 0.0
        buoyancy = GRAVITY_MPS2 * abs(body_c - air_c) * self.diameter_m**3 / (film_c + KELVIN)
        natural = compute_natural_nusselt(buoyancy * air.prandtl / air.nu_m2ps**2, air.prandtl)
        by_air = (forced**4 + natural**4) ** 0.25 * air.k_w_per_m_k / self.diameter_m
        body, around = body_c + KELVIN, air_c + KELVIN
        by_radiation = self.emissivity * STEFAN_BOLTZMANN * (body * body + around * around) * (body + around)
        return float((by_air + by_radiation) * self.area_m2)


def fit_ha(cylinder: Cylinder) -> tuple[float, float]:
    """Return (rest [W/K], move) of hA = rest + move speed^0.8, the least relative squares over 0..40 m/s."""
    exact = np.array([cylinder.compute_ha_w_per_k(speed, FIT_BODY_C, FIT_AIR_C) for speed in FIT_MPS])
    shapes = np.stack([np.ones(len(exact)), np.array(FIT_MPS) ** MOVE_EXPONENT], axis=1)
    rest, move = np.linalg.lstsq(shapes / exact[:, None], np.ones(len(exact)), rcond=None)[0]
    return float(rest), float(move)


def make_prior(profile: Profile) -> Laws:
    """Return the conductances of a profile before anything was measured: medians, and how wide.

    Each is log-normal with the factor of 3.
    """
    rest, move = fit_ha(Cylinder.of(profile))
    wetted_m2 = compute_wetted_m2(profile)
    sd = FACTOR_LOG_SD
    return Laws(rest, move, OIL_STILL_W_PER_M2_K * wetted_m2, OIL_MOVE_W_PER_M2_K_PER_MPS * wetted_m2, sd, sd, sd, sd)

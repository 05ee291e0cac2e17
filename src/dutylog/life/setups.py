"""The reference set-up and those of the plausibility table: vehicles, surfaces, mixes, and how they are simulated.

Every number is our own (judgement), chosen before the table was worked out; no existing vehicle or damper.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from importlib.resources import as_file, files
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import ForceCurve, Profile, Vehicle
from dutylog.sim.parameters import PRELOAD_RATIO, RIDE_RATIO, VehicleParameters, generic_parameters
from dutylog.sim.quarter_car import GRAVITY_MPS2
from dutylog.sim.roads import Corrugation, Road, RoughRoad
from dutylog.sim.scenario import Scenario, Stage
from dutylog.sim.sensors import TRAVEL_HZ
from dutylog.sim.vehicle import SimulatedVehicle
from dutylog.units import M_PER_MILE

Floats = NDArray[np.float64]

AIR_C = 25.0
COOL_DOWN_MILES = 50.0
"""Miles between two stops at which a damper cools down (judgement)."""
WORKING_C = 80.0
"""Temperature of simulated dampers, for fade and gas: warm from driving, not at a limit (judgement)."""
FIXED_RATIO = 1e6
"""Of the real heat capacities: so that they stay there."""


@dataclass(frozen=True, slots=True)
class Surface:
    """A road and the speed at which it is driven."""

    key: str
    name: str
    speed_mps: float
    road: tuple[Road, ...]


_STREET_BAND = (0.01, 4.0)
_SURFACES = (
    Surface("street_a", "highway, ISO 8608 class A", 25.0, (RoughRoad("A", band_cpm=_STREET_BAND),)),
    Surface("street_b", "town, class B", 15.0, (RoughRoad("B", band_cpm=_STREET_BAND),)),
    Surface("graded", "graded road, class C", 16.0, (RoughRoad("C"),)),
    Surface("rough", "rough ground, class E", 11.0, (RoughRoad("E"),)),
    Surface("corrugated", "washboard 25 mm by 0.8 m on class B", 13.0, (RoughRoad("B"), Corrugation(0.025, 0.8))),
)
SURFACES = MappingProxyType({one.key: one for one in _SURFACES})
"""By key. Source: judgement; classes of ISO 8608 with the geometric mean of each."""

SHARES: Mapping[str, Mapping[str, float]] = MappingProxyType(
    {
        "street": {"street_a": 0.5, "street_b": 0.5},
        "mixed": {"street_a": 0.35, "street_b": 0.35, "graded": 0.22, "rough": 0.08},
        "hard": {"street_a": 0.30, "street_b": 0.30, "graded": 0.25, "rough": 0.15},
        "washboard": {"street_a": 0.15, "street_b": 0.15, "graded": 0.30, "corrugated": 0.40},
        "desert": {"street_a": 0.05, "street_b": 0.05, "graded": 0.30, "rough": 0.60},
    }
)
"""What part of the miles of each mix is driven on which surface (judgement)."""


@dataclass(frozen=True, slots=True)
class SetUp:
    """A vehicle with what a simulation needs beside its profiles: masses at a front and a rear wheel, tyres."""

    key: str
    vehicle: Vehicle
    sprung_kg: tuple[float, float]
    unsprung_kg: tuple[float, float]
    tyre_n_per_m: float
    surfaces: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Size:
    """What another size of damper has in place of the demo's; strokes stay."""

    bore_m: float
    shaft_m: float
    oil_kg: float
    body_kg: float


@dataclass(frozen=True, slots=True)
class Rates:
    """What one mile on a surface brings to one damper."""

    energy_j: float
    strokes_count: float
    sliding_m: float


def make_setups() -> dict[str, SetUp]:
    """Return all set-ups by key; dampers whose vehicle has another mass have forces to suit it."""
    reference = SetUp("reference", _demo_vehicle(), (540.0, 490.0), (62.0, 72.0), 290e3, tuple(SURFACES))
    heavy_kg = (760.0, 740.0)
    thin = Size(bore_m=0.035, shaft_m=0.014, oil_kg=0.38, body_kg=1.5)
    wide = Size(bore_m=0.0762, shaft_m=0.0254, oil_kg=2.0, body_kg=5.2)
    return {
        one.key: one
        for one in (
            reference,
            _adapt(reference, "buggy", (140.0, 230.0), (32.0, 42.0), 150e3, ("graded", "rough")),
            _adapt(reference, "pre_runner", (600.0, 560.0), (75.0, 95.0), 320e3, tuple(SHARES["desert"]), wide),
            _adapt(reference, "heavy_small", heavy_kg, (75.0, 85.0), 350e3, ("graded", "corrugated"), thin),
            _adapt(reference, "heavy_large", heavy_kg, (75.0, 85.0), 350e3, tuple(SHARES["street"]), wide),
        )
    }


def simulate(setup: SetUp, surface: Surface, seed: int, seconds: float, warm_s: float, runs: int) -> dict[str, Rates]:
    """Return what a mile brings to each damper by position, all dampers warm.

    Args:
        seconds: counted time of each of `runs` roads. warm_s: driven before that, for masses to swing in.
    """
    whole_s = warm_s + seconds
    stage = Stage(surface.key, whole_s, surface.speed_mps, surface.road)
    scenario = Scenario(surface.key, (stage,), WORKING_C, 0.0)
    drive = SimulatedVehicle(setup.vehicle, _parameters(setup), scenario, seed, runs, roads=runs)
    _, before = drive.advance(round(warm_s * TRAVEL_HZ))
    _, after = drive.advance(round(seconds * TRAVEL_HZ))
    miles = surface.speed_mps * seconds / M_PER_MILE

    def by_mile(name: str) -> Floats:
        gained = np.asarray(getattr(after, name) - getattr(before, name), dtype=np.float64)
        return np.asarray(gained.mean(axis=0) / miles)

    energy, strokes, sliding = (by_mile(name) for name in ("energy_j", "strokes", "shaft_travel_m"))
    return {
        damper.position: Rates(float(energy[place]), float(strokes[place]), float(sliding[place]))
        for place, damper in enumerate(setup.vehicle.dampers)
    }


def _demo_vehicle() -> Vehicle:
    from dutylog.config import load

    with as_file(files("dutylog.sim").joinpath("demo_vehicle.toml")) as path:
        vehicle = load(path).vehicle
    # Bump stops and straps are counted in a trip's review; here nobody asks for them.
    return replace(vehicle, dampers=tuple(replace(one, bump_stop_m=None, strap_m=None) for one in vehicle.dampers))


def _adapt(
    like: SetUp,
    key: str,
    sprung_kg: tuple[float, float],
    unsprung_kg: tuple[float, float],
    tyre_n_per_m: float,
    surfaces: tuple[str, ...],
    size: Size | None = None,
) -> SetUp:
    """Return a set-up with other masses and dampers; forces go with the sprung mass, for the same damping ratio."""
    vehicle = like.vehicle
    ratios = [new / old for new, old in zip(sprung_kg, like.sprung_kg, strict=True)]
    by_name = dict(zip(("front", "rear"), ratios, strict=True))
    profiles = tuple(_resize(profile, by_name[profile.name], size) for profile in vehicle.profiles)
    adapted = replace(vehicle, vehicle_id=key, name=key, profiles=profiles)
    return SetUp(key, adapted, sprung_kg, unsprung_kg, tyre_n_per_m, surfaces)


def _resize(profile: Profile, force_ratio: float, size: Size | None) -> Profile:
    """Return a profile with other forces and sizes; its heat capacity follows from its masses as in the demo."""
    force = tuple(
        replace(at, curve=ForceCurve(at.curve.speeds_mps, tuple(force_ratio * n for n in at.curve.forces_n)))
        for at in profile.force
    )
    if size is None:
        return replace(profile, force=force)
    mass_ratio = (size.oil_kg + size.body_kg) / (profile.oil_mass_kg + profile.body_mass_kg)
    return replace(
        profile,
        force=force,
        bore_diameter_m=size.bore_m,
        shaft_diameter_m=size.shaft_m,
        oil_mass_kg=size.oil_kg,
        body_mass_kg=size.body_kg,
        heat_capacity_j_per_k=profile.heat_capacity_j_per_k * mass_ratio,
    )


def _parameters(setup: SetUp) -> VehicleParameters:
    """Return what the simulation needs: springs that carry the masses at the same ride height, heat that stays."""
    vehicle = setup.vehicle
    generic = generic_parameters(vehicle)
    is_rear = generic.lags_m > 0.0
    sprung_kg = np.where(is_rear, setup.sprung_kg[1], setup.sprung_kg[0])
    old = generic.suspension
    profiles = [vehicle.profile_of(damper) for damper in vehicle.dampers]
    ride_m = RIDE_RATIO * np.array([profile.stroke_m for profile in profiles])
    carried_n = old.spring_preload_n / PRELOAD_RATIO + (sprung_kg - old.sprung_kg) * GRAVITY_MPS2 / old.motion_ratio
    suspension = replace(
        old,
        sprung_kg=sprung_kg,
        unsprung_kg=np.where(is_rear, setup.unsprung_kg[1], setup.unsprung_kg[0]),
        tyre_n_per_m=np.full(len(profiles), setup.tyre_n_per_m),
        spring_preload_n=PRELOAD_RATIO * carried_n,
        spring_n_per_m=(1.0 - PRELOAD_RATIO) * carried_n / ride_m,
    )
    heat = replace(
        generic.heat,
        oil_j_per_k=FIXED_RATIO * generic.heat.oil_j_per_k,
        body_j_per_k=FIXED_RATIO * generic.heat.body_j_per_k,
    )
    return replace(generic, suspension=suspension, heat=heat)

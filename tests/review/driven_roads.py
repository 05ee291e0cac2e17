"""Drives over several kinds of road with known truth, from the simulated vehicle; tables of them: mixed_drives.py."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np

from daemon.processes import DEMO
from dutylog.config import load
from dutylog.domain.vehicle import ForceAt, ForceCurve
from dutylog.review.trip_data import GRADED, PARKED, STREET
from dutylog.sim.parameters import PRELOAD_RATIO, RIDE_RATIO, generic_parameters
from dutylog.sim.quarter_car import GRAVITY_MPS2
from dutylog.sim.scenario import Scenario, Stage, Timeline
from dutylog.sim.sensors import TRAVEL_HZ
from dutylog.sim.suspension import gas_shape, shaft_areas_m2
from dutylog.sim.vehicle import SimulatedVehicle
from dutylog.units import STANDARD_ATMOSPHERE_PA


@dataclass(frozen=True)
class Irregular:
    """Washboard as traffic leaves it: crests that come sooner or later and higher or lower than the mean."""

    height_m: float
    wavelength_m: float
    spread: float = 0.1

    def elevation_m(self, points, step_m, rng):
        """Return (2, points) elevation [m]; local wavelength and height vary by `spread` and twice that, over 3 m."""
        reach = np.hanning(max(3, int(6.0 / step_m)))
        sooner, higher = (
            np.convolve(rng.standard_normal(points), reach / np.sqrt(np.square(reach).sum()), "same") for _ in range(2)
        )
        phase = np.cumsum(2.0 * np.pi * step_m / self.wavelength_m * (1.0 + self.spread * sooner))
        crest_m = 0.5 * self.height_m * np.clip(1.0 + 2.0 * self.spread * higher, 0.2, 2.0)
        return np.stack([crest_m * np.cos(phase), crest_m * np.cos(phase - 0.8)])


PAVED_CPM = (0.01, 4.0)
STOP_MPS = 0.5
"""Slower than this at the middle of a second: it counts as stopped."""


@dataclass(frozen=True)
class Car:
    """A vehicle; pairs are front, rear. wheelbase is shared by a drive."""

    sprung_kg: tuple[float, float] = (540.0, 490.0)
    unsprung_kg: tuple[float, float] = (62.0, 72.0)
    motion_ratio: tuple[float, float] = (0.62, 0.66)
    tyre_n_per_m: float = 290e3


@dataclass(frozen=True)
class Leg:
    """A stretch of one kind of road at one speed. Before a stop it rolls out over the stop's own road."""

    kind: str
    seconds: float
    mps: float
    road: tuple = ()

    @property
    def rolling(self) -> str:
        """Return the kind of road under the wheels while they turn."""
        if self.kind != PARKED:
            return self.kind
        return GRADED if self.road and self.road[0].road_class == "C" else STREET


@dataclass(frozen=True)
class Drive:
    """Legs driven one after the other by every car, each over a road of its own."""

    name: str
    legs: tuple[Leg, ...]
    cars: tuple[Car, ...]
    seed: int
    strokes_mm: tuple[float, float] = (254.0, 305.0)
    force_ratio: float = 1.0
    wheelbase_m: float = 3.1

    @property
    def scenario(self):
        stages = tuple(Stage(leg.kind, leg.seconds, leg.mps, leg.road) for leg in self.legs)
        return Scenario(self.name, stages)

    @property
    def seconds(self) -> int:
        return int(sum(leg.seconds for leg in self.legs))

    def truth(self) -> list[str]:
        """Return the kind of road in each second; what isn't standing still is named by its road."""
        timeline = Timeline(self.scenario)
        middle_s = np.arange(self.seconds) + 0.5
        speed_mps = timeline.motion(middle_s)[1]
        ends_s = np.cumsum([leg.seconds for leg in self.legs])
        legs = [self.legs[place] for place in np.searchsorted(ends_s, middle_s, side="right")]
        return [PARKED if mps < STOP_MPS else leg.rolling for leg, mps in zip(legs, speed_mps, strict=True)]


@dataclass(frozen=True)
class Driven:
    """What the sensors of one car said. travel_m: (4, n) at 1 kHz; speed_mps: one a second."""

    name: str
    stroke_m: tuple[float, ...]
    travel_m: np.ndarray
    speed_mps: np.ndarray
    truth: list[str]

    def tiles(self, with_speed: bool = True) -> Iterator[dict]:
        """Yield what `RoadFinder.take` wants, a second at a time."""
        counted = np.ones((len(self.stroke_m), TRAVEL_HZ), dtype=bool)
        for second, mps in enumerate(self.speed_mps):
            yield {
                "travel_m": self.travel_m[:, second * TRAVEL_HZ : (second + 1) * TRAVEL_HZ],
                "counted": counted,
                "rate_hz": float(TRAVEL_HZ),
                "dt_s": 1.0,
                "vehicle_mps": float(mps) if with_speed else None,
                "moving": True,
                "t_s": float(second),
            }


def make_vehicle(drive: Drive):
    """Return the demo vehicle with other strokes and other force."""
    vehicle = load(DEMO).vehicle
    profiles = []
    for profile in vehicle.profiles:
        curve = profile.force[0].curve
        forces = tuple(force * drive.force_ratio for force in curve.forces_n)
        stroke_m = drive.strokes_mm[0 if profile.name == "front" else 1] * 1e-3
        profiles.append(
            replace(profile, stroke_m=stroke_m, force=(ForceAt(0.0, ForceCurve(curve.speeds_mps, forces)),))
        )
    longest_mm = max(drive.strokes_mm)
    dampers = tuple(
        replace(d, calibration=((100.0, -5.0), (3995.0, longest_mm + 10.0)), bump_stop_m=None, strap_m=None)
        for d in vehicle.dampers
    )
    return replace(vehicle, profiles=tuple(profiles), dampers=dampers)


def make_parameters(drive: Drive, vehicle):
    """Return parameters of all cars side by side; each stands level at the usual share of its strokes."""
    base = generic_parameters(vehicle, wheelbase_m=drive.wheelbase_m)
    profiles = [vehicle.profile_of(d) for d in vehicle.dampers]
    strokes_m = np.array([p.stroke_m for p in profiles])
    rear = np.array(["rear" in d.wheel for d in vehicle.dampers]).astype(int)
    sprung, unsprung, ratio = (
        np.array([getattr(car, name) for car in drive.cars])[:, rear]
        for name in ("sprung_kg", "unsprung_kg", "motion_ratio")
    )
    s = base.suspension
    areas_m2, ride_m = shaft_areas_m2(profiles), RIDE_RATIO * strokes_m
    at_ride_pa = s.gas_pressure_pa_abs * gas_shape(ride_m, areas_m2, s.gas_volume_m3, s.gas_exponent)
    spring_n = sprung * GRAVITY_MPS2 / ratio - areas_m2 * (at_ride_pa - STANDARD_ATMOSPHERE_PA)
    suspension = replace(
        s,
        sprung_kg=sprung,
        unsprung_kg=unsprung,
        motion_ratio=ratio,
        spring_preload_n=PRELOAD_RATIO * spring_n,
        spring_n_per_m=(1 - PRELOAD_RATIO) * spring_n / ride_m,
        tyre_n_per_m=np.array([[car.tyre_n_per_m] for car in drive.cars]),
    )
    return replace(base, suspension=suspension)


@lru_cache(maxsize=2)
def drive_cars(drive: Drive) -> tuple[Driven, ...]:
    """Return what every car of a drive measured. About 60 ms for each second of the drive."""
    vehicle = make_vehicle(drive)
    car = SimulatedVehicle(vehicle, make_parameters(drive, vehicle), drive.scenario, drive.seed, runs=len(drive.cars))
    raw, mm = (np.array(column) for column in zip(*vehicle.dampers[0].calibration, strict=True))
    travel, speed = [], []
    for _ in range(drive.seconds):
        samples, _ = car.advance(TRAVEL_HZ)
        travel_mm = mm[0] + (samples.travel_counts - raw[0]) * (mm[1] - mm[0]) / (raw[1] - raw[0])
        travel.append((travel_mm * 1e-3).astype(np.float32))
        speed.append(samples.speed_mps.mean())
    whole = np.concatenate(travel).transpose(1, 2, 0)
    strokes = tuple(vehicle.profile_of(d).stroke_m for d in vehicle.dampers)
    truth = drive.truth()
    return tuple(
        Driven(f"{drive.name}, car {number}", strokes, np.ascontiguousarray(part), np.array(speed), truth)
        for number, part in enumerate(whole)
    )

"""What the simulated vehicle drives: stages of road, speed and time, repeated lap after lap."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError
from dutylog.sim.roads import GRID_STEP_M, Bumps, Corrugation, Jumps, Road, RoadBelt, RoughRoad

Floats = NDArray[np.float64]

ACCELERATION_MPS2 = 2.0
"""Changes of speed between stages (judgement: brisk, well below what tyres hold)."""

TAPER_M = 5.0
"""Each stage's road fades in and out over this length, so that stages join without a step."""


@dataclass(frozen=True, slots=True)
class Stage:
    """A stretch driven at one speed; the change from the stage before is part of it.

    road: what adds up to the surface. engine_on: idling shakes the vehicle where it stands.
    """

    name: str
    seconds: float
    speed_mps: float
    road: tuple[Road, ...] = ()
    engine_on: bool = True


@dataclass(frozen=True, slots=True)
class Scenario:
    """Stages that repeat. ambient_c: air temperature, swinging by `ambient_swing_k` over an hour."""

    name: str
    stages: tuple[Stage, ...]
    ambient_c: float = 30.0
    ambient_swing_k: float = 1.0

    @property
    def lap_s(self) -> float:
        """Return the time of one lap [s]."""
        return sum(stage.seconds for stage in self.stages)


class Timeline:
    """Speed, distance and stage of a scenario at any time since its start."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self._start_s, self._start_mps, self._accel = _segments(scenario)
        spans_s = np.diff(np.append(self._start_s, scenario.lap_s))
        gained_m = self._start_mps * spans_s + 0.5 * self._accel * spans_s**2
        self._start_m = np.concatenate(([0.0], np.cumsum(gained_m)))
        self.lap_m = float(self._start_m[-1])

    def motion(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Return distance [m] since the start of all and speed [m/s] at times [s]."""
        laps, within_s = np.divmod(time_s, self.scenario.lap_s)
        segment = np.searchsorted(self._start_s, within_s, side="right") - 1
        since_s = within_s - self._start_s[segment]
        accel = self._accel[segment]
        speed_mps = self._start_mps[segment] + accel * since_s
        inside_m = self._start_m[segment] + (self._start_mps[segment] + 0.5 * accel * since_s) * since_s
        return laps * self.lap_m + inside_m, speed_mps

    def stage_at(self, time_s: float) -> Stage:
        """Return the stage being driven at a time [s]."""
        within_s = time_s % self.scenario.lap_s
        for stage in self.scenario.stages:
            if within_s < stage.seconds:
                return stage
            within_s -= stage.seconds
        return self.scenario.stages[-1]

    def ambient_c(self, time_s: float) -> float:
        """Return the air temperature [degC] at a time [s]."""
        return self.scenario.ambient_c + self.scenario.ambient_swing_k * float(np.sin(2.0 * np.pi * time_s / 3600.0))

    def stage_bounds_m(self) -> Floats:
        """Return the distance [m] within a lap at which each stage begins, and the end of the last."""
        ends_s = np.cumsum([stage.seconds for stage in self.scenario.stages])[:-1]
        inner = self.motion(ends_s)[0] if len(ends_s) else np.zeros(0)
        return np.concatenate(([0.0], inner, [self.lap_m]))


def _segments(scenario: Scenario) -> tuple[Floats, Floats, Floats]:
    """Cut a lap into runs of constant acceleration: starts [s], speeds there [m/s], accelerations."""
    if not scenario.stages or any(stage.seconds <= 0.0 or stage.speed_mps < 0.0 for stage in scenario.stages):
        raise InputError(f"scenario {scenario.name} needs stages of more than 0 s at 0 m/s or more")
    starts, speeds, accels = [], [], []
    now_s, before_mps = 0.0, scenario.stages[-1].speed_mps
    for stage in scenario.stages:
        ramp_s = abs(stage.speed_mps - before_mps) / ACCELERATION_MPS2
        if ramp_s >= stage.seconds:
            raise InputError(f"stage {stage.name} of {stage.seconds} s is too short for its change of speed")
        if ramp_s > 0.0:
            starts.append(now_s)
            speeds.append(before_mps)
            accels.append((stage.speed_mps - before_mps) / ramp_s)
        starts.append(now_s + ramp_s)
        speeds.append(stage.speed_mps)
        accels.append(0.0)
        now_s += stage.seconds
        before_mps = stage.speed_mps
    return np.array(starts), np.array(speeds), np.array(accels)


def build_belt(timeline: Timeline, seed: int, realisations: int = 1) -> RoadBelt:
    """Return the road of one lap; each realisation has its own random phases and obstacles."""
    points = max(1, round(timeline.lap_m / GRID_STEP_M))
    # the grid is fitted to the lap, so that the seam between laps is a whole point
    step_m = timeline.lap_m / points if timeline.lap_m > 0.0 else GRID_STEP_M
    elevation = np.zeros((realisations, 2, points))
    bounds = np.round(timeline.stage_bounds_m() / step_m).astype(int)
    for number in range(realisations):
        rng = np.random.default_rng((seed, 1, number))
        for stage, start, end in zip(timeline.scenario.stages, bounds[:-1], bounds[1:], strict=True):
            if end - start < 2:
                continue
            fade = _taper(end - start, step_m)
            for road in stage.road:
                elevation[number, :, start:end] += fade * road.elevation_m(end - start, step_m, rng)
    return RoadBelt(step_m, elevation)


def _taper(points: int, step_m: float) -> Floats:
    """Return weights that rise from 0 to 1 and fall back to 0 smoothly at the ends of a stage."""
    from_end_m = np.minimum(np.arange(points), np.arange(points)[::-1]) * step_m
    return 0.5 - 0.5 * np.cos(np.pi * np.minimum(from_end_m / TAPER_M, 1.0))


def built_in_scenario(name: str) -> Scenario:
    """Return a scenario by name.

    Args:
        name: one of SCENARIOS.
    Raises:
        InputError: no such scenario; the text names those that exist.
    """
    if name not in _BUILDERS:
        raise InputError(f"scenario {name!r} is not one of {', '.join(SCENARIOS)}")
    return _BUILDERS[name]()


def _desert() -> Scenario:
    graded = RoughRoad("C")
    rough = (RoughRoad("E", scale=0.7), Bumps(70.0, 0.12, 1.8), Jumps(420.0, 0.35, 7.0, 1.2))
    return Scenario(
        "desert",
        (
            Stage("graded road", 180.0, 18.0, (graded,)),
            Stage("washboard", 120.0, 13.0, (RoughRoad("B"), Corrugation(0.025, 0.8, 0.1))),
            Stage("rough", 330.0, 16.0, rough),
            Stage("smooth road", 150.0, 22.0, (RoughRoad("B"),)),
            Stage("rough, slower", 240.0, 12.0, rough),
            Stage("graded road", 90.0, 16.0, (graded,)),
            Stage("stop", 90.0, 0.0),
        ),
        ambient_c=34.0,
    )


def _street() -> Scenario:
    return Scenario(
        "street",
        (
            Stage("town", 300.0, 13.0, (RoughRoad("B", band_cpm=(0.01, 4.0)),)),
            Stage("traffic light", 40.0, 0.0),
            Stage("highway", 420.0, 27.0, (RoughRoad("A", band_cpm=(0.01, 4.0)),)),
        ),
        ambient_c=25.0,
    )


def _washboard() -> Scenario:
    return Scenario(
        "washboard",
        (
            Stage("washboard, slow", 60.0, 7.0, (RoughRoad("B"), Corrugation(0.025, 0.8, 0.1))),
            Stage("washboard", 120.0, 13.0, (RoughRoad("B"), Corrugation(0.025, 0.8, 0.1))),
        ),
    )


def _parked() -> Scenario:
    return Scenario("parked", (Stage("idling", 600.0, 0.0),), ambient_c=25.0)


_BUILDERS = {"desert": _desert, "street": _street, "washboard": _washboard, "parked": _parked}

SCENARIOS = tuple(_BUILDERS)

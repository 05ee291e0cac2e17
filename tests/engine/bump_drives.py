"""Drives over single bumps on a road, by the simulated quarter cars, and the bumps an engine finds in them."""

from __future__ import annotations

import functools

import numpy as np

from dutylog.engine.bumps import BumpFinder
from dutylog.sim.parameters import generic_parameters
from dutylog.sim.quarter_car import QuarterCar
from dutylog.sim.roads import Bumps, RoughRoad
from dutylog.sim.scenario import Scenario, Stage, Timeline, build_belt
from engine.builders import Log, Run, slow_stream, travel_stream
from motion.pushed import RATE_HZ, STEPS, sense_m

SPEED_MPS = 15.0
ROADS = 6


@functools.cache
def drive_m(vehicle, road_class, seconds=48, height_m=0.12, seed=7):
    """Return travel (n, roads, wheels) [m] at 1 kHz over ROADS roads of one class, a bump about every 8 s."""
    roads = (RoughRoad(road_class), Bumps(120.0, height_m, 1.8)) if height_m else (RoughRoad(road_class),)
    timeline = Timeline(Scenario("bumps", (Stage("bumps", float(seconds), SPEED_MPS, roads),)))
    belt, par = build_belt(timeline, seed, ROADS), generic_parameters(vehicle)
    profiles = [vehicle.profile_of(d) for d in vehicle.dampers]
    car = QuarterCar(profiles, par.suspension, ROADS, 1.0 / RATE_HZ / STEPS)
    car.set_temperature(np.full((ROADS, 4), 20.0), np.ones((ROADS, 4)))
    car.rest_on_level_ground()
    level, parts = np.zeros((RATE_HZ * STEPS, 1, 4)), []
    for second in range(seconds):
        time_s = second + np.arange(RATE_HZ * STEPS) / RATE_HZ / STEPS
        road_m = belt.heights_m(timeline.motion(time_s)[0], par.tracks, par.lags_m)
        parts.append(car.run(road_m, level).travel_m[::STEPS].astype(np.float32))
    return np.concatenate(parts)


def log_of(vehicle, travel_m, speed_mps=SPEED_MPS, rows=1000, grade="adc12"):
    """Return a log of travel (n, wheels) [m] as a sensor reads it, in blocks of so many rows."""
    travel = travel_stream(*(d.position for d in vehicle.dampers))
    slow = slow_stream(2, 10, ("", "speed"))
    read_mm = sense_m(np.asarray(travel_m, dtype=float), grade, np.random.default_rng(8)) * 1e3
    log = Log(vehicle)
    log.start(travel, slow)
    for start in range(0, len(read_mm), rows):
        log.write(travel, read_mm[start : start + rows])
        if start % 1000 == 0 and speed_mps is not None:
            log.write(slow, np.full(10, speed_mps))
    log.close()
    return log


def bumps_in(vehicle, frames, units=None):
    """Return the bumps found in the tiles that an engine makes of frames. units: unit_id in each place of a tile."""
    finder, found = BumpFinder(vehicle), []
    names = tuple(f"unit-{d.position}" for d in vehicle.dampers)

    def observe(energy):
        found.extend(finder.take(energy.prepared, names if units is None else units(energy.prepared)))

    Run(vehicle, observer=observe, keep_vehicle=True).feed(frames).finish()
    return found

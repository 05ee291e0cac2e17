"""A vehicle that somebody pushes: the simulated quarter cars with a hand on the body, and what a sensor makes of it."""

from __future__ import annotations

import functools
from dataclasses import replace
from pathlib import Path

import numpy as np

from dutylog import config
from dutylog.domain.vehicle import ForceAt, ForceCurve
from dutylog.sim.parameters import generic_parameters
from dutylog.sim.quarter_car import QuarterCar

DEMO = config.load(Path(config.__file__).parents[1] / "sim" / "demo_vehicle.toml").vehicle
LEAD_S, GAP_S, COUNT = 2.0, 3.2, 3
RATE_HZ, STEPS = 1000, 4
ADC12_MM = 0.073
"""A count of a 12-bit converter over 300 mm; the grade `adc12` of the recordings has as much noise, rms."""
GRADES_MM = {"adc16": (0.0092, 0.02), "adc12": (ADC12_MM, 0.073), "adc12_noisy": (ADC12_MM, 0.22)}
"""Step and noise of the sensor grades of tests/data/cases; the noisy one has mains hum of 0.1 mm too."""


def linear_vehicle(nspm):
    """Return the demo's vehicle with dampers of one damping constant [N s/m] that never fade."""
    curve = ForceCurve((-3.0, 0.0, 3.0), (-3.0 * nspm, 0.0, 3.0 * nspm))
    profiles = tuple(replace(p, force=(ForceAt(0.0, curve),), fade_per_k=0.0) for p in DEMO.profiles)
    return replace(DEMO, profiles=profiles)


def body_mode(vehicle, wheel, nspm):
    """Return natural frequency [Hz] and damping ratio of the body's mode of a linear quarter car, both masses.

    Source: eigenvalues of the two masses' equations; the spring's slope at rest taken from the car's own tables.
    """
    par = generic_parameters(vehicle).suspension
    car = QuarterCar([vehicle.profile_of(d) for d in vehicle.dampers], par, 1, 1e-3)
    car.rest_on_level_ground()
    rest_m = (car._position[1] - car._position[0]) * par.motion_ratio
    around = [car.static_force_n(rest_m + step)[0, wheel] for step in (-0.004, 0.004)]
    slope = (around[1] - around[0]) / 0.008
    ratio = par.motion_ratio[wheel]
    spring, damping = slope * ratio**2, nspm * ratio**2
    sprung, unsprung, tyre = par.sprung_kg[wheel], par.unsprung_kg[wheel], par.tyre_n_per_m[wheel]
    matrix = np.array(
        [
            [0, 0, 1, 0],
            [0, 0, 0, 1],
            [-spring / sprung, spring / sprung, -damping / sprung, damping / sprung],
            [spring / unsprung, -(spring + tyre) / unsprung, damping / unsprung, -damping / unsprung],
        ]
    )
    poles = np.linalg.eigvals(matrix)
    slowest = min((p for p in poles if p.imag > 0.0), key=abs)
    return abs(slowest) / (2 * np.pi), -slowest.real / abs(slowest)


def hand_n(time_s, push_n, press_s=0.4, letgo_s=0.1, gap_s=GAP_S, count=COUNT):
    """Return the force of a hand that presses down and lets go [N], `count` times."""
    force = np.zeros_like(time_s)
    for number in range(count):
        since = time_s - LEAD_S - number * gap_s
        press = 0.5 - 0.5 * np.cos(np.pi * np.clip(since / press_s, 0.0, 1.0))
        held = 0.5 + 0.5 * np.cos(np.pi * np.clip((since - press_s) / letgo_s, 0.0, 1.0))
        force += push_n * press * held * (since >= 0.0)
    return force


@functools.cache
def push_travel_m(vehicle, push_n=500.0, factor=1.0, **hand):
    """Return travel (n, wheels) [m] at 1 kHz of all corners pushed at once. factor: on every damping force."""
    par = generic_parameters(vehicle)
    profiles = [vehicle.profile_of(d) for d in vehicle.dampers]
    step_s = 1.0 / RATE_HZ / STEPS
    car = QuarterCar(profiles, par.suspension, 1, step_s)
    car.set_temperature(np.full((1, len(profiles)), 20.0), np.full((1, len(profiles)), factor))
    car.rest_on_level_ground()
    time_s = np.arange(round((LEAD_S + COUNT * GAP_S + 1.0) / step_s)) * step_s
    pull = -hand_n(time_s, push_n, **hand)[:, None, None] / par.suspension.sprung_kg
    trace = car.run(np.zeros((len(time_s), 1, len(profiles))), pull)
    return trace.travel_m[::STEPS, 0, :]


def in_turn_m(travel_m):
    """Return travel (n * wheels, wheels) [m] of the corners pushed one after the other, the others at rest."""
    n, wheels = travel_m.shape
    whole = np.repeat(travel_m[:1], n * wheels, axis=0)
    for wheel in range(wheels):
        whole[wheel * n : (wheel + 1) * n, wheel] = travel_m[:, wheel]
    return whole


def sense_m(travel_m, grade, rng):
    """Return what a sensor of a grade makes of travel [m]."""
    step_mm, noise_mm = GRADES_MM[grade]
    read_mm = travel_m * 1e3 + noise_mm * rng.standard_normal(travel_m.shape)
    if grade == "adc12_noisy":
        angle = 2 * np.pi * 50.0 * np.arange(len(travel_m)) / RATE_HZ + rng.uniform(0.0, 2 * np.pi)
        read_mm += 0.1 * np.sin(angle).reshape(-1, *(1,) * (travel_m.ndim - 1))
    return np.rint(read_mm / step_mm) * step_mm * 1e-3


def means(values, block=10):
    """Return means of ten values each along the first axis: what is fitted."""
    count = len(values) // block
    return values[: count * block].reshape(count, block, *values.shape[1:]).mean(axis=1)

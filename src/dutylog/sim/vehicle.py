"""The simulated vehicle: drives a scenario, gives what its sensors say and what is true."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError
from dutylog.sim.heat_truth import TwoNodeHeat
from dutylog.sim.parameters import VehicleParameters
from dutylog.sim.quarter_car import QuarterCar
from dutylog.sim.scenario import Scenario, Timeline, build_belt
from dutylog.sim.sensors import TRAVEL_HZ, ScriptedFault, SlowSensors, TravelSensors
from dutylog.sim.truth import Truth, TruthCounter

Floats = NDArray[np.float64]

TICK_SAMPLES = 100
"""Samples of travel between updates of heat, fade and slow sensors: 0.1 s."""

STEPS_PER_SAMPLE = 4
"""4 kHz: half that step changes the energy on the roughest road by 1e-4 (test_quarter_car.py)."""


@dataclass(frozen=True, slots=True)
class Samples:
    """What the sensors said in one call; rows of a stream go on where the last call ended.

    travel_counts: (n, runs, wheels). kept: (n,) False where the sample never arrives. body_c:
    (k, runs, wheels), ambient_c and speed_mps: (k,) at 10 Hz. first_*: index of the first row on the
    stream's grid; row i is the value at i / rate.
    """

    first_travel: int
    travel_counts: NDArray[np.int16]
    kept: NDArray[np.bool_]
    first_slow: int
    body_c: NDArray[np.float32]
    ambient_c: NDArray[np.float32]
    speed_mps: NDArray[np.float32]


class SimulatedVehicle:
    """Runs of one scenario side by side, on a common clock."""

    def __init__(
        self,
        vehicle: Vehicle,
        parameters: VehicleParameters,
        scenario: Scenario,
        seed: int,
        runs: int = 1,
        faults: Sequence[ScriptedFault] = (),
        roads: int | None = None,
        steps_per_sample: int = STEPS_PER_SAMPLE,
    ) -> None:
        """Stand still on level ground with everything at air temperature.

        Args:
            parameters: arrays that broadcast to (runs, wheels) may differ by run.
            roads: number of different roads; run r drives road r modulo this. Default: one for
                each run, at most 8 (a lap of desert road takes 5 MB each).
        Raises:
            InputError: runs < 1, a damper without calibration, a fault on an unknown position.
        """
        self.vehicle, self.scenario, self.runs = vehicle, scenario, runs
        self._parameters = parameters
        self._profiles = [vehicle.profile_of(damper) for damper in vehicle.dampers]
        shape = (runs, len(self._profiles))
        self._step_s = 1.0 / (TRAVEL_HZ * steps_per_sample)
        self._steps_per_sample = steps_per_sample
        self._timeline = Timeline(scenario)
        realisations = min(roads or min(runs, 8), max(runs, 1))
        self._belt = build_belt(self._timeline, seed, realisations)
        self._road_of_run = None if realisations == 1 else np.arange(runs) % realisations
        self._car = QuarterCar(self._profiles, parameters.suspension, runs, self._step_s)
        self._counter = TruthCounter(np.array([p.stroke_m for p in self._profiles]), shape, self._step_s)
        self._travel = TravelSensors(vehicle.dampers, parameters.sensors, faults, seed)
        self._slow = SlowSensors(vehicle.dampers, parameters.sensors, faults, seed)
        self._start_heat(shape)
        self._idle_phases = np.random.default_rng((seed, 8)).uniform(0.0, 2.0 * np.pi, (2, shape[1]))
        self._tick = 0

    @property
    def time_s(self) -> float:
        """Return the time since the start [s]."""
        return self._tick * TICK_SAMPLES / TRAVEL_HZ

    @property
    def stage(self) -> str:
        """Return the name of the stage being driven."""
        return self._timeline.stage_at(self.time_s).name

    def truth(self) -> Truth:
        """Return the true duty up to now."""
        heat = self._heat
        return self._counter.snapshot(self.time_s, heat.oil_c, heat.body_c, self._peak_oil_c, self._peak_body_c)

    def advance(self, n_samples: int) -> tuple[Samples, Truth]:
        """Drive on.

        Args:
            n_samples: samples of travel, a multiple of TICK_SAMPLES: so that neither sensors nor
                truth depend on the lengths in which they are asked for.
        Returns:
            What the sensors said in that time, and the truth at its end.
        Raises:
            InputError: n_samples is no positive multiple of TICK_SAMPLES.
        """
        if n_samples <= 0 or n_samples % TICK_SAMPLES:
            raise InputError(f"{n_samples} samples asked for, expected a positive multiple of {TICK_SAMPLES}")
        first_tick = self._tick
        travel, body, ambient, speed = [], [], [], []
        for _ in range(n_samples // TICK_SAMPLES):
            time_s = self.time_s
            body.append(self._slow.read_body_c(time_s, self._heat.body_c))
            ambient.append(self._slow.read_ambient_c(self._timeline.ambient_c(time_s)))
            speed_mps = float(self._timeline.motion(np.array([time_s]))[1][0])
            speed.append(self._slow.read_speed_mps(speed_mps))
            travel.append(self._drive_tick(time_s, speed_mps))
            self._tick += 1
        first_travel = first_tick * TICK_SAMPLES
        samples = Samples(
            first_travel=first_travel,
            travel_counts=np.concatenate(travel),
            kept=self._travel.kept(first_travel, n_samples),
            first_slow=first_tick,
            body_c=np.stack(body),
            ambient_c=np.array(ambient, dtype=np.float32),
            speed_mps=np.array(speed, dtype=np.float32),
        )
        return samples, self.truth()

    def _drive_tick(self, time_s: float, speed_mps: float) -> NDArray[np.int16]:
        """Move mechanics on by one tick, then heat with what the tick brought; return the counts."""
        first = self._tick * TICK_SAMPLES
        steps = TICK_SAMPLES * self._steps_per_sample
        step_times_s = time_s + np.arange(steps, dtype=np.float64) * self._step_s
        distance_m, _ = self._timeline.motion(step_times_s)
        road_m = self._belt.heights_m(distance_m, self._parameters.tracks, self._parameters.lags_m)
        if self._road_of_run is not None:
            road_m = road_m[:, self._road_of_run]
        trace = self._car.run(road_m, self._idle_mps2(step_times_s))
        valid = self._travel.valid(first, TICK_SAMPLES)
        by_step = None if valid is None else np.repeat(valid, self._steps_per_sample, axis=0)
        heat_j, speed_square = self._counter.add(trace, by_step)
        tick_s = TICK_SAMPLES / TRAVEL_HZ
        self._heat.advance(heat_j / tick_s, speed_square, speed_mps, self._timeline.ambient_c(time_s), tick_s)
        np.maximum(self._peak_oil_c, self._heat.oil_c, out=self._peak_oil_c)
        np.maximum(self._peak_body_c, self._heat.body_c, out=self._peak_body_c)
        self._set_temperature()
        return self._travel.read_counts(first, trace.travel_m[:: self._steps_per_sample].copy())

    def _start_heat(self, shape: tuple[int, int]) -> None:
        """Begin at air temperature and rest on the springs at that temperature."""
        self._heat = TwoNodeHeat(self._parameters.heat, np.full(shape, self._timeline.ambient_c(0.0)))
        self._fade_per_k = np.array([p.fade_per_k for p in self._profiles])
        self._reference_c = np.array([p.reference_c for p in self._profiles])
        self._peak_oil_c, self._peak_body_c = self._heat.oil_c.copy(), self._heat.body_c.copy()
        self._set_temperature()
        self._car.rest_on_level_ground()

    def _set_temperature(self) -> None:
        """Let gas and damping force follow the body: both change by well under 0.1 % a tick."""
        above_k = np.maximum(self._heat.body_c - self._reference_c, 0.0)
        self._car.set_temperature(self._heat.body_c, 1.0 - self._fade_per_k * above_k)

    def _idle_mps2(self, times_s: Floats) -> Floats:
        """Return the engine's shaking of the sprung masses (steps, 1, wheels)."""
        if not self._timeline.stage_at(float(times_s[0])).engine_on:
            return np.zeros((len(times_s), 1, len(self._profiles)))
        angle = 2.0 * np.pi * self._parameters.idle_hz * times_s[:, None]
        shake = np.sin(angle + self._idle_phases[0]) + 0.4 * np.sin(2.0 * angle + self._idle_phases[1])
        return np.asarray(self._parameters.idle_mps2 * shake)[:, None, :]

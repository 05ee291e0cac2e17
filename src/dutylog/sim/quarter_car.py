"""A quarter car per wheel, for many runs side by side.

Sprung and unsprung mass; spring, nitrogen spring, stops and damper act through a motion ratio; the
tyre pushes but never pulls. Friction, tyre damping and anti-roll bars are left out.

Integration is the leapfrog scheme with a fixed step: speeds live half a step beside positions, and
the speed the damper sees is carried half a step on with the last acceleration. Second order, one
evaluation of the forces a step; error and energy balance are measured in test_quarter_car.py.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.sim.suspension import (
    SuspensionParameters,
    broadcast_parameters,
    build_wheel_tables,
    shaft_areas_m2,
)

Floats = NDArray[np.float64]

GRAVITY_MPS2 = 9.80665
"""Standard gravity, CGPM 1901."""


@dataclass(frozen=True, slots=True)
class Trace:
    """What happened in one call of `QuarterCar.run`, arrays (steps, runs, wheels).

    travel_m, speed_mps, force_n: of the damper, at the beginning of each step. slide_m: shaft
    travel within each step, signed. sprung_m, unsprung_m: heights, (steps + 1, runs, wheels).
    """

    travel_m: Floats
    speed_mps: Floats
    force_n: Floats
    slide_m: Floats
    sprung_m: Floats
    unsprung_m: Floats


class QuarterCar:
    """State of (runs, wheels) quarter cars and the loop that moves them on."""

    def __init__(
        self,
        profiles: Sequence[Profile],
        parameters: SuspensionParameters,
        runs: int,
        step_s: float,
    ) -> None:
        """Put every wheel at rest on level ground.

        Args:
            profiles: one for each wheel. parameters: broadcast to (runs, wheels).
            step_s: integration step [s]; 0.25 ms is the project's choice.
        Raises:
            InputError: runs < 1, step_s <= 0 or a parameter of the wrong shape.
        """
        self._profiles = tuple(profiles)
        self._shape = (runs, len(self._profiles))
        if runs < 1 or not self._profiles or step_s <= 0.0:
            raise InputError(f"quarter car of {self._shape} wheels at steps of {step_s} s makes no sense")
        self._step_s = step_s
        self._p = broadcast_parameters(parameters, self._shape)
        self._areas_m2 = shaft_areas_m2(self._profiles)
        self._tables = build_wheel_tables(self._profiles, self._p)
        self._by_travel = any(len(profile.force) > 1 for profile in self._profiles)
        self._build_coefficients()
        self.set_temperature(self._p.gas_reference_c, np.ones(self._shape))
        self._position = np.zeros((2, *self._shape))
        self._rate = np.zeros((2, *self._shape))
        self._seen = np.zeros((2, *self._shape))
        self.rest_on_level_ground()

    def set_temperature(self, gas_c: Floats, fade_ratio: Floats) -> None:
        """Set gas temperature [degC] and the factor on every damping force, both (runs, wheels).

        Source:
            Pressure rises with absolute temperature at constant volume (ideal gas).
        """
        warm = (gas_c + 273.15) / (self._p.gas_reference_c + 273.15)
        self._factors[0] = self._p.gas_pressure_pa_abs * warm * self._areas_m2
        self._factors[2] = fade_ratio

    def static_force_n(self, travel_m: Floats) -> Floats:
        """Return spring, gas and stops together [N] at a travel (runs, wheels) [m], no damping."""
        return self._elastic_n(travel_m, self._factors[0])

    def rest_on_level_ground(self) -> None:
        """Bring every wheel to its static travel at zero road height, at rest."""
        wanted_n = self._p.sprung_kg * GRAVITY_MPS2 / self._p.motion_ratio
        low = np.full(self._shape, -0.02)
        high = np.array([p.stroke_m for p in self._profiles]) + np.zeros(self._shape) + 0.02
        for _ in range(60):  # halves 0.3 m to below the last bit
            middle = 0.5 * (low + high)
            too_soft = self.static_force_n(middle) < wanted_n
            low, high = np.where(too_soft, middle, low), np.where(too_soft, high, middle)
        weight_n = (self._p.sprung_kg + self._p.unsprung_kg) * GRAVITY_MPS2
        self._position[1] = -weight_n / self._p.tyre_n_per_m
        self._position[0] = self._position[1] - low / self._p.motion_ratio
        self._rate[:] = 0.0
        self._seen[:] = 0.0

    def place(self, sprung_m: Floats, unsprung_m: Floats) -> None:
        """Put the masses at given heights [m], at rest, over level ground."""
        self._position[0], self._position[1] = sprung_m, unsprung_m
        self._rate[:] = 0.0
        self._seen[:] = 0.0
        start = self._position.copy()
        level = np.zeros((1, 1, self._shape[1]))
        self.run(level, level)
        # the speed that is kept belongs to half a step earlier: half a step's gain short of rest
        self._rate *= -0.5
        self._position, self._seen[:] = start, 0.0

    def kinetic_j(self) -> Floats:
        """Return the energy of motion (runs, wheels) [J]."""
        speed = self._seen / self._step_s
        return np.asarray(0.5 * (self._p.sprung_kg * speed[0] ** 2 + self._p.unsprung_kg * speed[1] ** 2))

    def run(self, road_m: Floats, body_mps2: Floats) -> Trace:
        """Move on by len(road_m) steps.

        Args:
            road_m: (steps, runs or 1, wheels) road height [m] at the beginning of each step.
            body_mps2: (steps, 1, wheels) acceleration by the engine on the sprung mass.
        Returns:
            Trace of the steps.
        """
        steps = len(road_m)
        positions = np.empty((steps + 1, 2, *self._shape))
        cells = np.empty((steps, 3, *self._shape))
        forces = np.empty((steps, 3, *self._shape))
        slides = np.empty((steps, *self._shape))
        positions[0] = self._position
        pull = np.zeros((steps, 2, 1, self._shape[1]))
        pull[:, 0] = (body_mps2 - GRAVITY_MPS2) * self._step_s**2
        pull[:, 1] = -GRAVITY_MPS2 * self._step_s**2
        self._loop(road_m, pull, positions, cells, forces, slides)
        self._position = positions[-1].copy()
        scaled = (cells[:, 1:] - self._tables.offsets[1:]) / np.array(self._tables.units)[:, None, None]
        return Trace(
            travel_m=scaled[:, 0],
            speed_mps=scaled[:, 1],
            force_n=forces[:, 2],
            slide_m=slides * self._p.motion_ratio,
            sprung_m=positions[:, 0],
            unsprung_m=positions[:, 1],
        )

    def _loop(
        self, road_m: Floats, pull: Floats, positions: Floats, cells: Floats, forces: Floats, slides: Floats
    ) -> None:
        """Do the steps: some 25 calls on preallocated arrays each; a call costs half a microsecond at least."""
        rate, seen = self._rate, self._seen
        relative, gain, push = np.empty_like(cells[0]), np.empty_like(rate), np.empty(self._shape)
        slope, index = np.empty_like(cells[0]), np.empty(cells[0].shape, dtype=np.intp)
        offsets, lowest, highest = self._tables.offsets, self._tables.lowest, self._tables.highest
        intercepts, slopes = self._tables.intercepts, self._tables.slopes
        to_cell, factors, spread, tyre = self._to_cell, self._factors, self._spread, self._tyre
        for road, weight, here, there, cell, force, slide in zip(
            road_m, pull, positions[:-1], positions[1:], cells, forces, slides, strict=True
        ):
            np.subtract(here[1], here[0], relative[0])
            relative[1] = relative[0]
            np.subtract(seen[1], seen[0], relative[2])
            np.multiply(relative, to_cell, cell)
            np.add(cell, offsets, cell)
            np.copyto(index, cell, casting="unsafe")
            np.maximum(index, lowest, out=index)
            np.minimum(index, highest, out=index)
            slopes.take(index, out=slope, mode="clip")
            intercepts.take(index, out=force, mode="clip")
            np.multiply(slope, cell, slope)
            np.add(force, slope, force)
            if self._by_travel:
                force[2] = self._damping_by_travel_n(cell)
            np.multiply(force, factors, force)
            force.sum(axis=0, out=push)
            np.multiply(push, spread, gain)
            np.subtract(road, here[1], push)
            np.maximum(push, 0.0, out=push)
            np.multiply(push, tyre, push)
            np.add(gain[1], push, gain[1])
            np.add(gain, weight, gain)
            np.add(rate, gain, rate)
            np.add(here, rate, there)
            np.subtract(rate[1], rate[0], slide)
            np.multiply(gain, 0.5, seen)
            np.add(seen, rate, seen)

    def _damping_by_travel_n(self, cell: Floats) -> Floats:
        """Return the force of curves that depend on travel: between the curves of the two nearest entries."""
        table, nodes = self._tables, self._tables.nodes
        travel_m = (cell[1] - table.offsets[1]) / table.units[0]
        place = travel_m * nodes.per_unit + nodes.offsets
        number = np.clip(place.astype(np.intp), nodes.lowest, nodes.highest)
        coordinate = nodes.intercepts[number] + nodes.slopes[number] * place
        lower = np.minimum(coordinate.astype(np.intp), table.last_node)
        shift = lower * table.node_stride
        index = np.clip(cell[2].astype(np.intp), table.lowest[2], table.highest[2]) + shift
        upper = index + table.node_stride
        speed_cell = cell[2] + shift
        first = table.intercepts[index] + table.slopes[index] * speed_cell
        second = table.intercepts[upper] + table.slopes[upper] * (speed_cell + table.node_stride)
        return np.asarray(first + (coordinate - lower) * (second - first))

    def _elastic_n(self, travel_m: Floats, gas_n: Floats) -> Floats:
        """Look up gas and elastic force at a travel, the same way as the loop does."""
        table, total = self._tables, np.zeros(self._shape)
        for row, factor in ((0, gas_n), (1, self._factors[1])):
            cell = travel_m * table.units[0] + table.offsets[row]
            index = np.clip(cell.astype(np.intp), table.lowest[row], table.highest[row])
            total += factor * (table.intercepts[index] + table.slopes[index] * cell)
        return total

    def _build_coefficients(self) -> None:
        """Fold step, masses and motion ratio into the factors of the loop."""
        p, square = self._p, self._step_s**2
        units = self._tables.units
        self._to_cell = np.stack(
            [
                p.motion_ratio * units[0],
                p.motion_ratio * units[0],
                p.motion_ratio * units[1] / self._step_s,
            ]
        )
        self._spread = np.stack([p.motion_ratio * square / p.sprung_kg, -p.motion_ratio * square / p.unsprung_kg])
        self._tyre = p.tyre_n_per_m * square / p.unsprung_kg
        self._factors = np.ones((3, *self._shape))

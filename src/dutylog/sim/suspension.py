"""What acts along a damper but its damping curve, and all of it as tables for every wheel of every run."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.sim.force_tables import EvenTable, Law, curve_force_n, node_coordinate, tabulate, unique_numbers
from dutylog.units import STANDARD_ATMOSPHERE_PA

Floats = NDArray[np.float64]
Indices = NDArray[np.intp]

TRAVEL_CELL_M = 0.25e-3
NODE_CELL_M = 0.1e-3
SPEED_CELL_MPS = 1e-3
SPEED_RANGE_MPS = 12.0
BEYOND_M = 0.05
"""Tables reach this far beyond either end of the stroke; further on they go on straight."""


@dataclass(frozen=True, slots=True)
class SuspensionParameters:
    """Everything but the force curve; each field broadcasts to (runs, wheels).

    motion_ratio: shaft travel per wheel travel. spring_*: at the damper's axis, preload at full
    extension; the spring never pulls. gas_*: nitrogen at full extension, absolute pressure at
    gas_reference_c; volume times pressure^(1/exponent) is constant. bump_*: rubber over the last
    `bump_length_m` before full compression, k d + k3 d^3; top_*: over the last length before full
    extension; beyond both ends metal of `metal_n_per_m`.
    """

    sprung_kg: Floats
    unsprung_kg: Floats
    motion_ratio: Floats
    spring_n_per_m: Floats
    spring_preload_n: Floats
    tyre_n_per_m: Floats
    gas_pressure_pa_abs: Floats
    gas_volume_m3: Floats
    gas_exponent: Floats
    gas_reference_c: Floats
    bump_length_m: Floats
    bump_n_per_m: Floats
    bump_n_per_m3: Floats
    top_length_m: Floats
    top_n_per_m: Floats
    metal_n_per_m: Floats


def gas_shape(
    travel_m: Floats, shaft_area_m2: float | Floats, volume_m3: float | Floats, exponent: float | Floats
) -> Floats:
    """Return nitrogen pressure relative to that at full extension, absolute over absolute.

    Source:
        p V^n = const with V = V_extended - A_shaft x; checked against ideal isothermal (n = 1) and
        adiabatic (n = 1.4) columns of 02_n2_pressure_vs_shaft.csv.
    """
    left_m3 = np.maximum(volume_m3 - shaft_area_m2 * travel_m, 0.02 * volume_m3)
    return np.asarray((volume_m3 / left_m3) ** exponent)


@dataclass(frozen=True, slots=True)
class WheelTables:
    """Where each wheel's three laws (gas, elastic, damping) lie in one flat table.

    offsets, lowest, highest: (3, runs, wheels). units: cells per metre and per m/s. nodes: place of
    a travel between a profile's force entries, one law a wheel; the curve of entry k lies k *
    node_stride cells behind that of the first; last_node: highest lower entry of each wheel.
    """

    offsets: Floats
    lowest: Indices
    highest: Indices
    intercepts: Floats
    slopes: Floats
    units: tuple[float, float]
    nodes: EvenTable
    node_stride: int
    last_node: Indices


def build_wheel_tables(profiles: Sequence[Profile], parameters: SuspensionParameters) -> WheelTables:
    """Return the tables; wheels and runs with equal numbers share one law.

    Args:
        profiles: one for each wheel. parameters: every field (runs, wheels).
    """
    shape = parameters.sprung_kg.shape
    longest_m = max(profile.stroke_m for profile in profiles)
    gas_of, gas_laws = _gas_laws(profiles, parameters)
    elastic_of, elastic_laws = _elastic_laws(profiles, parameters)
    travel = tabulate([*gas_laws, *elastic_laws], -BEYOND_M, longest_m + BEYOND_M, TRAVEL_CELL_M)
    damping_of, damping_laws = _damping_laws(profiles)
    speed = tabulate(damping_laws, -SPEED_RANGE_MPS, SPEED_RANGE_MPS, SPEED_CELL_MPS)
    rows = (
        (travel, gas_of, 0),
        (travel, len(gas_laws) + elastic_of, 0),
        (speed, np.broadcast_to(damping_of, shape), len(travel.slopes)),
    )
    return WheelTables(
        offsets=np.stack([table.offsets[law] + shift for table, law, shift in rows]),
        lowest=np.stack([table.lowest[law] + shift for table, law, shift in rows]),
        highest=np.stack([table.highest[law] + shift for table, law, shift in rows]),
        # the table of speed stands behind that of travel, so its coordinates are that much higher
        intercepts=np.concatenate((travel.intercepts, speed.intercepts - speed.slopes * float(len(travel.slopes)))),
        slopes=np.concatenate((travel.slopes, speed.slopes)),
        units=(travel.per_unit, speed.per_unit),
        nodes=tabulate([_node_law(p) for p in profiles], -BEYOND_M, longest_m + BEYOND_M, NODE_CELL_M),
        node_stride=int(speed.highest[0] - speed.lowest[0] + 1),
        last_node=np.array([max(len(p.force) - 2, 0) for p in profiles], dtype=np.intp),
    )


def broadcast_parameters(parameters: SuspensionParameters, shape: tuple[int, int]) -> SuspensionParameters:
    """Return the parameters with every field in the full shape.

    Raises:
        InputError: a field whose shape can't be brought to (runs, wheels).
    """
    full: dict[str, Floats] = {}
    for name in (field.name for field in fields(SuspensionParameters)):
        value = np.asarray(getattr(parameters, name), dtype=np.float64)
        try:
            full[name] = np.ascontiguousarray(np.broadcast_to(value, shape))
        except ValueError as err:
            raise InputError(f"parameter {name} has shape {value.shape}, (runs, wheels) is {shape}") from err
    return SuspensionParameters(**full)


def shaft_areas_m2(profiles: Sequence[Profile]) -> Floats:
    """Return the cross-section of each wheel's damper shaft [m2]."""
    return np.asarray(np.pi / 4.0 * np.array([profile.shaft_diameter_m for profile in profiles]) ** 2)


def _gas_laws(profiles: Sequence[Profile], p: SuspensionParameters) -> tuple[Indices, list[Law]]:
    """Return the number of every wheel's gas law and the different laws."""
    areas = shaft_areas_m2(profiles)
    keys = [
        (float(areas[w]), float(p.gas_volume_m3[r, w]), float(p.gas_exponent[r, w]))
        for r, w in np.ndindex(p.sprung_kg.shape)
    ]
    numbers, firsts = unique_numbers(keys)
    laws = [_gas_law(*keys[place]) for place in firsts]
    return np.array(numbers, dtype=np.intp).reshape(p.sprung_kg.shape), laws


def _elastic_laws(profiles: Sequence[Profile], p: SuspensionParameters) -> tuple[Indices, list[Law]]:
    """Return the number of every wheel's law of spring and stops and the different laws."""
    columns = (
        np.broadcast_to([profile.stroke_m for profile in profiles], p.sprung_kg.shape),
        np.broadcast_to(shaft_areas_m2(profiles), p.sprung_kg.shape),
        p.spring_n_per_m,
        p.spring_preload_n,
        p.bump_length_m,
        p.bump_n_per_m,
        p.bump_n_per_m3,
        p.top_length_m,
        p.top_n_per_m,
        p.metal_n_per_m,
    )
    keys = [tuple(row) for row in np.stack(columns, axis=-1).reshape(-1, len(columns)).tolist()]
    numbers, firsts = unique_numbers(keys)
    laws = [_elastic_law(*keys[place]) for place in firsts]
    return np.array(numbers, dtype=np.intp).reshape(p.sprung_kg.shape), laws


def _damping_laws(profiles: Sequence[Profile]) -> tuple[Indices, list[Law]]:
    """Return the number of every wheel's first curve and all curves.

    Every profile gets as many curves as the longest list has and one more, so that there is always
    a next one to look up.
    """
    numbers, firsts = unique_numbers([id(profile) for profile in profiles])
    most = max(len(profile.force) for profile in profiles) + 1
    laws = [
        _damping_law(profiles[place], min(number, len(profiles[place].force) - 1))
        for place in firsts
        for number in range(most)
    ]
    return np.array(numbers, dtype=np.intp) * most, laws


def _gas_law(area_m2: float, volume_m3: float, exponent: float) -> Law:
    return lambda travel_m: gas_shape(travel_m, area_m2, volume_m3, exponent)


def _elastic_law(
    stroke_m: float,
    area_m2: float,
    spring: float,
    preload_n: float,
    bump_length_m: float,
    bump: float,
    bump_cubic: float,
    top_length_m: float,
    top: float,
    metal: float,
) -> Law:
    """Spring, stops and the air that pushes back on the shaft, over travel."""

    def law(travel_m: Floats) -> Floats:
        into_bump = np.maximum(travel_m - (stroke_m - bump_length_m), 0.0)
        into_top = np.maximum(top_length_m - travel_m, 0.0)
        beyond = np.maximum(travel_m - stroke_m, 0.0) - np.maximum(-travel_m, 0.0)
        return np.asarray(
            np.maximum(preload_n + spring * travel_m, 0.0)
            + bump * into_bump
            + bump_cubic * into_bump**3
            - top * into_top
            + metal * beyond
            - STANDARD_ATMOSPHERE_PA * area_m2
        )

    return law


def _damping_law(profile: Profile, number: int) -> Law:
    curve = profile.force[number].curve
    return lambda speed_mps: curve_force_n(curve, speed_mps)


def _node_law(profile: Profile) -> Law:
    if len(profile.force) == 1:
        return lambda travel_m: np.zeros_like(travel_m)
    return lambda travel_m: node_coordinate(profile, travel_m)

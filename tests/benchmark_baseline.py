"""The plain way to do the job, for comparison: what fits on one screen and looks right.

Sort the rows, differentiate, look the force up, multiply, add up; a stroke is a change of sign. It knows no noise,
no faults and no clock. It follows the same definitions where they cost nothing: end slopes, fade, force by travel,
a bottom-out 3 mm before the end.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray

Array = NDArray[np.float64]
Columns = dict[str, Array]

BOTTOM_MM = 3.0


def load_columns(recording: Path) -> Columns:
    """Return the columns of a recording, rows in order of time and each instant once."""
    table = pq.read_table(recording)
    columns = {name: np.asarray(table[name], dtype=np.float64) for name in table.column_names}
    keep = np.unique(columns["t_s"], return_index=True)[1]
    return {name: values[keep] for name, values in columns.items()}


def load_truck(vehicle_file: Path) -> dict[str, Any]:
    """Return a vehicle file as it stands."""
    return tomllib.loads(vehicle_file.read_text(encoding="utf-8"))


def compute_all(columns: Columns, truck: dict[str, Any]) -> dict[str, dict[str, float]]:
    """Return figures of every damper under the names `dutylog integrate` uses."""
    return {
        damper["position"]: compute_damper(columns, damper["position"], truck["profile"][damper["profile"]])
        for damper in truck["damper"]
    }


def compute_damper(columns: Columns, position: str, profile: dict[str, Any]) -> dict[str, float]:
    """Return one damper's figures, the plain way."""
    t_s, travel_mm, body_c = columns["t_s"], columns[f"{position}_travel_mm"], columns[f"{position}_body_c"]
    known = np.isfinite(body_c)
    travel_m = travel_mm / 1e3
    speed = np.gradient(travel_m, t_s)
    over_k = np.maximum(0.0, np.interp(t_s, t_s[known], body_c[known]) - profile["reference_c"])
    power = force_n(profile, speed, travel_mm) * speed * (1 - profile["fade_per_k"] * over_k)
    slid_m = np.abs(np.diff(travel_m)).sum()
    at_end = travel_mm >= profile["stroke_mm"] - BOTTOM_MM
    figures = {
        "energy_j": np.trapezoid(power, t_s),
        "compression_energy_j": np.trapezoid(np.where(speed > 0, power, 0.0), t_s),
        "rebound_energy_j": np.trapezoid(np.where(speed < 0, power, 0.0), t_s),
        "strokes": np.count_nonzero(np.diff(np.sign(speed))),
        "shaft_travel_m": slid_m,
        "stroke_travel_m": slid_m,
        "peak_compression_mps": speed.max(),
        "peak_rebound_mps": -speed.min(),
        "peak_body_c": np.nanmax(body_c),
        "bottom_outs": np.count_nonzero(np.diff(at_end.astype(np.int8)) == 1),
    }
    return {name: float(value) for name, value in figures.items()}


def force_n(profile: dict[str, Any], speed: Array, travel_mm: Array) -> Array:
    """Return the force by speed and, where the profile says so, by travel."""
    if "force_curve" in profile:
        return along_curve(profile["force_curve"], speed)
    stations = profile["force_at"]
    places_mm = np.array([station["travel_mm"] for station in stations])
    forces = np.array([along_curve(station["force_curve"], speed) for station in stations])
    inside_mm = np.clip(travel_mm, places_mm[0], places_mm[-1])
    piece = np.clip(np.searchsorted(places_mm, inside_mm, side="right") - 1, 0, len(stations) - 2)
    share = (inside_mm - places_mm[piece]) / np.diff(places_mm)[piece]
    sample = np.arange(len(speed))
    return (1 - share) * forces[piece, sample] + share * forces[piece + 1, sample]


def along_curve(points: list[list[float]], speed: Array) -> Array:
    """Return the force along one curve, end slopes extended."""
    v, f = np.array(points, dtype=np.float64).T
    force = np.interp(speed, v, f)
    force = np.where(speed < v[0], f[0] + (speed - v[0]) * (f[1] - f[0]) / (v[1] - v[0]), force)
    return np.where(speed > v[-1], f[-1] + (speed - v[-1]) * (f[-1] - f[-2]) / (v[-1] - v[-2]), force)

"""The plain way to do the job, for comparison: what fits on one screen and looks right.

Sort the rows, differentiate, look the force up, multiply, add up; a stroke is a change of sign. It knows no noise,
no faults and no clock. It follows the same definitions where they cost nothing: end slopes, fade, force by travel.
"""

from __future__ import annotations

import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
from numpy.typing import NDArray

Array = NDArray[np.float64]
Columns = dict[str, Array]


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
    speed = np.gradient(travel_mm * 1e-3, t_s)
    over_k = np.maximum(0.0, np.interp(t_s, t_s[known], body_c[known]) - profile["reference_c"])
    force = force_n(profile, speed, travel_mm) * (1 - profile["fade_per_k"] * over_k)
    power = force * speed
    return {
        "energy_j": float(np.trapezoid(power, t_s)),
        "strokes": float(np.count_nonzero(np.diff(np.sign(speed)))),
        "peak_compression_mps": float(speed.max()),
        "peak_rebound_mps": float(-speed.min()),
    }


def force_n(profile: dict[str, Any], speed: Array, travel_mm: Array) -> Array:
    """Return the force by speed and, where the profile says so, by travel."""
    if "force_curve" in profile:
        return along_curve(profile["force_curve"], speed)
    stations = profile["force_at"]
    result = along_curve(stations[0]["force_curve"], speed)
    for low, high in pairwise(stations):
        share = np.clip((travel_mm - low["travel_mm"]) / (high["travel_mm"] - low["travel_mm"]), 0.0, 1.0)
        result += share * (along_curve(high["force_curve"], speed) - along_curve(low["force_curve"], speed))
    return result


def along_curve(points: list[list[float]], speed: Array) -> Array:
    """Return the force along one curve, end slopes extended."""
    v, f = np.array(points).T
    force = np.interp(speed, v, f)
    force += np.minimum(speed - v[0], 0.0) * (f[1] - f[0]) / (v[1] - v[0])
    force += np.maximum(speed - v[-1], 0.0) * (f[-1] - f[-2]) / (v[-1] - v[-2])
    return force

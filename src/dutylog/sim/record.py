"""A simulated drive as an exchange recording with its truth, for tests and examples.

Columns: t_s; per position <position>_travel_mm and <position>_body_c (NaN between its 10 Hz
samples); ambient_c and speed_mps (NaN between samples).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError
from dutylog.sim.parameters import VehicleParameters, generic_parameters
from dutylog.sim.scenario import Scenario
from dutylog.sim.sensors import SLOW_HZ, TRAVEL_HZ, ScriptedFault
from dutylog.sim.truth import Truth
from dutylog.sim.vehicle import Samples, SimulatedVehicle

Columns = dict[str, NDArray[np.float64]]

WINDOW_S = 10

DEFINITIONS = {
    "stroke": "excursion between reversals of the true travel that retrace at least 3 mm; the first and the last "
    "count if at least 3 mm long",
    "energy_j": "integral of F(v) v dt with F = curve * (1 - fade_per_k * max(0, T_body_true - reference_c))",
    "valid_energy_j": "the same over time without open, stuck or missing travel",
    "shaft_travel_m": "sum of |dx| of the true travel",
    "stroke_travel_m": "sum of the lengths of counted strokes",
    "bottom_outs": "up-crossings of stroke - 3 mm by the true travel, re-armed below stroke - 6 mm",
}

_TRUTH_FLOATS = {
    "compression_energy_j": "energy_compression_j",
    "rebound_energy_j": "energy_rebound_j",
    "valid_compression_energy_j": "valid_energy_compression_j",
    "valid_rebound_energy_j": "valid_energy_rebound_j",
    "valid_s": "valid_s",
    "stroke_travel_m": "stroke_travel_m",
    "shaft_travel_m": "shaft_travel_m",
    "peak_compression_mps": "peak_compression_mps",
    "peak_rebound_mps": "peak_rebound_mps",
    "peak_body_c": "peak_body_c",
    "peak_oil_c": "peak_oil_c",
}
"""Key in the truth of a recording: field of `Truth`."""


def simulate_recording(
    vehicle: Vehicle,
    scenario: Scenario,
    seconds: int,
    seed: int,
    parameters: VehicleParameters | None = None,
    faults: Sequence[ScriptedFault] = (),
) -> tuple[Columns, dict[str, Any]]:
    """Drive a scenario once and return what a logger would have stored, and what is true.

    Args:
        seconds: whole seconds, at least 1.
    Returns:
        Columns by name, and the truth: `dampers` by position with totals, `windows_10s` (t0, t1,
        energies), `thermal` (temperatures at the windows' ends); `faults`, `definitions`.
    Raises:
        InputError: seconds below 1, or anything the vehicle or scenario can't be.
    """
    if seconds < 1:
        raise InputError(f"a recording of {seconds} s, expected at least 1")
    used = parameters or generic_parameters(vehicle)
    drive = SimulatedVehicle(vehicle, used, scenario, seed, faults=faults)
    start = drive.truth()
    spans_s = [min(WINDOW_S, seconds - done_s) for done_s in range(0, seconds, WINDOW_S)]
    pieces, later = zip(*(drive.advance(span_s * TRAVEL_HZ) for span_s in spans_s), strict=True)
    truths = (start, *later)
    truth_data = {
        "schema": 1,
        "kind": scenario.name,
        "seed": seed,
        "duration_s": float(seconds),
        "definitions": dict(DEFINITIONS),
        "dampers": {
            damper.position: _damper_truth(truths, wheel, used) for wheel, damper in enumerate(vehicle.dampers)
        },
        "faults": [asdict(fault) for fault in faults],
    }
    return _columns(vehicle, pieces), truth_data


def _columns(vehicle: Vehicle, pieces: Sequence[Samples]) -> Columns:
    """Lay all streams on the grid of travel; dropped samples are missing rows."""
    counts = np.concatenate([piece.travel_counts[:, 0] for piece in pieces])
    body_c = np.concatenate([piece.body_c[:, 0] for piece in pieces])
    kept = np.concatenate([piece.kept for piece in pieces])
    columns: Columns = {"t_s": np.arange(len(counts)) / TRAVEL_HZ}
    for wheel, damper in enumerate(vehicle.dampers):
        raw, mm = (np.array(column) for column in zip(*damper.calibration, strict=True))
        columns[f"{damper.position}_travel_mm"] = _calibrate_mm(counts[:, wheel].astype(np.float64), raw, mm)
        columns[f"{damper.position}_body_c"] = _spread(body_c[:, wheel], SLOW_HZ, len(counts))
    columns["ambient_c"] = _spread(np.concatenate([p.ambient_c for p in pieces]), SLOW_HZ, len(counts))
    columns["speed_mps"] = _spread(np.concatenate([p.speed_mps for p in pieces]), SLOW_HZ, len(counts))
    return {name: column[kept] for name, column in columns.items()}


def _calibrate_mm(
    counts: NDArray[np.float64], raw: NDArray[np.float64], mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return travel [mm] of counts, end pieces of the calibration extended."""
    piece = np.clip(np.searchsorted(raw, counts, side="right") - 1, 0, len(raw) - 2)
    return np.asarray(mm[piece] + (np.diff(mm) / np.diff(raw))[piece] * (counts - raw[piece]))


def _spread(values: NDArray[np.float32], rate_hz: int, rows: int) -> NDArray[np.float64]:
    """Put a slow stream on the grid of travel, NaN between its samples."""
    column = np.full(rows, np.nan)
    column[:: TRAVEL_HZ // rate_hz] = values
    return column


def _damper_truth(truths: Sequence[Truth], wheel: int, used: VehicleParameters) -> dict[str, Any]:
    """Return one damper's truth as JSON types."""
    end = truths[-1]

    def series(name: str) -> list[float]:
        return [float(getattr(truth, name)[0, wheel]) for truth in truths]

    def gains(name: str) -> list[float]:
        return np.diff(series(name)).tolist()

    compression, rebound = gains("energy_compression_j"), gains("energy_rebound_j")
    return {
        "energy_j": float(end.energy_j[0, wheel]),
        **{key: float(getattr(end, name)[0, wheel]) for key, name in _TRUTH_FLOATS.items()},
        **{key: int(getattr(end, key)[0, wheel]) for key in ("strokes", "compression_strokes", "bottom_outs")},
        "travel_min_mm": float(end.travel_min_m[0, wheel]) * 1e3,
        "travel_max_mm": float(end.travel_max_m[0, wheel]) * 1e3,
        "windows_10s": {
            "t0": [truth.time_s for truth in truths[:-1]],
            "t1": [truth.time_s for truth in truths[1:]],
            "compression_energy_j": compression,
            "rebound_energy_j": rebound,
            "energy_j": [a + b for a, b in zip(compression, rebound, strict=True)],
        },
        "thermal": {
            "t": [truth.time_s for truth in truths],
            "oil_c": series("oil_c"),
            "body_c": series("body_c"),
            "C_oil": _of_wheel(used.heat.oil_j_per_k, wheel),
            "C_body": _of_wheel(used.heat.body_j_per_k, wheel),
        },
    }


def _of_wheel(values: NDArray[np.float64], wheel: int) -> float:
    """Return a parameter of one wheel, whatever shape it was given in."""
    flat = np.asarray(values).reshape(-1)
    return float(flat[wheel if len(flat) > 1 else 0])

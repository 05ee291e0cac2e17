"""How far a candidate's travel and speed lie from the truth, counted by the engine's own accumulators."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from tests.estimators.recordings import Known

from dutylog.duty.damper_duty import DamperDuty, PreparedRun
from dutylog.duty.force import ForceTable

Array = NDArray[np.float64]

PEAKS = ("peak_compression_mps", "peak_rebound_mps")


@dataclass(frozen=True, slots=True)
class Errors:
    """Signed errors of one damper: shares of the truth, power_w the mean power in W."""

    position: str
    grade: str
    energy: float
    power_w: float
    strokes: float
    sliding: float
    peak: float


def score(known: Known, travel_m: Array, speed_mps: Array) -> list[Errors]:
    """Return one line per damper.

    Args:
        travel_m, speed_mps: (dampers, samples) of the candidate.
    """
    return [_score_row(known, row, travel_m[row], speed_mps[row]) for row in range(len(travel_m))]


def _score_row(known: Known, row: int, travel_m: Array, speed_mps: Array) -> Errors:
    damper = known.vehicle.dampers[row]
    profile = known.vehicle.profile_of(damper)
    force = ForceTable(profile)
    force_n = force.compute_force_n(speed_mps, travel_m) * force.compute_fade_ratio(known.body_c[row])
    # Rounded like the engine: whole microjoules a sample, whole micrometres of travel.
    heat_uj = np.rint(np.maximum(force_n * speed_mps, 0.0) * (known.dt_s * 1e6)).astype(np.int64)
    duty = DamperDuty(round(profile.stroke_m * 1e6))
    travel_um = np.rint(travel_m * 1e6).astype(np.int64)
    duty.update(PreparedRun(travel_um, speed_mps, heat_uj, 0, round(known.dt_s * 1e9), joined=False))
    duty.break_off()
    got, true = duty.totals(), known.truth[damper.position]
    energy_j = float(heat_uj.sum()) * 1e-6
    peaks = (got.peak_compression_umps * 1e-6, got.peak_rebound_umps * 1e-6)
    return Errors(
        damper.position,
        true["sensor"]["grade"],
        energy_j / true["energy_j"] - 1.0,
        (energy_j - true["energy_j"]) / known.duration_s,
        (got.strokes_count - true["strokes"]) / max(true["strokes"], 1),
        got.shaft_travel_um * 1e-6 / true["shaft_travel_m"] - 1.0,
        max((peak / true[key] - 1.0 for peak, key in zip(peaks, PEAKS, strict=True)), key=abs),
    )

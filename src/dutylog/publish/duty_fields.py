"""Names and units of what is published of totals; the same for brokers and databases (shared/TOPICS.md)."""

from __future__ import annotations

from dutylog.duty.totals import Totals

MICRO = 1e6
MILLI = 1e3
"""Divided by, not multiplied with 1e-6, which isn't exact: so the nearest number there is, with the shortest text."""

Fields = dict[str, float | int | None]


def life_fields(totals: Totals) -> Fields:
    """Return a damper's life totals by published name; None: never seen."""
    return {
        "energy_compression_total_j": totals.energy_compression_uj / MICRO,
        "energy_rebound_total_j": totals.energy_rebound_uj / MICRO,
        "energy_total_j": totals.energy_uj / MICRO,
        "strokes_total_count": totals.strokes_count,
        "compression_strokes_total_count": totals.compression_strokes_count,
        "shaft_travel_total_m": totals.shaft_travel_um / MICRO,
        "stroke_travel_total_m": totals.stroke_travel_um / MICRO,
        "bottom_outs_total_count": totals.bottom_outs_count,
        "measured_total_s": totals.measured_us / MICRO,
        "unmeasured_total_s": totals.unmeasured_us / MICRO,
        "moving_total_s": totals.moving_us / MICRO,
        "moving_measured_total_s": totals.moving_measured_us / MICRO,
        "peak_compression_mps": totals.peak_compression_umps / MICRO,
        "peak_rebound_mps": totals.peak_rebound_umps / MICRO,
        "peak_body_c": _peak_body_c(totals),
    }


def trip_fields(totals: Totals, distance_m: float | None) -> Fields:
    """Return a damper's share of a trip by published name; distance_m: of the vehicle, None where unknown."""
    return {
        "energy_j": totals.energy_uj / MICRO,
        "strokes_count": totals.strokes_count,
        "shaft_travel_m": totals.shaft_travel_um / MICRO,
        "bottom_outs_count": totals.bottom_outs_count,
        "moving_s": totals.moving_us / MICRO,
        "moving_measured_s": totals.moving_measured_us / MICRO,
        "peak_body_c": _peak_body_c(totals),
        "distance_m": distance_m,
    }


def _peak_body_c(totals: Totals) -> float | None:
    return None if totals.peak_body_mc is None else totals.peak_body_mc / MILLI

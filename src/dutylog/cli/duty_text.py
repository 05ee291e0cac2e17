"""Duty as people read it in a terminal, and as programs read it: the edge where units are converted."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from dutylog.duty.totals import Totals
from dutylog.units import J_PER_UJ, M_PER_MILE, c_to_f

UNKNOWN = "-"
J_PER_KWH = 3.6e6
M_PER_INCH = 0.0254
SCHEMA = 1

METRIC = "metric"
US = "us"


def energy_head(units: str) -> str:
    """Return the heading of an energy column."""
    return "energy kWh" if units == US else "energy MJ"


def energy_text(energy_uj: int, units: str) -> str:
    """Return energy in MJ, or in kWh where people buy electricity by it and never met a joule."""
    energy_j = energy_uj * J_PER_UJ
    return f"{energy_j / J_PER_KWH:.4f}" if units == US else f"{energy_j / 1e6:.3f}"


def distance_head(what: str, units: str) -> str:
    """Return the heading of a column of long distances."""
    return f"{what} mi" if units == US else f"{what} km"


def distance_text(distance_m: float | None, units: str) -> str:
    """Return a distance in km or miles."""
    if distance_m is None:
        return UNKNOWN
    return f"{distance_m / M_PER_MILE:.3f}" if units == US else f"{distance_m / 1e3:.3f}"


def speed_head(what: str, units: str) -> str:
    """Return the heading of a column of shaft speeds."""
    return f"{what} in/s" if units == US else f"{what} m/s"


def speed_text(speed_umps: int, units: str) -> str:
    """Return a shaft speed in m/s or in/s."""
    speed_mps = speed_umps * 1e-6
    return f"{speed_mps / M_PER_INCH:.0f}" if units == US else f"{speed_mps:.2f}"


def temperature_head(units: str) -> str:
    """Return the heading of a column of peak body temperatures."""
    return "peak body °F" if units == US else "peak body °C"


def temperature_text(temperature_mc: int | None, units: str) -> str:
    """Return a temperature in °C or °F."""
    if temperature_mc is None:
        return UNKNOWN
    return f"{c_to_f(temperature_mc / 1e3) if units == US else temperature_mc / 1e3:.1f}"


def hours_text(time_us: int) -> str:
    """Return a time in hours."""
    return f"{time_us / 3.6e9:.2f}"


def duration_text(time_ns: int) -> str:
    """Return a time as h:mm:ss."""
    whole = time_ns // 1_000_000_000
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def percent_text(ratio: float | None) -> str:
    """Return a share in percent, cut and never rounded up: 99.97 % must not read as all."""
    return UNKNOWN if ratio is None else f"{math.floor(ratio * 1000 + 1e-9) / 10:.1f}"


def utc_text(utc_ns: int | None, is_trusted: bool) -> str:
    """Return wall time in UTC to the second, marked where nobody vouched for the clock."""
    if utc_ns is None:
        return "clock not set"
    try:
        moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=utc_ns // 1_000_000_000)
    except OverflowError:
        return "clock not set"
    return moment.strftime("%Y-%m-%d %H:%M:%SZ") + ("" if is_trusted else " (clock not checked)")


def compute_coverage(totals: Totals) -> float | None:
    """Return measured time as a share of moving time, None when nothing moved (shared/CONVENTIONS.md)."""
    return totals.moving_measured_us / totals.moving_us if totals.moving_us else None


def compute_measured_share(totals: Totals) -> float | None:
    """Return measured time as a share of all time the source ran, None when it never did."""
    ran_us = totals.measured_us + totals.unmeasured_us
    return totals.measured_us / ran_us if ran_us else None


def totals_to_json(totals: Totals, is_lifetime: bool) -> dict[str, Any]:
    """Return totals in SI units under their published names; lifetime totals say so in the name."""
    total = "total_" if is_lifetime else ""
    return {
        f"energy_{total}j": totals.energy_uj / 1e6,
        f"energy_compression_{total}j": totals.energy_compression_uj / 1e6,
        f"energy_rebound_{total}j": totals.energy_rebound_uj / 1e6,
        f"strokes_{total}count": totals.strokes_count,
        f"compression_strokes_{total}count": totals.compression_strokes_count,
        f"bottom_outs_{total}count": totals.bottom_outs_count,
        f"cavitation_{total}s": totals.cavitation_us / 1e6,
        f"cavitation_energy_{total}j": totals.cavitation_energy_uj / 1e6,
        f"shaft_travel_{total}m": totals.shaft_travel_um / 1e6,
        f"stroke_travel_{total}m": totals.stroke_travel_um / 1e6,
        f"measured_{total}s": totals.measured_us / 1e6,
        f"unmeasured_{total}s": totals.unmeasured_us / 1e6,
        f"moving_{total}s": totals.moving_us / 1e6,
        f"moving_measured_{total}s": totals.moving_measured_us / 1e6,
        "peak_compression_mps": totals.peak_compression_umps / 1e6,
        "peak_rebound_mps": totals.peak_rebound_umps / 1e6,
        "peak_body_c": None if totals.peak_body_mc is None else totals.peak_body_mc / 1e3,
        "coverage_ratio": compute_coverage(totals),
        "measured_ratio": compute_measured_share(totals),
    }


def json_text(engine: str, content: Mapping[str, Any]) -> str:
    """Return the JSON a command prints; `engine` is null before anything was computed."""
    return json.dumps({"schema": SCHEMA, "engine": engine or None, **content}, indent=2, allow_nan=False)


def table_text(heads: Sequence[str], rows: Sequence[Sequence[str]], left: int) -> str:
    """Return aligned columns: the first `left` to the left, numbers to the right."""
    lines = []
    widths = [max(len(row[i]) for row in (heads, *rows)) for i in range(len(heads))]
    for row in (heads, *rows):
        cells = [
            cell.ljust(w) if i < left else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        ]
        lines.append("  ".join(cells).rstrip())
    return "\n".join(lines)

"""Numbers as people read them, metric; static/quantity.js gives the same texts and the other units."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from dutylog.units import PA_PER_BAR

NBSP = "\u00a0"
UNKNOWN = "–"


def quantity_text(kind: str, value: float | None) -> str:
    """Return `value` with its unit.

    Args:
        kind: 'temperature_c', 'pressure_pa' (gauge), 'pressure_fine_pa', 'distance_m', 'far_m' (of a forecast: three
            figures), 'per_m' (times
            a distance driven), 'energy_j', 'duration_s', 'ratio' or 'count'.
        value: in the unit of the kind, or None for unknown.
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    return _FORMATS[kind](value)


def utc_text(utc_s: float | None) -> str:
    """Return wall time in UTC to the minute; static/page.js turns it into the reader's local time."""
    moment = _moment(utc_s)
    return moment.strftime("%Y-%m-%d %H:%M UTC") if moment else "time unknown"


def utc_iso(utc_s: float | None) -> str:
    """Return wall time as ISO 8601 for the `datetime` attribute, '' when unknown."""
    moment = _moment(utc_s)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ") if moment else ""


def position_text(position: str) -> str:
    """Return a position's name, or another key of ours, as words: 'front_left' reads 'front left'."""
    return position.replace("_", " ")


def _moment(utc_s: float | None) -> datetime | None:
    if utc_s is None:
        return None
    try:
        return datetime.fromtimestamp(utc_s, UTC)
    except (OverflowError, ValueError, OSError):
        return None


def _rounded(value: float, digits: int) -> str:
    """Round half away from zero like the page's script does, so both give the same text."""
    scaled = math.floor(abs(value) * 10**digits + 0.5) / 10**digits
    text = f"{scaled:.{digits}f}"
    return f"-{text}" if value < 0 and float(text) != 0 else text


def _three_figures(value: float) -> str:
    return _rounded(value, 0 if value >= 100 else 1 if value >= 10 else 2)


def _energy(value_j: float) -> str:
    for size_j, unit in ((1e9, "GJ"), (1e6, "MJ"), (1e3, "kJ")):
        if value_j >= size_j:
            return f"{_three_figures(value_j / size_j)}{NBSP}{unit}"
    return f"{_rounded(value_j, 0)}{NBSP}J"


def _distance(value_m: float) -> str:
    return f"{_rounded(value_m / 1e3, 1)}{NBSP}km" if value_m >= 1e3 else f"{_rounded(value_m, 0)}{NBSP}m"


def _far(value_m: float) -> str:
    whole = math.floor(value_m / 1e3 + 0.5)
    step = 10 ** max(0, len(str(whole)) - 3)
    return f"{_count(math.floor(whole / step + 0.5) * step)}{NBSP}km"


def _per_distance(value: float) -> str:
    return f"{_three_figures(value * 1e3)}{NBSP}times a km"


def _duration(value_s: float) -> str:
    whole = int(value_s)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _ratio(value: float) -> str:
    # cut, never rounded up: 99.97 % must not read as full coverage
    percent = math.floor(value * 1000.0 + 1e-9) / 10.0
    text = f"{percent:.0f}" if percent == int(percent) else f"{percent:.1f}"
    return f"{text}{NBSP}%"


def _count(value: float) -> str:
    return f"{int(value):,}".replace(",", "\u202f")


_FORMATS = {
    "temperature_c": lambda value: f"{_rounded(value, 0)}{NBSP}°C",
    "pressure_pa": lambda value: f"{_rounded(value / PA_PER_BAR, 1)}{NBSP}bar",
    "pressure_fine_pa": lambda value: f"{_rounded(value / PA_PER_BAR, 2)}{NBSP}bar",
    "distance_m": _distance,
    "far_m": _far,
    "per_m": _per_distance,
    "energy_j": _energy,
    "duration_s": _duration,
    "ratio": _ratio,
    "count": _count,
}

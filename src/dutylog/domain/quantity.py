"""Numbers as people read them, in either system of units; web/static/quantity.js gives the same texts."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime

from dutylog.units import K_PER_F, M_PER_FOOT, M_PER_INCH, M_PER_MILE, MPS_PER_MPH, PA_PER_BAR, PA_PER_PSI, c_to_f

NBSP = "\u00a0"
UNKNOWN = "–"
METRIC, US = "metric", "us"
SYSTEMS = (METRIC, US)
_Format = Callable[[float, bool], str]


def quantity_text(kind: str, value: float | None, system: str = METRIC) -> str:
    """Return `value` with its unit.

    Args:
        kind: one of KINDS. 'pressure_pa' and 'pressure_fine_pa' are gauge, 'far_m' is of a forecast (three figures),
            'per_m' times a distance driven, 'energy_per_m' joules a metre driven, 'change_ratio' how much more or less
            (0.38: 38 % more), 'share_ratio' a small part of something (two figures).
        value: in the unit of the kind, or None for unknown.
        system: one of SYSTEMS.
    """
    if value is None or not math.isfinite(value):
        return UNKNOWN
    return _FORMATS[kind](value, system == US)


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
    size = abs(value)
    return _rounded(value, 0 if size >= 100 else 1 if size >= 10 else 2)


def _energy(value_j: float, _us: bool) -> str:
    for size_j, unit in ((1e9, "GJ"), (1e6, "MJ"), (1e3, "kJ")):
        if value_j >= size_j:
            return f"{_three_figures(value_j / size_j)}{NBSP}{unit}"
    return f"{_rounded(value_j, 0)}{NBSP}J"


def _distance(value_m: float, us: bool) -> str:
    if us:
        if value_m >= M_PER_MILE:
            return f"{_rounded(value_m / M_PER_MILE, 1)}{NBSP}mi"
        return f"{_rounded(value_m / M_PER_FOOT, 0)}{NBSP}ft"
    return f"{_rounded(value_m / 1e3, 1)}{NBSP}km" if value_m >= 1e3 else f"{_rounded(value_m, 0)}{NBSP}m"


def _far(value_m: float, us: bool) -> str:
    whole = math.floor(value_m / (M_PER_MILE if us else 1e3) + 0.5)
    step = 10 ** max(0, len(str(whole)) - 3)
    return f"{_count(math.floor(whole / step + 0.5) * step)}{NBSP}{'mi' if us else 'km'}"


def _per_distance(value: float, us: bool) -> str:
    return f"{_three_figures(value * (M_PER_MILE if us else 1e3))}{NBSP}times a {'mile' if us else 'km'}"


def _energy_per_distance(value: float, us: bool) -> str:
    return f"{_three_figures(value * (M_PER_MILE if us else 1e3) / 1e3)}{NBSP}kJ/{'mi' if us else 'km'}"


def _duration(value_s: float, _us: bool = False) -> str:
    whole = int(value_s)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _ratio(value: float, _us: bool) -> str:
    # cut, never rounded up: 99.97 % must not read as full coverage
    percent = math.floor(value * 1000.0 + 1e-9) / 10.0
    text = f"{percent:.0f}" if percent == int(percent) else f"{percent:.1f}"
    return f"{text}{NBSP}%"


def _change(value: float, _us: bool) -> str:
    return f"{_rounded(value * 100.0, 0)}{NBSP}%"


def _share(value: float, _us: bool) -> str:
    percent = value * 100.0
    return f"{_rounded(percent, 0 if percent >= 10.0 else 1 if percent >= 1.0 else 2)}{NBSP}%"


def _power(value_w: float, _us: bool) -> str:
    # tens of watts below a kilowatt: the last digit would only flicker
    if abs(value_w) >= 995.0:
        return f"{_three_figures(value_w / 1e3)}{NBSP}kW"
    return f"{_rounded(math.floor(value_w / 10.0 + 0.5) * 10.0, 0)}{NBSP}W"


def _count(value: float, _us: bool = False) -> str:
    return f"{int(value):,}".replace(",", "\u202f")


def _scaled(per: float, digits: int, unit: str, us_per: float, us_digits: int, us_unit: str) -> _Format:
    """Return the format of a value divided by one size in each system."""

    def text(value: float, us: bool) -> str:
        if us:
            return f"{_rounded(value / us_per, us_digits)}{NBSP}{us_unit}"
        return f"{_rounded(value / per, digits)}{NBSP}{unit}"

    return text


def _temperature(value_c: float, us: bool) -> str:
    return f"{_rounded(c_to_f(value_c), 0)}{NBSP}°F" if us else f"{_rounded(value_c, 0)}{NBSP}°C"


_FORMATS: dict[str, _Format] = {
    "temperature_c": _temperature,
    "temperature_k": _scaled(1.0, 0, "K", K_PER_F, 0, "°F"),
    "pressure_pa": _scaled(PA_PER_BAR, 1, "bar", PA_PER_PSI, 0, "psi"),
    "pressure_fine_pa": _scaled(PA_PER_BAR, 2, "bar", PA_PER_PSI, 1, "psi"),
    "distance_m": _distance,
    "far_m": _far,
    "travel_m": _scaled(1e-3, 0, "mm", M_PER_INCH, 1, "in"),
    "per_m": _per_distance,
    "energy_per_m": _energy_per_distance,
    "speed_mps": _scaled(1.0 / 3.6, 0, "km/h", MPS_PER_MPH, 0, "mph"),
    "shaft_mps": _scaled(1.0, 2, "m/s", M_PER_INCH, 0, "in/s"),
    "energy_j": _energy,
    "power_w": _power,
    "duration_s": _duration,
    "ratio": _ratio,
    "change_ratio": _change,
    "share_ratio": _share,
    "count": _count,
}
KINDS = tuple(_FORMATS)

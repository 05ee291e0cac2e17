"""Checks of what is put down on a build sheet: each returns the value put in order, or says what is wrong with it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Any

from dutylog.domain.wear import PARTS
from dutylog.errors import InputError
from dutylog.ledger.gas_readings import LIMITS

COMPRESSION, REBOUND, BASE = "compression", "rebound", "base"
SIDES = (COMPRESSION, REBOUND, BASE)
"""Where a shim sits: either face of the piston, or the base valve."""
ROWS_LIMIT, TEXT_LIMIT = 60, 120
GAS_FIELDS = ("gauge_pa", "body_c", "air_c", "travel_mm", "altitude_m")
LEAK_FIELDS = ("gauge_pa", "body_c", "air_c", "altitude_m")
DIAMETER_MM, THICKNESS_MM, COUNT, TORQUE_NM = (5.0, 120.0), (0.03, 5.0), (1, 50), (0.2, 600.0)
"""Least and most. Source: judgement; wide enough for dampers of any vehicle."""
_SLUG = re.compile(r"[a-z0-9_]{1,40}")
"""As the vehicle file has it (config.limits)."""


def check_text_line(value: object, what: str) -> str:
    """Return one printable line."""
    if not isinstance(value, str) or not value.strip():
        raise InputError(f"{what}: nothing there; write it down")
    text = " ".join(value.split())
    if not text.isprintable() or len(text) > TEXT_LIMIT:
        raise InputError(f"{what}: {len(text)} characters, expected at most {TEXT_LIMIT}, printable")
    return text


def check_profile_name(value: object, what: str) -> str:
    """Return a name that a vehicle file takes for a profile."""
    text = check_text_line(value, what)
    if not _SLUG.fullmatch(text):
        raise InputError(f"{what}: {text!r:.60}; 1 to 40 small letters, digits and _, such as desert_2")
    return text


def check_flag(value: object, what: str) -> bool:
    """Return true or false."""
    if not isinstance(value, bool):
        raise InputError(f"{what}: {value!r:.40}, expected yes or no")
    return value


def check_number_within(low: float, high: float, unit: str) -> Callable[[object, str], float]:
    """Return a check of a number of a unit."""

    def check(value: object, what: str) -> float:
        return _number(value, what, low, high, unit)

    return check


def check_parts_new(value: object, what: str) -> list[str]:
    """Return different wear parts in the order of PARTS, perhaps none."""
    if not isinstance(value, (list, tuple)) or not all(isinstance(one, str) for one in value):
        raise InputError(f"{what}: expected a list of parts")
    if strange := [one for one in value if one not in PARTS]:
        raise InputError(f"{what}: {strange[0]!r:.40} is none of {', '.join(PARTS)}")
    return [part for part in PARTS if part in value]


def check_shims(value: object, what: str) -> list[dict[str, Any]]:
    """Return rows of a shim stack: side, diameter_mm, thickness_mm, count."""
    return [
        {
            "side": _side(row.get("side"), f"{what}, row {place}"),
            "diameter_mm": _number(row.get("diameter_mm"), f"{what}, row {place}: diameter", *DIAMETER_MM, "mm"),
            "thickness_mm": _number(row.get("thickness_mm"), f"{what}, row {place}: thickness", *THICKNESS_MM, "mm"),
            "count": int(_whole(row.get("count"), f"{what}, row {place}: count")),
        }
        for place, row in _rows(value, what, {"side", "diameter_mm", "thickness_mm", "count"})
    ]


def check_torques(value: object, what: str) -> list[dict[str, Any]]:
    """Return rows of torques: what, torque_nm."""
    return [
        {
            "what": check_text_line(row.get("what"), f"{what}, row {place}: what"),
            "torque_nm": _number(row.get("torque_nm"), f"{what}, row {place}", *TORQUE_NM, "N m"),
        }
        for place, row in _rows(value, what, {"what", "torque_nm"})
    ]


def check_gas(value: object, what: str) -> dict[str, float]:
    """Return a gas fill: gauge_pa, body_c, air_c, travel_mm, altitude_m, each within what a reading may have."""
    return _reading(value, what, GAS_FIELDS)


def check_leak(value: object, what: str) -> dict[str, float]:
    """Return a reading of the leak check: gauge_pa, body_c, air_c, altitude_m."""
    return _reading(value, what, LEAK_FIELDS)


def _reading(value: object, what: str, names: tuple[str, ...]) -> dict[str, float]:
    if not isinstance(value, Mapping) or set(value) != set(names):
        raise InputError(f"{what}: expected {', '.join(names)}")
    return {name: _number(value[name], f"{what}: {name}", *LIMITS[name]) for name in names}


def _rows(value: object, what: str, names: set[str]) -> list[tuple[int, Mapping[str, Any]]]:
    if not isinstance(value, (list, tuple)) or not 0 < len(value) <= ROWS_LIMIT:
        raise InputError(f"{what}: expected 1 to {ROWS_LIMIT} rows")
    for place, row in enumerate(value, start=1):
        if not isinstance(row, Mapping) or set(row) != names:
            raise InputError(f"{what}, row {place}: expected {', '.join(sorted(names))}")
    return list(enumerate(value, start=1))


def _side(value: object, what: str) -> str:
    if value not in SIDES:
        raise InputError(f"{what}: side {value!r:.40} is none of {', '.join(SIDES)}")
    return str(value)


def _whole(value: object, what: str) -> int:
    if type(value) is not int or not COUNT[0] <= value <= COUNT[1]:
        raise InputError(f"{what}: {value!r:.40}, expected a whole number from {COUNT[0]} to {COUNT[1]}")
    return value


def _number(value: object, what: str, low: float, high: float, unit: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not math.isfinite(value):
        raise InputError(f"{what}: {value!r:.40} is no number")
    if not low <= value <= high:
        raise InputError(f"{what}: {value:g} {unit}, expected {low:g} to {high:g}")
    return float(value)

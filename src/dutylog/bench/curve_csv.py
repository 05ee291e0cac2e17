"""A force curve measured on a damper bench, from CSV: speed and force, in the units that its header says.

Accepts commas, semicolons or tabs between columns; a decimal comma where the columns aren't parted by commas.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.config.limits import CURVE_PEAK_N, CURVE_REACH_MPS
from dutylog.errors import InputError, one_line
from dutylog.units import M_PER_INCH, M_PER_MM

SIZE_LIMIT, ROWS_LIMIT, COLUMNS_LIMIT = 1_000_000, 50_000, 64
"""Bytes, rows and columns of a file."""
N_PER_LBF = 0.45359237 * 9.80665
"""Source: pound 0.45359237 kg (agreement of 1959), standard gravity 9.80665 m/s2 (CGPM 1901)."""
SPEED_UNITS: Mapping[str, float] = {"m/s": 1.0, "mm/s": M_PER_MM, "in/s": M_PER_INCH}
FORCE_UNITS: Mapping[str, float] = {"N": 1.0, "kN": 1000.0, "lbf": N_PER_LBF}
_SPELLINGS: Mapping[str, str] = {
    "m/s": "m/s", "m_s": "m/s", "mps": "m/s", "mm/s": "mm/s", "mm_s": "mm/s", "mmps": "mm/s", "in/s": "in/s",
    "in_s": "in/s", "ips": "in/s", "inch/s": "in/s", "n": "N", "kn": "kN", "lbf": "lbf", "lb": "lbf", "lbs": "lbf",
}  # fmt: skip
POINTS = 60
"""A file of a whole sweep is brought to so many points at most, each the mean of its slice of speeds."""
_SAME_MPS = 1e-4
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d{1,3})?")
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+([eE][+-]?\d{1,3})?")
_UNIT = re.compile(r"[\[(]\s*([^\])]{1,12})\s*[\])]\s*$|[_ ](mm_s|m_s|in_s|[a-zA-Z/]{1,6})\s*$")
_WORDS = {"speed": ("speed", "velocity"), "force": ("force", "load")}
_FAST_RATIO = 0.3
"""Rows above this share of the largest speed tell the sign: near standstill gas and friction decide. Judgement."""


@dataclass(frozen=True, slots=True)
class BenchCurve:
    """A measured curve. speeds_mps: rising, compression positive; forces_n: of each, as measured.

    rows_count: rows it was made of. notes: what was done with them, a line each.
    """

    speeds_mps: tuple[float, ...]
    forces_n: tuple[float, ...]
    rows_count: int
    notes: tuple[str, ...] = ()


def read_curve_csv(data: bytes, speed_unit: str | None = None, force_unit: str | None = None) -> BenchCurve:
    """Return the curve of a file.

    Args:
        data: the file. speed_unit, force_unit: of SPEED_UNITS and FORCE_UNITS, for a header that says none.
    Raises:
        InputError: one line with what is wrong, where, and what to do.
    """
    lines = _read_lines(data)
    mark = next((one for one in ("\t", ";") if one in lines[0][1]), ",")
    header = _cells(lines[0][1], mark, lines[0][0])
    places = {what: _find_column(header, what) for what in _WORDS}
    units = _find_units(header, places, {"speed": speed_unit, "force": force_unit})
    rows = [_read_row(number, _cells(line, mark, number), header, places, mark) for number, line in lines[1:]]
    if len(rows) < 3:
        raise InputError(f"curve: {len(rows)} rows below the header, expected 3 or more")
    table = np.array(rows, dtype=np.float64)
    speeds, forces = table[:, 0] * SPEED_UNITS[units["speed"]], table[:, 1] * FORCE_UNITS[units["force"]]
    _check_ranges(speeds, forces)
    _check_signs(speeds, forces)
    return _reduce(speeds, forces)


def _read_lines(data: bytes) -> list[tuple[int, str]]:
    """Return the lines that hold something, with their numbers."""
    if len(data) > SIZE_LIMIT:
        raise InputError(f"curve: {len(data)} bytes, {SIZE_LIMIT} at most; export fewer rows")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        raise InputError(f"curve: byte {err.start} is no UTF-8; save the file as CSV in UTF-8") from err
    if "\0" in text:
        raise InputError("curve: holds zero bytes, so it is no CSV; export it as text")
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = [(number, line.strip(" ")) for number, line in enumerate(text.split("\n"), start=1)]
    held = [(number, line) for number, line in lines if line.strip() and not line.startswith("#")]
    if not held:
        raise InputError("curve: the file is empty; expected a header and rows of speed and force")
    if len(held) - 1 > ROWS_LIMIT:
        raise InputError(f"curve: {len(held) - 1} rows, {ROWS_LIMIT} at most; export fewer")
    return held


def _cells(line: str, mark: str, number: int) -> list[str]:
    try:
        cells = next(csv.reader([line], delimiter=mark, strict=True))
    except (csv.Error, StopIteration) as err:
        raise InputError(f"curve: line {number} is no CSV ({one_line(err)}); export it again") from err
    if len(cells) > COLUMNS_LIMIT:
        raise InputError(f"curve: line {number} has {len(cells)} columns, {COLUMNS_LIMIT} at most")
    return [cell.strip() for cell in cells]


def _find_column(header: Sequence[str], what: str) -> int:
    found = [place for place, name in enumerate(header) if any(word in name.lower() for word in _WORDS[what])]
    if len(found) == 1:
        return found[0]
    seen = one_line(", ".join(header), 80)
    if not found:
        raise InputError(f"curve: no column '{what}' in the header ({seen}); name it, such as '{_EXAMPLES[what]}'")
    raise InputError(f"curve: {len(found)} columns of {what} in the header ({seen}); leave one")


_EXAMPLES = {"speed": "speed [mm/s]", "force": "force [N]"}


def _find_units(header: Sequence[str], places: Mapping[str, int], said: Mapping[str, str | None]) -> dict[str, str]:
    units: dict[str, str] = {}
    for what, known in (("speed", SPEED_UNITS), ("force", FORCE_UNITS)):
        name, given = header[places[what]], said[what]
        if given is not None and given not in known:
            raise InputError(f"curve: unit {given!r:.20} of {what}, expected {', '.join(known)}")
        match = _UNIT.search(name)
        spelt = (match[1] or match[2]).strip().lower() if match else ""
        unit = _SPELLINGS.get(spelt)
        if match and match[1] and unit not in known:
            raise InputError(f"curve: unit {one_line(match[1], 20)!r} of {what}, expected {', '.join(known)}")
        if unit not in known:
            unit = given
        if unit is None:
            raise InputError(
                f"curve: column {one_line(name, 30)!r} says no unit; write '{_EXAMPLES[what]}', or choose the unit"
            )
        units[what] = unit
    return units


def _read_row(
    number: int, cells: Sequence[str], header: Sequence[str], places: Mapping[str, int], mark: str
) -> tuple[float, float]:
    if len(cells) != len(header):
        comma = "; is there a decimal comma?" if mark == "," else ""
        raise InputError(f"curve: line {number} has {len(cells)} cells, the header {len(header)}{comma}")
    speed, force = (_read_number(cells[places[what]], mark, number, what) for what in ("speed", "force"))
    return speed, force


def _read_number(cell: str, mark: str, number: int, what: str) -> float:
    if mark != "," and _DECIMAL_COMMA.fullmatch(cell):
        cell = cell.replace(",", ".")
    if len(cell) > 40 or not cell.isascii() or not _NUMBER.fullmatch(cell):
        raise InputError(f"curve: line {number}, {what}: {one_line(cell, 30)!r} is no number; correct it")
    return float(cell)


def _check_ranges(speeds: NDArray[np.float64], forces: NDArray[np.float64]) -> None:
    for values, limit, what in ((speeds, CURVE_REACH_MPS, "speed"), (forces, CURVE_PEAK_N, "force")):
        # Beyond what a float holds, text reads as infinite; it ends here as well.
        reach = float(np.max(np.abs(values)))
        if not limit.low <= reach <= limit.high:
            raise InputError(
                f"curve: the largest {what} is {reach:g} {limit.unit}, expected {limit.low:g} to {limit.high:g}; "
                "is its unit right?"
            )


def _check_signs(speeds: NDArray[np.float64], forces: NDArray[np.float64]) -> None:
    is_fast = np.abs(speeds) >= _FAST_RATIO * np.max(np.abs(speeds))
    against = int(np.count_nonzero(np.sign(speeds[is_fast]) * np.sign(forces[is_fast]) < 0))
    if against * 2 > np.count_nonzero(is_fast):
        raise InputError(
            "curve: speed and force have opposite signs, so the damper would drive the bench; turn one of them round, "
            "compression is positive in both"
        )
    for side, sign in (("compression", 1.0), ("rebound", -1.0)):
        of_side = is_fast & (speeds * sign > 0)
        if of_side.any() and np.all(forces[of_side] * sign < 0):
            raise InputError(
                f"curve: forces of {side} have the sign of the other direction; compression is positive, rebound "
                "negative, in speed and force"
            )


def _reduce(speeds: NDArray[np.float64], forces: NDArray[np.float64]) -> BenchCurve:
    """Return the curve with rising speeds: rows of equal speed become their mean, many become slices."""
    order = np.argsort(speeds, kind="stable")
    speeds, forces = speeds[order], forces[order]
    places = np.concatenate([[0], np.cumsum(np.diff(speeds) > _SAME_MPS)])
    if places[-1] + 1 > POINTS:
        width = (speeds[-1] - speeds[0]) / POINTS
        places = np.minimum((speeds - speeds[0]) / width, POINTS - 1).astype(np.intp)
    _, places, counts = np.unique(places, return_inverse=True, return_counts=True)
    if len(counts) < 2:
        raise InputError("curve: all rows have the same speed; measure at several speeds")
    mean_speeds, mean_forces = (np.bincount(places, weights=values) / counts for values in (speeds, forces))
    notes = []
    if len(counts) < len(speeds):
        notes.append(f"{len(speeds)} rows became {len(counts)} points, each the mean of its rows")
    if speeds[0] >= 0 or speeds[-1] <= 0:
        notes.append(f"only {'compression' if speeds[0] >= 0 else 'rebound'} was measured")
    return BenchCurve(
        tuple(float(one) for one in mean_speeds), tuple(float(one) for one in mean_forces), len(speeds), tuple(notes)
    )

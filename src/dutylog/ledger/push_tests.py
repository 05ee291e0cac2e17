"""Push tests as entries of the chain: what each corner did after each push, who pushed, before or after what.

Fields, limits and messages: shared/PUSH_TEST.md.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.calibrations import check_number, find_travel_damper, require_vehicle
from dutylog.ledger.database import decoding
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Entry
from dutylog.motion.free_decay import FREQUENCIES_HZ, RATIOS

ENTRY_KIND = "push_test"
BEFORE, AFTER, CHECK = "before", "after", "check"
"""Before a service, after one, or only to know."""
WHEN = (BEFORE, AFTER, CHECK)
PUSHES_LIMIT = 20
_CORNERS_LIMIT = 64
_LIMITS = {
    "frequency_hz": FREQUENCIES_HZ,
    "ratio": RATIOS,
    "ratio_sd": (0.0, 1.0),
    "swing_mm": (0.0, 1000.0),
    "left_over_ratio": (0.0, 1.0),
}
"""What a push may say; FREQUENCIES_HZ and RATIOS are what a fit may find."""


@dataclass(frozen=True, slots=True)
class StoredPush:
    """One push: natural frequency, damping ratio with its deviation, swing, and what no free decay explains."""

    frequency_hz: float
    ratio: float
    ratio_sd: float
    swing_mm: float
    left_over_ratio: float


@dataclass(frozen=True, slots=True)
class StoredCorner:
    """One corner. units: unit_id of every damper on its wheel, sorted. body_c: of the damper, None: unknown."""

    position: str
    units: tuple[str, ...]
    pushes: tuple[StoredPush, ...]
    body_c: float | None


@dataclass(frozen=True, slots=True)
class PushTest:
    """One push test. row: number of its entry. corners: those that gave something, in the vehicle's order."""

    row: int
    utc_ns: int
    utc_trusted: bool
    by: str
    when: str
    note: str | None
    corners: tuple[StoredCorner, ...]


def check_when(value: object, what: str) -> str:
    """Return one of WHEN; InputError for anything else."""
    if not isinstance(value, str) or value not in WHEN:
        raise InputError(f"{what}: {value!r:.40} is none of {', '.join(WHEN)}")
    return value


def check_corners(value: object, what: str) -> list[dict[str, Any]]:
    """Return the corners of a request, every number checked: position, body_c (or null), pushes."""
    if not isinstance(value, list) or not 0 < len(value) <= _CORNERS_LIMIT:
        raise InputError(f"{what}: expected a list of 1 to {_CORNERS_LIMIT} corners")
    corners: list[dict[str, Any]] = []
    for corner in value:
        if not isinstance(corner, dict) or set(corner) != {"position", "body_c", "pushes"}:
            raise InputError(f"{what}: a corner has position, body_c and pushes and nothing else")
        position, pushes = corner["position"], corner["pushes"]
        if not isinstance(position, str) or position in {known["position"] for known in corners}:
            raise InputError(f"{what}: {position!r:.40} is no position, or there twice")
        where = f"{what}: {position:.64}"
        if not isinstance(pushes, list) or not 0 < len(pushes) <= PUSHES_LIMIT:
            raise InputError(f"{where}: expected 1 to {PUSHES_LIMIT} pushes")
        body_c = None if corner["body_c"] is None else check_number(corner["body_c"], f"{where}: body_c")
        corners.append(
            {"position": position, "body_c": body_c, "pushes": [_check_push(push, where) for push in pushes]}
        )
    return corners


def store(ledger: Ledger, request: Mapping[str, Any], sequence: int | None) -> PushTest:
    """Write the entry of a checked request `push_test`.

    Raises:
        LedgerError: no vehicle known, no such position, no sensor of its own.
    """
    vehicle, installed = require_vehicle(ledger), ledger.installed()
    corners = []
    for corner in request["corners"]:
        find_travel_damper(vehicle, corner["position"])
        on_wheel = positions_of(vehicle, corner["position"])
        units = sorted(installed[position].unit_id for position in on_wheel if position in installed)
        corners.append({**corner, "units": units})
    data = {
        "vehicle_id": vehicle.vehicle_id,
        **{name: request[name] for name in ("by", "when", "note")},
        "corners": corners,
    }
    entry = ledger.append_entry(ENTRY_KIND, None, data, ledger.cursor().hot_sequence if sequence is None else sequence)
    return read_entry(ledger, entry)


def positions_of(vehicle: Vehicle, position: str) -> list[str]:
    """Return the positions on the wheel of a position: they move as one; LedgerError when there is no such position."""
    wheel = next((d.wheel for d in vehicle.dampers if d.position == position), None)
    if wheel is None:
        raise LedgerError(f"vehicle {vehicle.vehicle_id} has no position {position}")
    return [damper.position for damper in vehicle.dampers if damper.wheel == wheel]


def history(ledger: Ledger) -> list[PushTest]:
    """Return every push test, oldest first."""
    return [read_entry(ledger, entry) for entry in ledger.entries_of(ENTRY_KIND)]


def find_before(tests: Sequence[PushTest], units: Sequence[str]) -> tuple[PushTest, StoredCorner] | None:
    """Return the newest test in which just these units were pushed, wherever they sat; None without one or units."""
    wanted = tuple(sorted(units))
    if not wanted:
        return None
    for test in reversed(tests):
        for corner in test.corners:
            if corner.units == wanted:
                return test, corner
    return None


def read_entry(ledger: Ledger, entry: Entry) -> PushTest:
    """Return what an entry holds; LedgerCorrupt when it can't be read."""
    with decoding(ledger.path, f"entry {entry.row}"):
        data = json.loads(entry.data)
        corners = tuple(
            StoredCorner(
                str(corner["position"]),
                tuple(str(unit) for unit in corner["units"]),
                tuple(StoredPush(*(float(push[name]) for name in _LIMITS)) for push in corner["pushes"]),
                None if corner["body_c"] is None else float(corner["body_c"]),
            )
            for corner in data["corners"]
        )
        return PushTest(entry.row, entry.utc_ns, entry.utc_trusted, data["by"], data["when"], data["note"], corners)


def push_to_dict(push: StoredPush) -> dict[str, float]:
    """Return a push as requests and entries hold it."""
    return asdict(push)


def _check_push(push: object, where: str) -> dict[str, float]:
    if not isinstance(push, dict) or set(push) != set(_LIMITS):
        raise InputError(f"{where}: a push has {', '.join(_LIMITS)} and nothing else")
    checked = {name: check_number(push[name], f"{where}: {name}") for name in _LIMITS}
    for name, (low, high) in _LIMITS.items():
        if not low <= checked[name] <= high:
            raise InputError(f"{where}: {name} {checked[name]:g}, expected {low:g} to {high:g}")
    return checked

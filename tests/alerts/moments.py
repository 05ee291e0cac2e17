"""A vehicle of two dampers at one moment, and a book fed with such moments."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from dutylog.alerts.book import AlertBook
from dutylog.alerts.view import DamperView, VehicleView

S = 1_000_000_000
_OF_DAMPER = {field.name for field in fields(DamperView)}


def damper(position: str, **changes: Any) -> DamperView:
    """Return a damper that is well, but for the changes."""
    values = {
        "position": position, "unit_id": f"unit at {position}", "state": "ok", "state_text": "within its limit",
        "faults": (), "body_c": 80.0, "body_limit_c": 120.0, "recent_measured_ratio": 1.0, "has_ten_minutes": True,
        "has_five_minutes": True, "forecast_kind": "holds", "damping_state": "steady", "gas_leaking": False,
    }  # fmt: skip
    return DamperView(**values | changes)


def vehicle(**changes: Any) -> VehicleView:
    """Return a vehicle that is well, but for changes of itself or of its front left damper."""
    own = {"not_stored_s": 0.0, "source_text": "", "utc_trusted": True}
    left = {name: value for name, value in changes.items() if name in _OF_DAMPER}
    own |= {name: value for name, value in changes.items() if name not in _OF_DAMPER}
    dampers = {"front_left": damper("front_left", **left), "rear_right": damper("rear_right")}
    return VehicleView(dampers=dampers, **own)


NOTHING_WRONG = vehicle()


def run(book: AlertBook, *steps: tuple[int, VehicleView]) -> list[tuple[int, str, str]]:
    """Feed (second, vehicle) and return (second, kind, raised or cleared) of what changed."""
    return [
        (second, row.kind, "raised" if row.cleared is None else "cleared")
        for second, shot in steps
        for row in book.take(shot, second * S, (1, second * S), None)
    ]

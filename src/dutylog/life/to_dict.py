"""One damper's wear as plain JSON: what `dutylog life show` prints and a duty card carries (shared/LIFE.md)."""

from __future__ import annotations

from dataclasses import asdict
from datetime import date
from typing import Any

from dutylog.life.marked import Marked
from dutylog.life.unit_life import PartLife, UnitLife


def life_to_json(life: UnitLife) -> dict[str, Any]:
    """Return one damper for programs; fields: shared/LIFE.md."""
    return {
        "unit_id": life.unit.unit_id,
        "serial": life.unit.serial,
        "position": life.position,
        "profile": life.profile.name,
        "day": life.today.isoformat(),
        "hot_seal_s": life.hot_seal_s,
        "hot_oil_s": life.hot_oil_s,
        "parts": [part_to_json(one) for one in life.parts],
        "marks": [mark_to_json(one) for one in life.marked],
    }


def part_to_json(one: PartLife) -> dict[str, Any]:
    """Return one part for programs."""
    due = one.forecast
    return {
        "part": one.part.key,
        "name": one.part.name,
        "since": one.since.day.isoformat(),
        "since_entry": one.since.row,
        "used_share": one.used.share,
        "used_sd": one.used.sd,
        "measured_share": one.used.measured,
        "missed_share": one.used.missed,
        "stated_share": one.used.stated,
        "marks_share": one.used.marks,
        "doses": dict(one.used.by_mechanism),
        "budget": one.belief.budget.median,
        "budget_low": one.belief.low,
        "budget_high": one.belief.high,
        "findings_count": one.belief.evidence_count,
        "used_ratio": one.ratio,
        "miles": one.miles,
        "street_miles": one.street_miles,
        "calendar_day": None if one.calendar is None else one.calendar.isoformat(),
        "due_early": _iso(due.day_10),
        "due_likely": _iso(due.day_50),
        "due_late": _iso(due.day_90),
        "miles_early": due.miles_10,
        "miles_likely": due.miles_50,
        "miles_late": due.miles_90,
        "order_by": None if one.order_by is None else one.order_by.isoformat(),
        "wear_first_ratio": due.wear_first_ratio,
        "text": due.text,
    }


def mark_to_json(marked: Marked) -> dict[str, Any]:
    """Return one mark on the shaft for programs."""
    told = marked.told
    seen = {"entry": told.said.row, "kind": told.kind, "distance_mm": told.distance_mm, "size_mm": told.size_mm}
    return {**seen, "is_sharp": told.is_sharp, **asdict(marked.judged)}


def _iso(day: int | None) -> str | None:
    return None if day is None else date.fromordinal(day).isoformat()

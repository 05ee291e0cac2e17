"""What the forms of wear ask of core: fields of a form as a command, its values checked there (shared/LIFE.md)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from dutylog.errors import InputError
from dutylog.life.words import refuse_other_parts
from dutylog.units import M_PER_KM, M_PER_MILE
from dutylog.web.life_view import LifeBasis

REPLACED, FOUND = "replaced_", "found_"
"""Starts of the names of a service's fields: one of each by part."""
M_PER_UNIT = {"mi": M_PER_MILE, "km": M_PER_KM}
_NUMBER = re.compile(r"[1-9][0-9]{0,15}", re.ASCII)
Fields = Mapping[str, str]


def make_service(basis: LifeBasis, unit: str, fields: Fields) -> dict[str, Any]:
    """Return a service: parts that were ticked, and grades that were chosen; InputError for one it doesn't have."""
    found = {name.removeprefix(FOUND): grade for name, grade in fields.items() if name.startswith(FOUND) and grade}
    replaced = [name.removeprefix(REPLACED) for name in fields if name.startswith(REPLACED)]
    refuse_other_parts(basis.label, basis.parts or (), [*replaced, *found])
    return {"command": "service", "unit": unit, "replaced": replaced, "found": found, **_story(fields)}


def make_mark(_basis: LifeBasis, unit: str, fields: Fields) -> dict[str, Any]:
    """Return a mark on the shaft."""
    return {
        "command": "shaft_mark",
        "unit": unit,
        "mark": _text(fields, "mark"),
        "distance_mm": _number(fields, "distance_mm"),
        "size_mm": _number(fields, "size_mm"),
        "is_sharp": _choice(fields, "edge", {"sharp": True, "smooth": False}),
        **_story(fields),
    }


def make_use(_basis: LifeBasis, unit: str, fields: Fields) -> dict[str, Any]:
    """Return a distance nobody measured."""
    distance, metres = _number(fields, "distance"), _choice(fields, "unit", M_PER_UNIT)
    return {
        "command": "stated_use",
        "unit": unit,
        "distance_m": None if distance is None else distance * metres,
        "mix": _text(fields, "mix"),
        "kind": _text(fields, "kind"),
        "from_day": _text(fields, "from_day"),
        "to_day": _text(fields, "to_day"),
        "factor": _number(fields, "factor"),
        "note": _text(fields, "note"),
    }


def make_withdrawal(basis: LifeBasis, _unit: str, fields: Fields) -> dict[str, Any]:
    """Return the withdrawal of an entry of this damper; InputError for any other."""
    entry = fields.get("entry", "")
    if not _NUMBER.fullmatch(entry):
        raise InputError(f"{entry:.40} is no entry; choose one of the list" if entry else "choose an entry of the list")
    if int(entry) not in {one.row for one in basis.entries}:
        raise InputError(f"damper {basis.label} has no entry {entry} that counts; choose one of its own list")
    return {"command": "withdraw", "entry": int(entry), "why": _text(fields, "why")}


def make_dirt(number: int, fields: Fields) -> dict[str, Any]:
    """Return what a trip had on its shafts."""
    washed = _choice(fields, "washed", {"yes": True, "no": False})
    command = {"command": "dirt", "trip": number, "what": _text(fields, "what"), "washed": washed}
    return {**command, "note": _text(fields, "note")}


def _story(fields: Fields) -> dict[str, Any]:
    return {"on": _text(fields, "on"), "note": _text(fields, "note")}


def _text(fields: Fields, name: str) -> str | None:
    return fields.get(name, "").strip() or None


def _number(fields: Fields, name: str) -> float | None:
    text = _text(fields, name)
    try:
        return None if text is None else float(text)
    except ValueError as err:
        raise InputError(f"{name} {text!r:.40} is no number; write it as 1.5") from err


def _choice(fields: Fields, name: str, known: Mapping[str, Any]) -> Any:
    text = fields.get(name, "")
    if text not in known:
        raise InputError(f"{name} {text!r:.40} is none of {', '.join(known)}; choose one")
    return known[text]

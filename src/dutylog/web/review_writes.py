"""What the forms of a trip's page ask of core: fields as a command, checked there (shared/REVIEW.md)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from dutylog.errors import InputError

_MOMENT = re.compile(r"(?:([0-9]{1,3}):)?([0-9]{1,5}):([0-5][0-9])(?:\.([0-9]{1,3}))?", re.ASCII)
Fields = Mapping[str, str]


def make_care(key: str, fields: Fields) -> dict[str, Any]:
    """Return an item of care as done."""
    return {"command": "care", "trip": key, "item": _text(fields, "item"), "note": _text(fields, "note")}


def make_load(key: str, fields: Fields) -> dict[str, Any]:
    """Return what a trip carried."""
    return {"command": "load_note", "trip": key, "text": _text(fields, "text")}


def make_road(key: str, fields: Fields) -> dict[str, Any]:
    """Return what a stretch of road was; InputError for a time that is none."""
    from_s, to_s = _moment(fields, "from"), _moment(fields, "to")
    return {"command": "road_said", "trip": key, "from_s": from_s, "to_s": to_s, "kind": _text(fields, "kind")}


def _moment(fields: Fields, name: str) -> float:
    """Return the seconds of H:MM:SS or M:SS."""
    text = fields.get(name, "").strip()
    found = _MOMENT.fullmatch(text)
    if found is None or (found[1] is not None and int(found[2]) > 59):
        raise InputError(f"{name} {text!r:.40} is no time of a trip; write it as 0:12:30")
    return 3600.0 * int(found[1] or 0) + 60.0 * int(found[2]) + float(f"{found[3]}.{found[4] or 0}")


def _text(fields: Fields, name: str) -> str | None:
    return fields.get(name, "").strip() or None

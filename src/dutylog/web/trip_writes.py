"""What the forms that repair a trip ask of core: fields as a command, checked there (shared/LEDGER.md, Repairs)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from dutylog.errors import InputError

_AT = re.compile(r"(?:([0-9]{1,4}):)?([0-5]?[0-9]):([0-5][0-9])", re.ASCII)
_ENTRY = re.compile(r"[1-9][0-9]{0,15}", re.ASCII)
Fields = Mapping[str, str]


def make_split(key: str, fields: Fields) -> dict[str, Any]:
    """Return a cut; InputError for a time that is none."""
    text = fields.get("at", "").strip()
    found = _AT.fullmatch(text)
    if found is None:
        raise InputError(f"at {text!r:.40} is no time of a trip; write it as 0:12:30")
    hours, minutes, seconds = (int(part or 0) for part in found.groups())
    return {"command": "trip_split", "trip": key, "at_s": float(hours * 3600 + minutes * 60 + seconds)}


def make_merge(key: str, fields: Fields) -> dict[str, Any]:
    """Return that a trip and the one before it are one."""
    return {"command": "trip_merge", "trips": [fields.get("before", "").strip(), key]}


def make_not_driven(key: str, fields: Fields) -> dict[str, Any]:
    """Return that a trip's duty doesn't count."""
    why, note = (fields.get(name, "").strip() or None for name in ("why", "note"))
    return {"command": "trip_not_driven", "trip": key, "why": why, "note": note}


def make_undo(fields: Fields) -> dict[str, Any]:
    """Return that a repair is taken back; InputError where none was chosen."""
    text = fields.get("entry", "")
    if not _ENTRY.fullmatch(text):
        raise InputError(f"{text!r:.40} is no entry; choose a repair of the list")
    return {"command": "trip_undo", "entry": int(text)}

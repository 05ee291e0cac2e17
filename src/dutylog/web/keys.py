"""Finds the damper an address names, and repeats what was asked for."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from starlette.exceptions import HTTPException

_MOST_SIGNS = 200
_Found = TypeVar("_Found")


def find_damper(key: str, ask: Callable[[str], _Found | None]) -> _Found:
    """Return what `ask` knows of a damper; HTTPException 404 where it knows none, or the key can't be one."""
    found = ask(key) if key and len(key) <= _MOST_SIGNS and key.isprintable() else None
    if found is None:
        raise HTTPException(404, f"no damper {quoted(key)}; see the list of dampers")
    return found


def quoted(text: str) -> str:
    """Return what was asked for, cut short and on one line; escaping is the answer's job."""
    return repr(text[:60] + ("…" if len(text) > 60 else ""))

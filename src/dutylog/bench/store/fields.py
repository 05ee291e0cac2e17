"""Whether the data of an entry is what its kind asks for (bench/entry_kinds.py)."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from dutylog.bench.entry_kinds import (
    DATA_LIMIT,
    FLAG,
    INTEGER,
    KINDS,
    LIST,
    LONG_TEXT,
    LONG_TEXT_LIMIT,
    NUMBER,
    OBJECT,
    TEXT,
    TEXT_LIMIT,
    Field,
    Kind,
)
from dutylog.errors import InputError, one_line

INTEGER_LIMIT = 2**53
"""Whole numbers beyond this aren't the same in every reader of JSON. Source: RFC 8259, section 6."""


def find_kind(kind: str) -> Kind:
    """Return what a kind of entry is; InputError for one nobody knows."""
    found = KINDS.get(kind)
    if found is None:
        raise InputError(f"entry: kind {one_line(kind, 40)!r} is none of the bench's")
    return found


def encode_data(kind: str, data: Mapping[str, Any]) -> str:
    """Return the canonical JSON of an entry's data, with null for each field that wasn't given.

    Raises:
        InputError: a field that is missing, unknown, of another type or too long; the text names it.
    """
    fields = find_kind(kind).fields
    unknown = [one for one in data if one not in fields]
    if unknown:
        raise InputError(f"entry {kind}: field {one_line(unknown[0], 40)!r} is none of {', '.join(fields)}")
    whole = {name: _check(f"entry {kind}: {name}", field, name, data) for name, field in fields.items()}
    return encode_canonical(whole, f"entry {kind}")


def encode_canonical(value: object, what: str) -> str:
    """Return JSON with sorted keys, no spaces, no NaN, characters as they are; at most DATA_LIMIT bytes."""
    try:
        text = json.dumps(value, sort_keys=True, separators=(",", ":"), allow_nan=False, ensure_ascii=False)
        size = len(text.encode("utf-8"))
    except RecursionError as err:
        raise InputError(f"{what}: nested too deeply") from err
    except (TypeError, ValueError) as err:
        raise InputError(f"{what}: data is no plain JSON ({one_line(err, 80)})") from err
    if size > DATA_LIMIT:
        raise InputError(f"{what}: {size} bytes of data, at most {DATA_LIMIT} are kept; leave something out")
    return text


def check_text(value: object, what: str, most: int = TEXT_LIMIT, signs: str = "") -> str:
    """Return text of one line (or with the control characters of `signs`); InputError for anything else."""
    if not isinstance(value, str):
        raise InputError(f"{what}: expected text, got {one_line(repr(value), 40)}")
    if len(value) > most:
        raise InputError(f"{what}: {len(value)} characters, at most {most} are kept; shorten it")
    for sign in value:
        if (sign < " " or "\x7f" <= sign < "\xa0" or "\ud800" <= sign < "\ue000") and sign not in signs:
            raise InputError(f"{what}: holds the character {sign!r}, which is no text; leave it out")
    return value


def check_whole(value: object, what: str) -> int:
    """Return a whole number that every reader of JSON takes alike."""
    if not isinstance(value, int) or isinstance(value, bool) or abs(value) > INTEGER_LIMIT:
        raise InputError(f"{what}: expected a whole number up to 2^53, got {one_line(repr(value), 40)}")
    return value


def check_number(value: object, what: str) -> float:
    """Return a finite number."""
    if not isinstance(value, int | float) or isinstance(value, bool) or not _is_finite(value):
        raise InputError(f"{what}: expected a number, got {one_line(repr(value), 40)}")
    return value


def _is_finite(value: float) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond what a float holds
        return False


def _check(what: str, field: Field, name: str, data: Mapping[str, Any]) -> Any:
    value = data.get(name)
    if value is None:
        if field.is_needed and not (field.type == "any" and name in data):
            raise InputError(f"{what} is missing")
        return None
    if field.type == TEXT:
        return _needed(check_text(value, what), what, field)
    if field.type == LONG_TEXT:
        return _needed(check_text(value, what, LONG_TEXT_LIMIT, "\n\r\t"), what, field)
    if field.type == INTEGER:
        return check_whole(value, what)
    if field.type == NUMBER:
        return check_number(value, what)
    return _check_shape(value, what, field)


def _check_shape(value: object, what: str, field: Field) -> object:
    if field.type == FLAG and not isinstance(value, bool):
        raise InputError(f"{what}: expected yes or no, got {one_line(repr(value), 40)}")
    if field.type == OBJECT and not isinstance(value, Mapping):
        raise InputError(f"{what}: expected an object, got {one_line(repr(value), 40)}")
    if field.type == LIST and not isinstance(value, list | tuple):
        raise InputError(f"{what}: expected a list, got {one_line(repr(value), 40)}")
    return dict(value) if isinstance(value, Mapping) else value


def _needed(text: str, what: str, field: Field) -> str:
    if field.is_needed and not text.strip():
        raise InputError(f"{what} is empty")
    return text

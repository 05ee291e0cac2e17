"""JSON from strangers: measured before it is parsed, and refused wherever two readers might read two things."""

from __future__ import annotations

import json
import math
import re
from typing import Any

from dutylog.bench.canonical import Kind
from dutylog.errors import CardRefused, one_line

BRACKETS_LIMIT = 400_000
"""Lists and objects in one file, brackets within texts counted too; bounds time and memory. A card of 4 MB of minutes
would have fewer. Source: judgement."""
WHOLE_LIMIT = 2**53 - 1
"""Whole numbers beyond it aren't the same to all readers. Source: RFC 8785, 3.2.2.3 with IEEE 754 doubles."""
_TOKEN = re.compile(rb'"(?:[^"\\]++|\\.)*+"?+|[\[{]|[\]}]', re.DOTALL)


def read_object(data: bytes, kind: Kind) -> dict[str, Any]:
    """Return the JSON object that a file holds.

    Args:
        data: the file's bytes. kind: its limits, and its name for messages.
    Raises:
        CardRefused: too long, nested too deeply, no UTF-8, no JSON object, a name twice, NaN, a number too large.
    """
    what = kind.word
    if len(data) > kind.limit_bytes:
        raise CardRefused("too_long", f"{what}: {len(data)} bytes, at most {kind.limit_bytes}; that is no {what}")
    if not data.strip():
        raise CardRefused("empty", f"{what}: the file is empty; have it made or sent again")
    if data.count(b"[") + data.count(b"{") > BRACKETS_LIMIT:
        raise CardRefused("too_deep", f"{what}: over {BRACKETS_LIMIT} lists and objects; that is no {what}")
    if _is_deeper(data, kind.depth):
        raise CardRefused("too_deep", f"{what}: nested deeper than {kind.depth} levels; that is no {what}")
    try:
        text = data.decode("utf-8")
        found = json.loads(
            text,
            object_pairs_hook=_read_pairs,
            parse_constant=_refuse_constant,
            parse_float=_read_number,
            parse_int=_read_whole,
        )
        # A lone surrogate, which JSON can escape, is no Unicode.
        json.dumps(found, ensure_ascii=False).encode("utf-8")
    except (UnicodeDecodeError, UnicodeEncodeError) as err:
        raise CardRefused("not_json", f"{what}: no UTF-8 text ({err.reason}); send the file as it was made") from err
    except json.JSONDecodeError as err:
        where = f"line {err.lineno}, column {err.colno}"
        raise CardRefused("not_json", f"{what}: no JSON at {where}; it was cut or changed, have it sent again") from err
    except (ValueError, RecursionError) as err:
        raise CardRefused("not_json", f"{what}: {one_line(err, 120)}; have it made again") from err
    if not isinstance(found, dict):
        raise CardRefused("not_json", f"{what}: a JSON {type(found).__name__}, expected an object")
    return found


def _is_deeper(data: bytes, limit: int) -> bool:
    """Return whether brackets outside of texts stand in each other more than `limit` deep."""
    depth = 0
    for found in _TOKEN.finditer(data):
        sign = data[found.start()]
        if sign in b"[{":
            depth += 1
            if depth > limit:
                return True
        elif sign in b"]}":
            depth -= 1
    return False


def _read_pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for name, value in pairs:
        if name in found:
            raise ValueError(f"the field {name!r:.60} is there twice")
        found[name] = value
    return found


def _refuse_constant(text: str) -> float:
    raise ValueError(f"{text} isn't JSON")


def _read_number(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"the number {text:.40} is beyond what a double holds")
    return value


def _read_whole(text: str) -> int:
    if len(text) > 17 or abs(int(text)) > WHOLE_LIMIT:
        raise ValueError(f"the whole number {text:.40} is beyond 2^53; such numbers are written as text")
    return int(text)

"""What pydantic found, told in our words; and the part of the file that can still be checked."""

from __future__ import annotations

import copy
from collections import Counter
from collections.abc import Mapping
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from dutylog.config.limits import LIMITS, show_text
from dutylog.config.lines import KeyPath
from dutylog.config.report import Report, kind_of, nearest, show_value
from dutylog.config.schema import COMPLAINT, Document, KeyPattern, fields_by_pattern

_EXPECTED = {
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "string_type": "text in quotes",
    "list_type": "an array",
    "model_type": "a table",
    "dict_type": "a table",
}
_TABLES = {
    ("vehicle",): "[vehicle]",
    ("damper",): "[[damper]]",
    ("damper", "*"): "[[damper]]",
    ("damper", "*", "setting"): "[[damper.setting]]",
    ("damper", "*", "setting", "*"): "[[damper.setting]]",
    ("profile",): "[profile.NAME]",
    ("profile", "*"): "[profile.NAME]",
    ("profile", "*", "force_at"): "[[profile.NAME.force_at]]",
    ("profile", "*", "force_at", "*"): "[[profile.NAME.force_at]]",
    ("data",): "[data]",
    ("source",): "[source]",
    ("bridge",): "[bridge]",
    ("thermocouple",): "[[thermocouple]]",
    ("thermocouple", "*"): "[[thermocouple]]",
    ("adc",): "[[adc]]",
    ("adc", "*"): "[[adc]]",
    ("adc", "*", "input"): "[[adc.input]]",
    ("adc", "*", "input", "*"): "[[adc.input]]",
    ("gps",): "[gps]",
    ("web",): "[web]",
    ("trip",): "[trip]",
    ("log",): "[log]",
    ("mqtt",): "[mqtt]",
    ("influxdb",): "[influxdb]",
    ("import",): "[import.columns]",
    ("import", "columns"): "[import.columns]",
    ("import", "columns", "*"): '"NAME" or { column = "NAME", unit = "UNIT" }',
}
_NAMED_TABLES = (("profile",), ("import", "columns"))
_EMPTY_TABLE_PATTERNS = (
    ("damper", "*"),
    ("damper", "*", "setting", "*"),
    ("profile", "*"),
    ("profile", "*", "force_at", "*"),
    ("thermocouple", "*"),
    ("adc", "*"),
    ("adc", "*", "input", "*"),
)


_Model = TypeVar("_Model", bound=BaseModel)


def read_document(raw: dict[str, Any], report: Report) -> tuple[Document | None, dict[str, Any]]:
    """Check a vehicle file; see `read_as`."""
    return read_as(Document, raw, report)


def read_as(model: type[_Model], raw: dict[str, Any], report: Report) -> tuple[_Model | None, dict[str, Any]]:
    """Check types, keys and single numbers.

    Args:
        model: Document, or one of some of its tables.
        raw: the file as the TOML reader gives it.
        report: takes a line for each problem.
    Returns:
        The document, None when something is wrong; and a copy of raw in which every value that is
        left has the right type, so that the remaining checks can go on and tell the rest.
    """
    try:
        return model.model_validate(raw), raw
    except ValidationError as err:
        found = err.errors(include_url=False)
    rest, fields = copy.deepcopy(raw), fields_by_pattern(model)
    for path, details in _one_per_key(found).items():
        more = Counter(_key_of(d["loc"]) for d in found)[_key_of(path)] - 1 if _key_of(path) != path else 0
        report.problem(path, _tell(path, details, fields) + (f" (and {more} more here)" if more else ""))
        if details["type"] != "missing":
            _take_out(rest, path)
    return None, rest


def pattern_of(path: KeyPath) -> KeyPattern:
    """Return a key path with `*` for places in lists and for free names (of profiles, of columns)."""
    parts = tuple("*" if isinstance(part, int) else part for part in path)
    for table in _NAMED_TABLES:
        if len(parts) > len(table) and parts[: len(table)] == table:
            return (*table, "*", *parts[len(table) + 1 :])
    return parts


def _key_of(path: KeyPath) -> KeyPath:
    """Return the path up to its last name: the whole array that a point belongs to, not tables in a list."""
    length = len(path)
    while length and isinstance(path[length - 1], int) and pattern_of(path[:length]) not in _TABLES:
        length -= 1
    return path[:length]


def _one_per_key(found: list[ErrorDetails]) -> dict[KeyPath, ErrorDetails]:
    """Return the first error of each key, so that an array of bad points is told once."""
    first: dict[KeyPath, ErrorDetails] = {}
    seen: set[KeyPath] = set()
    for details in found:
        key = _key_of(details["loc"])
        if key not in seen:
            seen.add(key)
            first[details["loc"]] = details
    return first


def _tell(path: KeyPath, details: ErrorDetails, fields: Mapping[KeyPattern, FieldInfo]) -> str:
    kind, value = details["type"], details["input"]
    pattern = pattern_of(path)
    if kind == COMPLAINT:
        return details["msg"]
    if kind == "extra_forbidden":
        return _tell_unknown(pattern, str(path[-1]), fields)
    if kind == "missing":
        return f"missing; {fields[pattern].description}{_range_of(pattern)}"
    if kind == "finite_number":
        return f"{show_value(value)} is no finite number"
    if kind == "literal_error":
        return f"{show_value(value)} isn't known here{nearest(str(value)[:80], get_args(fields[pattern].annotation))}"
    if kind in ("too_short", "too_long"):
        return _tell_length(path, details.get("ctx", {}))
    return _tell_type(pattern, kind, value)


def _tell_unknown(pattern: KeyPattern, name: str, fields: Mapping[KeyPattern, FieldInfo]) -> str:
    siblings = [p[-1] for p in fields if p[:-1] == pattern[:-1]]
    homes = [_TABLES[p[:-1]] for p in fields if p[-1] == name and p[:-1] in _TABLES]
    if homes:
        return f"unknown key here; it belongs in {homes[0]}"
    return f"unknown key{nearest(name, siblings)}"


def _tell_type(pattern: KeyPattern, kind: str, value: Any) -> str:
    header = _TABLES.get(pattern)
    if header is not None:
        seen = "this is one table, expected several" if kind == "list_type" and isinstance(value, dict) else ""
        return f"{seen or _seen(value) + ', expected a table'}; write it as {header}"
    expected = _EXPECTED.get(kind, "something else")
    remedy = ""
    if isinstance(value, str) and expected.endswith("number") and _is_number(value):
        remedy = "; write it without quotes"
    return f"{_seen(value)}, expected {expected}{_range_of(pattern)}{remedy}"


def _tell_length(path: KeyPath, context: Mapping[str, Any]) -> str:
    count = context.get("actual_length")
    if path == ("damper",):
        return "no damper; add at least one [[damper]]" if not count else f"{count} dampers, at most 32 are allowed"
    if path == ("profile",):
        return "no profile; add at least one [profile.NAME]"
    if isinstance(path[-1], int):
        return f"{count} values, expected a pair of two numbers"
    least = 1 if path[-1] == "force_at" else 2
    bound = f"at least {least}" if "min_length" in context else f"at most {context.get('max_length')}"
    return f"{count} entries, {bound} are needed" if "min_length" in context else f"{count} entries, {bound} allowed"


def _range_of(pattern: KeyPattern) -> str:
    limit = LIMITS.get(pattern[-1]) if pattern else None
    return f" ({limit.range_text})" if limit is not None else ""


def _seen(value: Any) -> str:
    if isinstance(value, list | dict):
        return f"this is {kind_of(value)}"
    return show_text(value) if isinstance(value, str) else f"{show_value(value)} is {kind_of(value)}"


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _take_out(rest: dict[str, Any], path: KeyPath) -> None:
    """Remove a bad value; a bad table in a list or of a profile becomes an empty one, so that numbering stays."""
    key = _key_of(path)
    holder: Any = rest
    for part in key[:-1]:
        holder = holder[part]
    if pattern_of(key) in _EMPTY_TABLE_PATTERNS:
        holder[key[-1]] = {}
    elif isinstance(holder, dict):
        holder.pop(key[-1], None)

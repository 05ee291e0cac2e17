"""What a JSON object may hold, said once: checked here, and written out as JSON Schema for everybody else.

A form knows `check(value, path)`, which raises FormError naming the place, and `schema()`, its JSON Schema
(draft 2020-12). Both say the same; tests hold them against each other.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any, Protocol

from dutylog.bench.strict_json import WHOLE_LIMIT
from dutylog.errors import one_line

_PLAIN = r"^[^\u0000-\u001f\u007f-\u009f\u200e\u200f\u202a-\u202e\u2066-\u2069]*$"
"""Text of one line: no control characters, none that turns the direction of writing."""
LINES = r"^[^\u0000-\u0009\u000b-\u001f\u007f-\u009f\u200e\u200f\u202a-\u202e\u2066-\u2069]*$"
"""The same with line feeds: notes of several lines."""


class FormError(ValueError):
    """A value isn't as its form says; the text names where, and the value seen."""


class Form(Protocol):
    """What a value may be."""

    def check(self, value: Any, path: str) -> None:
        """Return for a value of this form; FormError for any other."""

    def schema(self) -> dict[str, Any]:
        """Return the same as JSON Schema."""


@dataclass(frozen=True, slots=True)
class Text:
    """Text of least to most characters that a pattern fits, usually one line. is_free: anything that is Unicode."""

    most: int = 200
    least: int = 0
    pattern: str = _PLAIN
    is_free: bool = False

    def check(self, value: Any, path: str) -> None:
        if not isinstance(value, str):
            raise FormError(f"{path}: {_seen(value)}, expected text")
        if not self.least <= len(value) <= self.most:
            raise FormError(f"{path}: text of {len(value)} characters, expected {self.least} to {self.most}")
        if not self.is_free and re.fullmatch(self.pattern[1:-1], value) is None:
            raise FormError(f"{path}: {_seen(value)}, not of the form expected")

    def schema(self) -> dict[str, Any]:
        found: dict[str, Any] = {"type": "string", "maxLength": self.most}
        if self.least:
            found["minLength"] = self.least
        return found if self.is_free else {**found, "pattern": self.pattern}


def hex_text(digits: int) -> Text:
    """Return the form of so many small hex digits."""
    return Text(digits, digits, rf"^[0-9a-f]{{{digits}}}$")


@dataclass(frozen=True, slots=True)
class Day:
    """A date that exists, as 2026-05-31."""

    def check(self, value: Any, path: str) -> None:
        try:
            if isinstance(value, str) and len(value) == 10 and date.fromisoformat(value).isoformat() == value:
                return
        except ValueError:
            pass
        raise FormError(f"{path}: {_seen(value)}, expected a date as 2026-05-31")

    def schema(self) -> dict[str, Any]:
        return {"type": "string", "format": "date", "pattern": r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"}


@dataclass(frozen=True, slots=True)
class Instant:
    """A moment in UTC, whole seconds, as 2026-11-30T09:15:02Z."""

    def check(self, value: Any, path: str) -> None:
        try:
            if isinstance(value, str) and len(value) == 20:
                datetime.strptime(value, "%Y-%m-%dT%H:%M:%SZ")
                return
        except ValueError:
            pass
        raise FormError(f"{path}: {_seen(value)}, expected a moment as 2026-11-30T09:15:02Z")

    def schema(self) -> dict[str, Any]:
        pattern = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}T[0-9]{2}:[0-9]{2}:[0-9]{2}Z$"
        return {"type": "string", "format": "date-time", "pattern": pattern}


@dataclass(frozen=True, slots=True)
class Whole:
    """A whole number; 1.0 is none."""

    least: int = 0
    most: int = WHOLE_LIMIT

    def check(self, value: Any, path: str) -> None:
        if type(value) is not int:
            raise FormError(f"{path}: {_seen(value)}, expected a whole number")
        if not self.least <= value <= self.most:
            raise FormError(f"{path}: {value}, expected {self.least} to {self.most}")

    def schema(self) -> dict[str, Any]:
        return {"type": "integer", "minimum": self.least, "maximum": self.most}


@dataclass(frozen=True, slots=True)
class Number:
    """A finite number."""

    least: float = -1e15
    most: float = 1e15

    def check(self, value: Any, path: str) -> None:
        if type(value) not in (int, float):
            raise FormError(f"{path}: {_seen(value)}, expected a number")
        if not self.least <= value <= self.most:
            raise FormError(f"{path}: {value:g}, expected {self.least:g} to {self.most:g}")

    def schema(self) -> dict[str, Any]:
        return {"type": "number", "minimum": self.least, "maximum": self.most}


@dataclass(frozen=True, slots=True)
class Flag:
    """True or false."""

    def check(self, value: Any, path: str) -> None:
        if type(value) is not bool:
            raise FormError(f"{path}: {_seen(value)}, expected true or false")

    def schema(self) -> dict[str, Any]:
        return {"type": "boolean"}


@dataclass(frozen=True, slots=True)
class Word:
    """One of some words, or whole numbers."""

    words: tuple[str | int, ...]

    def check(self, value: Any, path: str) -> None:
        if not any(type(value) is type(word) and value == word for word in self.words):
            raise FormError(f"{path}: {_seen(value)}, expected {' or '.join(map(str, self.words))}")

    def schema(self) -> dict[str, Any]:
        return {"enum": list(self.words)}


@dataclass(frozen=True, slots=True)
class Maybe:
    """Another form, or null."""

    form: Form

    def check(self, value: Any, path: str) -> None:
        if value is not None:
            self.form.check(value, path)

    def schema(self) -> dict[str, Any]:
        return {"anyOf": [self.form.schema(), {"type": "null"}]}


@dataclass(frozen=True, slots=True)
class Rows:
    """A list of least to most values of one form."""

    form: Form
    most: int
    least: int = 0

    def check(self, value: Any, path: str) -> None:
        if not isinstance(value, list):
            raise FormError(f"{path}: {_seen(value)}, expected a list")
        if not self.least <= len(value) <= self.most:
            raise FormError(f"{path}: {len(value)} rows, expected {self.least} to {self.most}")
        for at, one in enumerate(value):
            self.form.check(one, f"{path}[{at}]")

    def schema(self) -> dict[str, Any]:
        found: dict[str, Any] = {"type": "array", "items": self.form.schema(), "maxItems": self.most}
        return {**found, "minItems": self.least} if self.least else found


@dataclass(frozen=True, slots=True)
class Tuple:
    """A list of as many values as there are forms, one each."""

    forms: tuple[Form, ...]

    def check(self, value: Any, path: str) -> None:
        if not isinstance(value, list) or len(value) != len(self.forms):
            raise FormError(f"{path}: {_seen(value)}, expected a list of {len(self.forms)}")
        for at, (form, one) in enumerate(zip(self.forms, value, strict=True)):
            form.check(one, f"{path}[{at}]")

    def schema(self) -> dict[str, Any]:
        count = len(self.forms)
        each = [form.schema() for form in self.forms]
        return {"type": "array", "prefixItems": each, "items": False, "minItems": count, "maxItems": count}


@dataclass(frozen=True, slots=True)
class Table:
    """An object whose names follow a pattern, with values of one form."""

    form: Form
    most: int
    pattern: str = r"^[a-z0-9_]{1,64}$"

    def check(self, value: Any, path: str) -> None:
        if not isinstance(value, dict):
            raise FormError(f"{path}: {_seen(value)}, expected an object")
        if len(value) > self.most:
            raise FormError(f"{path}: {len(value)} fields, expected at most {self.most}")
        for name, one in value.items():
            if re.fullmatch(self.pattern[1:-1], name) is None:
                raise FormError(f"{path}: a field {_seen(name)}, not of the form expected")
            self.form.check(one, f"{path}.{name}")

    def schema(self) -> dict[str, Any]:
        names = {"pattern": self.pattern}
        return {
            "type": "object",
            "propertyNames": names,
            "additionalProperties": self.form.schema(),
            "maxProperties": self.most,
        }


@dataclass(frozen=True, slots=True)
class Fields:
    """An object with exactly these fields. may: those that may be absent."""

    must: Mapping[str, Form]
    may: Mapping[str, Form] = field(default_factory=dict)

    def check(self, value: Any, path: str) -> None:
        if not isinstance(value, dict):
            raise FormError(f"{path}: {_seen(value)}, expected an object")
        for name in value:
            if name not in self.must and name not in self.may:
                raise FormError(f"{path}: unknown field {_seen(name)}")
        for name, form in self.must.items():
            if name not in value:
                raise FormError(f"{path}: the field {name} is missing")
            form.check(value[name], f"{path}.{name}")
        for name, form in self.may.items():
            if name in value:
                form.check(value[name], f"{path}.{name}")

    def schema(self) -> dict[str, Any]:
        every = {**self.must, **self.may}
        return {
            "type": "object",
            "properties": {name: form.schema() for name, form in every.items()},
            "required": list(self.must),
            "additionalProperties": False,
        }


@dataclass(frozen=True, slots=True)
class Anything:
    """Any JSON: bounded by the limits of the file alone."""

    def check(self, value: Any, path: str) -> None:  # noqa: ARG002 - as every form
        return

    def schema(self) -> dict[str, Any]:
        return {}


def _seen(value: Any) -> str:
    return one_line(repr(value) if not isinstance(value, list | dict) else f"a JSON {type(value).__name__}", 60)

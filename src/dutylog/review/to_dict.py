"""A Review as plain JSON types and back: what review.json holds beside its schema, engine and stamp."""

from __future__ import annotations

import math
import types
import typing
from collections.abc import Hashable, Mapping
from dataclasses import is_dataclass
from functools import cache
from typing import Any

from dutylog.errors import InputError
from dutylog.review.review import Figure, Review

_PLAIN = (str, bool, int)


def review_to_dict(review: Review) -> dict[str, Any]:
    """Return all of a review as dicts, lists, texts, numbers and None, under the names of its fields.

    Figures in sentences become {"kind", "value"}. NaN and infinity become None.

    Raises:
        InputError: a value that must be there is NaN or infinite.
    """
    found: dict[str, Any] = _encode(review, "review")
    return found


def review_from_dict(content: Mapping[str, Any]) -> Review:
    """Return the review of such a dict; what else is in it (schema, engine, stamp) is left alone.

    Raises:
        InputError: something is missing or of the wrong type; it says where.
    """
    found: Review = _decode(Review, content, "review")
    return found


def _encode(value: Any, where: str) -> Any:
    if is_dataclass(value):
        found: dict[str, Any] = {}
        kind: Any = type(value)
        for name, (_, is_optional) in _fields(kind).items():
            there = f"{where}.{name}"
            found[name] = _encode(getattr(value, name), there)
            if found[name] is None and not is_optional:
                raise InputError(f"{there} is unknown where a value must be: {getattr(value, name)!r:.40}")
        return found
    if isinstance(value, Mapping):
        return {str(key): _encode(one, f"{where}.{key}") for key, one in value.items()}
    if isinstance(value, (tuple, list)):
        return [_encode(one, where) for one in value]
    if value is None or isinstance(value, (str, bool, int)):
        return value
    # numpy's own kinds of float become plain ones
    return float(value) if math.isfinite(value) else None


@cache
def _fields(kind: Hashable) -> dict[str, tuple[Any, bool]]:
    """Return (type, may be None) of each field of a dataclass, by name."""
    hints = typing.get_type_hints(kind)
    return {name: (of, type(None) in typing.get_args(of)) for name, of in hints.items()}


def _decode(kind: Any, value: Any, where: str) -> Any:
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if is_dataclass(kind) and isinstance(kind, type):
        return _decode_fields(kind, value, where)
    if origin in (types.UnionType, typing.Union):
        return _decode_choice(inner, value, where)
    if origin is tuple:
        return _decode_tuple(inner, value, where)
    if origin is Mapping:
        return {key: _decode(inner[1], one, f"{where}.{key}") for key, one in _checked(Mapping, value, where).items()}
    if kind is float:
        return _decode_float(value, where)
    if kind in _PLAIN and type(value) is kind:
        return value
    raise InputError(f"{where} is {value!r:.40}; {getattr(kind, '__name__', kind)} was expected")


def _decode_fields(kind: type, value: Any, where: str) -> Any:
    content = _checked(Mapping, value, where)
    missing = [name for name in _fields(kind) if name not in content]
    if missing:
        raise InputError(f"{where} has no {missing[0]!r}; make the review again")
    return kind(**{name: _decode(of, content[name], f"{where}.{name}") for name, (of, _) in _fields(kind).items()})


def _decode_choice(kinds: tuple[Any, ...], value: Any, where: str) -> Any:
    """Decode one of several types: something or None, or a text or a figure."""
    if value is None and type(None) in kinds:
        return None
    rest = [one for one in kinds if one is not type(None)]
    if Figure in rest and isinstance(value, Mapping):
        return _decode(Figure, value, where)
    return _decode(rest[0], value, where)


def _decode_tuple(inner: tuple[Any, ...], value: Any, where: str) -> tuple[Any, ...]:
    content = _checked(list, value, where)
    if len(inner) == 2 and inner[1] is Ellipsis:
        return tuple(_decode(inner[0], one, f"{where}[{place}]") for place, one in enumerate(content))
    if len(content) != len(inner):
        raise InputError(f"{where} has {len(content)} values; {len(inner)} were expected")
    return tuple(_decode(of, one, where) for of, one in zip(inner, content, strict=True))


def _decode_float(value: Any, where: str) -> float:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if math.isfinite(number):
            return number
    raise InputError(f"{where} is {value!r:.40}; a finite number was expected")


def _checked(kind: Any, value: Any, where: str) -> Any:
    if not isinstance(value, kind):
        raise InputError(f"{where} is {value!r:.40}; a {kind.__name__.lower()} was expected")
    return value

"""What review.json must look like for the page: names and types of all that is shown (shared/REVIEW.md)."""

from __future__ import annotations

import json
import math
from typing import Any

from dutylog.domain.quantity import KINDS

SCHEMA = 1
LEVELS = ("act", "look", "fine")
MOST_REVIEW_BYTES = 8_000_000
_TEXT, _NUMBER, _FLAG, _COUNT = "a text", "a number", "true or false", "a whole number"
_WORDS = ["words"]
Shape = Any
"""What a value must be: one of the words above, (shape,) for it or null, [shape] for a list, {"": shape} for a
mapping of texts, or a mapping of its fields."""
_SENTENCE = {"rule": _TEXT, "level": _TEXT, "positions": [_TEXT], "words": _WORDS, "why": _WORDS}
_FACTS = {
    "seconds": _NUMBER, "energy_j": _NUMBER, "is_open": _FLAG, "not_driven": (_TEXT,), "load_note": (_TEXT,),
    "dirt": (_TEXT,),
}  # fmt: skip
_USED = {"part": _TEXT, "name": _TEXT, "ratio": _NUMBER}
_DAMPER = {
    "position": _TEXT, "unit_id": _TEXT, "label": _TEXT, "energy_j": _NUMBER, "compression_energy_j": _NUMBER,
    "rebound_energy_j": _NUMBER, "peak_compression_mps": _NUMBER, "peak_rebound_mps": _NUMBER,
    "peak_body_c": (_NUMBER,), "peak_rise_k": (_NUMBER,), "peak_heat_w": (_NUMBER,), "measured_s": _NUMBER,
    "unmeasured_s": _NUMBER, "coverage_ratio": (_NUMBER,), "contacts_count": {"": _COUNT}, "used": [_USED],
    "street_miles": (_NUMBER,),
}  # fmt: skip
_ROAD = {
    "kind": _TEXT, "seconds": _NUMBER, "distance_m": (_NUMBER,), "mean_mps": (_NUMBER,), "energy_j": {"": _NUMBER},
    "energy_ratio": _NUMBER, "energy_per_m_j": (_NUMBER,),
}  # fmt: skip
_SEGMENT = {"kind": _TEXT, "start_s": _NUMBER, "end_s": _NUMBER, "is_said": _FLAG}
_HIT = {
    "position": _TEXT, "kind": _TEXT, "t_s": _NUMBER, "speed_mps": _NUMBER, "vehicle_mps": (_NUMBER,),
    "distance_m": (_NUMBER,), "latitude_deg": (_NUMBER,), "longitude_deg": (_NUMBER,),
}  # fmt: skip
_HEIGHT = {
    "position": _TEXT, "start_s": _NUMBER, "seconds": _NUMBER, "travel_m": _NUMBER, "sd_m": _NUMBER,
    "to_bump_m": _NUMBER, "to_droop_m": _NUMBER, "body_c": (_NUMBER,), "load_note": (_TEXT,),
}  # fmt: skip
_TREND = {
    "position": _TEXT, "stops_count": _COUNT, "trips_count": _COUNT, "change_m": (_NUMBER,), "doubt_m": (_NUMBER,),
    "level": _TEXT, "words": _WORDS,
}  # fmt: skip
_DIFFERENCE = {
    "what": _TEXT, "first_name": _TEXT, "second_name": _TEXT, "kind": _TEXT, "first": (_NUMBER,),
    "second": (_NUMBER,), "ratio": (_NUMBER,), "low": (_NUMBER,), "high": (_NUMBER,), "is_clear": _FLAG,
    "words": _WORDS, "basis": _TEXT,
}  # fmt: skip
_CARE = {
    "key": _TEXT, "text": _WORDS, "why": _WORDS, "is_asked": _FLAG, "caution": (_WORDS,), "done_by": (_TEXT,),
    "done_utc_s": (_NUMBER,), "row": (_COUNT,), "note": (_TEXT,),
}  # fmt: skip
REVIEW = {
    "schema": _COUNT, "engine": _TEXT, "facts": _FACTS, "verdict": [_SENTENCE], "dampers": [_DAMPER],
    "roads": [_ROAD], "segments": [_SEGMENT], "hits": [_HIT], "heights": [_HEIGHT], "trends": [_TREND],
    "differences": [_DIFFERENCE], "care": [_CARE], "ambient_c": ([_NUMBER],), "track_points_count": _COUNT,
    "is_raw_whole": _FLAG, "cost_problem": _TEXT, "notes": [_TEXT],
}  # fmt: skip


class ReviewBroken(ValueError):
    """A review on disk isn't one; it is made anew."""


def parse_review(raw: bytes) -> dict[str, Any]:
    """Return a review of the shape REVIEW; ReviewBroken says what is amiss."""
    if len(raw) > MOST_REVIEW_BYTES:
        raise ReviewBroken(f"longer than {MOST_REVIEW_BYTES} bytes")
    try:
        content = json.loads(raw, parse_constant=_refuse)
    except (ValueError, RecursionError) as err:
        raise ReviewBroken(f"no JSON: {err}") from err
    _check(content, REVIEW, "review")
    if content["schema"] != SCHEMA:
        raise ReviewBroken(f"schema {content['schema']}; {SCHEMA} is read here")
    for name in ("verdict", "trends"):
        for one in content[name]:
            if one["level"] not in LEVELS:
                raise ReviewBroken(f"level {one['level']!r} of {name} is none of {', '.join(LEVELS)}")
    found: dict[str, Any] = content
    return found


def _refuse(name: str) -> None:
    raise ReviewBroken(f"{name} is no number of JSON")


def _check(value: Any, shape: Shape, where: str) -> None:
    """Raise ReviewBroken where a value isn't of a shape; fields that aren't asked for may be there."""
    if shape is _WORDS:
        _check_words(value, where)
    elif isinstance(shape, tuple):
        if value is not None:
            _check(value, shape[0], where)
    elif isinstance(shape, list):
        for place, one in enumerate(_of_kind(value, list, where)):
            _check(one, shape[0], f"{where}[{place}]")
    elif isinstance(shape, dict):
        content = _of_kind(value, dict, where)
        if "" in shape:
            for name, one in content.items():
                _check(one, shape[""], f"{where}.{name}")
            return
        for name, inner in shape.items():
            if name not in content:
                raise ReviewBroken(f"{where} has no {name!r}")
            _check(content[name], inner, f"{where}.{name}")
    else:
        _check_plain(value, shape, where)


def _check_words(value: Any, where: str) -> None:
    for one in _of_kind(value, list, where):
        if isinstance(one, dict):
            _check(one, {"kind": _TEXT, "value": _NUMBER}, where)
            if one["kind"] not in KINDS:
                raise ReviewBroken(f"{where}: no quantity of kind {one['kind']!r:.40}")
        else:
            _of_kind(one, str, where)


def _check_plain(value: Any, shape: str, where: str) -> None:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    sound = {
        _TEXT: isinstance(value, str),
        _FLAG: isinstance(value, bool),
        _COUNT: is_number and isinstance(value, int),
        _NUMBER: is_number and abs(value) < 1e300 and math.isfinite(value),
    }[shape]
    if not sound:
        raise ReviewBroken(f"{where} is {value!r:.40}; {shape} was expected")


def _of_kind(value: Any, kind: type, where: str) -> Any:
    if not isinstance(value, kind):
        raise ReviewBroken(f"{where} is {value!r:.40}; a {kind.__name__} was expected")
    return value

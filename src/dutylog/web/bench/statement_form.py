"""The form for a damper without a card: its words, and what its fields come to."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from dutylog.bench.estimate import Statement
from dutylog.domain.wear import DIRTS, MIXES
from dutylog.errors import InputError, one_line
from dutylog.units import M_PER_INCH, M_PER_MILE
from dutylog.web.bench.typed_number import parse_number

CONSTRUCTION_WORDS: Mapping[str, str] = {
    "floating_piston": "floating piston parts gas from oil",
    "bladder": "bladder parts gas from oil",
    "emulsion": "gas and oil in one room",
    "twin_tube": "twin tube",
}
RESERVOIR_WORDS: Mapping[str, str] = {
    "none": "no reservoir, all in the body",
    "attached": "a can on the body",
    "hose": "a can on a hose",
}
JOINT_WORDS: Mapping[str, str] = {"rod_end": "rod ends (spherical bearings)", "bushing": "rubber or plastic bushings"}
MIX_WORDS: Mapping[str, str] = {
    "street": "street",
    "mixed": "street and dirt roads",
    "hard": "hard trails",
    "washboard": "much washboard",
    "desert": "fast desert",
}
_MUST_CHOOSE: Mapping[str, str] = {
    "construction": "what is in it",
    "reservoir": "its reservoir",
    "joints": "what its ends turn in",
}
"""What nobody may leave as it came: what must be done first at the bench follows from it."""
_M_PER: Mapping[str, float] = {"mi": M_PER_MILE, "km": 1e3}
_LENGTH_M: Mapping[str, float] = {"mm": 1e-3, "in": M_PER_INCH}


def read_statement(fields: Mapping[str, str], next_tag: str) -> Statement:
    """Return what a form tells.

    Args:
        fields: of the form, empty texts for what nobody knows. next_tag: for a damper without serial and tag.
    Raises:
        InputError: a number, day or word that can't be; the text names the field.
    """
    given = {name: text.strip() for name, text in fields.items() if text.strip()}
    for name, what in _MUST_CHOOSE.items():
        if name in fields and name not in given:
            raise InputError(f"{name}: choose {what}; look at the damper, or ask its owner")
    serial = given.get("serial")
    return Statement(
        serial=serial,
        tag=given.get("tag") or (None if serial else next_tag),
        construction=given.get("construction", ""),
        reservoir=given.get("reservoir", "none"),
        joints=given.get("joints", "rod_end"),
        stroke_m=_length(given, "stroke"),
        shaft_diameter_m=_length(given, "shaft"),
        bore_diameter_m=_length(given, "bore"),
        distance_m=_scaled(given, "distance", _M_PER, given.get("distance_unit", "mi")),
        years=_number(given, "years"),
        mix=_word(given, "mix", MIXES, "mixed"),
        dirt=tuple(one for one in DIRTS if given.get(f"dirt_{one}") == "yes"),
        is_washed={"yes": True, "no": False}.get(given.get("washed", "")),
        last_service=_day(given, "last_service"),
        was_rebuilt=given.get("rebuilt") == "yes" or "last_service" not in given,
        remarks=given.get("remarks"),
        position=given.get("position"),
        vehicle_name=given.get("vehicle"),
    )


def _length(given: Mapping[str, str], name: str) -> float | None:
    return _scaled(given, name, _LENGTH_M, given.get("length_unit", "mm"))


def _scaled(given: Mapping[str, str], name: str, sizes: Mapping[str, float], unit: str) -> float | None:
    if unit not in sizes:
        raise InputError(f"{name}: unit {one_line(unit, 10)!r}, give one of {', '.join(sizes)}")
    value = _number(given, name, is_coarse=sizes is _M_PER)
    return None if value is None else value * sizes[unit]


def _number(given: Mapping[str, str], name: str, *, is_coarse: bool = False) -> float | None:
    """Return a number as people write it; nobody has one below nought here."""
    value = parse_number(given.get(name, ""), name, is_coarse=is_coarse, example="12000 or 3.5")
    if value is not None and value < 0.0:
        raise InputError(f"{name}: {one_line(given[name], 30)!r} is no number from 0 up; write it as 12000 or 3.5")
    return value


def _day(given: Mapping[str, str], name: str) -> date | None:
    text = given.get(name)
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError as err:
        raise InputError(f"last service: {one_line(text, 30)!r} is no day; write it like 2026-11-30") from err


def _word(given: Mapping[str, str], name: str, known: tuple[str, ...], otherwise: str) -> str:
    word = given.get(name, otherwise)
    if word not in known:
        raise InputError(f"{name}: {one_line(word, 20)!r}, give one of {', '.join(known)}")
    return word

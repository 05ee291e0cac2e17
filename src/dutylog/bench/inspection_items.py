"""All points an inspection may have, and which of them a damper of one construction has (shared/BENCH.md)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType

from dutylog.bench.facts import UnitFacts
from dutylog.bench.findings import Item, Measure
from dutylog.bench.items_around import AROUND
from dutylog.bench.items_inside import INSIDE, INSIDE_ITEMS
from dutylog.bench.items_outside import OUTSIDE, WET_AGAIN, WIPED
from dutylog.errors import InputError, one_line

FIRST = "The maker's manual first, its figures count before ours. "
"""Before how one looks, at every point."""
ITEMS: tuple[Item, ...] = tuple(replace(item, how=FIRST + item.how) for item in OUTSIDE + AROUND + INSIDE_ITEMS)
"""In the order in which they are looked at where nothing points anywhere."""
ITEM_OF: Mapping[str, Item] = MappingProxyType({item.key: item for item in ITEMS})
STEP_WORDS: Mapping[int, str] = MappingProxyType(
    {
        0: "outside, on the vehicle",
        1: "outside, on the bench",
        2: "charge",
        3: "opened",
        4: "closed and charged again",
    }
)
"""Steps of the work, in their safe order."""


def applies(item: Item, construction: str, reservoir: str, joints: str) -> bool:
    """Return whether a damper of that construction has what a point looks at (words of domain.vehicle)."""
    asked = ((item.constructions, construction), (item.reservoirs, reservoir), (item.joints, joints))
    return all(not known or word in known for known, word in asked)


def items_for(construction: str, reservoir: str, joints: str, can_open: bool = True) -> tuple[Item, ...]:
    """Return the points of a damper, in the written order. can_open: False leaves out what is inside."""
    there = (item for item in ITEMS if applies(item, construction, reservoir, joints))
    return tuple(item for item in there if can_open or item.step != INSIDE)


def is_rebuildable(facts: UnitFacts) -> bool:
    """Return whether a damper can be opened; it can where nobody gave a profile that says otherwise."""
    return facts.profile is None or facts.profile.is_rebuildable


def measure_of(item: Item, key: str) -> Measure | None:
    """Return a measure of a point, None where it has none of that key."""
    return next((one for one in item.measures if one.key == key), None)


def check_measures(item: Item, measures: Mapping[str, float]) -> dict[str, float]:
    """Return measures as floats.

    Raises:
        InputError: one that the point doesn't have, that is no number, out of range or none of the answers; or wet
            again without having been wiped.
    """
    found: dict[str, float] = {}
    for key, value in measures.items():
        measure = measure_of(item, key)
        if measure is None:
            known = ", ".join(one.key for one in item.measures) or "none"
            raise InputError(f"{item.name}: measure {key!r:.40} isn't one of this point; it has: {known}")
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise InputError(f"{item.name}, {measure.name}: {value!r:.40} is no number")
        # A NaN lies in no range, so it ends here too.
        if not measure.least <= value <= measure.most:
            expected = f"expected {measure.least:g} to {measure.most:g} {measure.unit}".rstrip()
            raise InputError(f"{item.name}, {measure.name}: {one_line(f'{value} {measure.unit}', 40)}, {expected}")
        if measure.choices and float(value) not in {choice for choice, _ in measure.choices}:
            answers = ", ".join(f"{choice:g} ({words})" for choice, words in measure.choices)
            raise InputError(f"{item.name}, {measure.name}: {value:g} is none of {answers}")
        found[key] = float(value)
    if WET_AGAIN.key in found and found.get(WIPED.key) != 1.0:
        raise InputError(
            f"{item.name}: '{WET_AGAIN.name}' counts only after it was wiped dry and worked 50 strokes; do that and "
            "say so, or take the answer back"
        )
    return found

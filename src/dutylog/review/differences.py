"""Comparisons in words: what was compared, between what the ratio lies, and whether that is more than its doubt."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dutylog.domain.quantity import position_text
from dutylog.review.ranges import Range
from dutylog.review.review import Difference, Figure, Words
from dutylog.review.stretches import Stretches

PACE_RATIO = 1.15
"""Mean speeds further apart than this are said beside a comparison of trips. Source: judgement."""
HEAT, SHAFT, STROKES, BOTTOMS, WARMTH, SHARE = "heat", "shaft_speed", "strokes", "bottom_outs", "warmth", "share"
_NAMES = {
    HEAT: "heat",
    SHAFT: "mean shaft speed",
    STROKES: "strokes",
    BOTTOMS: "bottom-outs",
    WARMTH: "rise above the air by 100 W",
    SHARE: "share of the heat",
}


@dataclass(frozen=True, slots=True)
class Pair:
    """A difference and what it is about. figure: one of those above. names: positions, wheels, axles or trips."""

    figure: str
    names: tuple[str, str]
    difference: Difference


def has_distance(*trips: Stretches) -> bool:
    """Return whether speed was known in nearly all stretches of all trips."""
    return all(len(one.kinds) > 0 and float(np.isfinite(one.distance_m).mean()) >= 0.8 for one in trips)


_KINDS = {HEAT: "energy_per_m", SHAFT: "shaft_mps", STROKES: "per_m", BOTTOMS: "per_m", WARMTH: "temperature_k"}
_BASIS_ROAD = "roads of one kind differ, and so does pace; shares of the heat don't depend on it"


def pair_of_trips(
    figure: str,
    position: str,
    trips: tuple[Stretches, Stretches],
    found: Range | None,
    road: str | None = None,
    kind: str | None = None,
) -> list[Pair]:
    """Return a comparison of two trips at one position as a list of one, or of none."""
    if found is None:
        return []
    where = f" on {road}" if road else ""
    basis = f"{position_text(position)}{where}, {found.count} stretches or more of both"
    if figure in (HEAT, SHAFT, STROKES):
        basis += f"; {_BASIS_ROAD}"
    names = trips[0].name, trips[1].name
    what = f"{position_text(position)}: {_NAMES[figure]}{where}"
    shown = kind or _KINDS.get(figure, "share_ratio")
    return [Pair(figure, names, _difference(what, names, shown, found, (*say(found), *_say_pace(trips)), basis))]


def pair_of_sides(figure: str, names: tuple[str, str], kind: str, found: Range | None) -> list[Pair]:
    if found is None:
        return []
    first, second = (position_text(name) for name in names)
    basis = f"same road, same trip, {found.count} stretches of it"
    return [Pair(figure, names, _difference(_NAMES[figure], (first, second), kind, found, say(found), basis))]


def _difference(what: str, names: tuple[str, str], kind: str, found: Range, words: Words, basis: str) -> Difference:
    return Difference(
        what,
        *names,
        kind,
        found.first,
        found.second,
        found.ratio,
        found.low,
        found.high,
        found.is_clear,
        words,
        basis,
    )


def say(found: Range) -> Words:
    """Return whether a difference is more than its doubt, in words."""
    if not found.is_clear:
        return ("within its doubt",)
    change = found.ratio - 1.0
    return (Figure("change_ratio", abs(change)), f" {'more' if change > 0.0 else 'less'}; more than its doubt")


def _say_pace(trips: tuple[Stretches, Stretches]) -> Words:
    if not has_distance(*trips):
        return ()
    paces = [float(np.nansum(one.distance_m) / one.seconds[np.isfinite(one.distance_m)].sum()) for one in trips]
    if min(paces) <= 0.0 or max(paces) / min(paces) < PACE_RATIO:
        return ()
    return ("; driven at ", Figure("speed_mps", paces[0]), " and ", Figure("speed_mps", paces[1]))

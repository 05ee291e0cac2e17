"""Whether the doses land where common practice does: how long dampers last on several roads and vehicles.

Rows differ in vehicle, surfaces and miles alone; no coefficient belongs to a row. `check` holds the table against what
workshops see.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType

from dutylog.life.parts import PARTS, RULES, Rules, WearPart
from dutylog.life.reference import REFERENCE, per_mile_of, share_per_mile
from dutylog.life.setups import SHARES

WATCHED = ("shaft_seal", "oil", "wear_band", "joints", "piston_seal")
"""Parts whose end is the damper's next service."""
WEAR, CALENDAR = "wear", "calendar"
SUM_TOLERANCE = 1e-6


@dataclass(frozen=True, slots=True)
class Row:
    """One way to use dampers. shares: of surfaces, by miles. miles_a_year: judgement."""

    key: str
    name: str
    setup: str
    shares: tuple[tuple[str, float], ...]
    miles_a_year: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """What becomes of a row.

    wear_miles: until the first watched part is used up, and which. years: until wear or calendar ends the first of
    them. per_1000: used share of every part by 1000 miles.
    """

    row: Row
    wear_miles: float
    wear_part: str
    years: float
    ended_by: str
    ended_part: str
    per_1000: Mapping[str, float]

    @property
    def due_miles(self) -> float:
        """Return the miles until wear or the calendar ends the first part."""
        return self.years * self.row.miles_a_year

    @property
    def wear_years(self) -> float:
        """Return the years until the first part is worn, whatever the calendar says."""
        return self.wear_miles / self.row.miles_a_year


def _mix(name: str) -> tuple[tuple[str, float], ...]:
    return tuple(SHARES[name].items())


ROWS = (
    Row("street", "pure street", REFERENCE, _mix("street"), 12_000.0),
    Row(
        "gentle",
        "street, a graded road now and then (3 %)",
        REFERENCE,
        (("street_a", 0.485), ("street_b", 0.485), ("graded", 0.03)),
        12_000.0,
    ),
    Row(
        "typical",
        "driven daily, off the road on some weekends (8 % graded, 2 % rough)",
        REFERENCE,
        (("street_a", 0.45), ("street_b", 0.45), ("graded", 0.08), ("rough", 0.02)),
        12_000.0,
    ),
    Row("mixed", "mixed (22 % graded, 8 % rough)", REFERENCE, _mix("mixed"), 10_000.0),
    Row("hard", "hard mix (25 % graded, 15 % rough)", REFERENCE, _mix("hard"), 10_000.0),
    Row("washboard", "washboard-heavy (30 % graded, 40 % washboard)", REFERENCE, _mix("washboard"), 6_000.0),
    Row("desert", "hard desert (30 % graded, 60 % rough)", REFERENCE, _mix("desert"), 5_000.0),
    Row("buggy", "buggy, off-road alone (30 % graded, 70 % rough)", "buggy", (("graded", 0.3), ("rough", 0.7)), 600.0),
    Row("pre_runner", "pre-runner, used hard (30 % graded, 60 % rough)", "pre_runner", _mix("desert"), 1_500.0),
    Row(
        "heavy_small",
        "small damper, heavy vehicle, fire road",
        "heavy_small",
        (("graded", 0.6), ("corrugated", 0.4)),
        5_000.0,
    ),
    Row("heavy_large", "large damper, the same vehicle, street", "heavy_large", _mix("street"), 12_000.0),
)
"""Miles a year and shares are judgement. Those of buggy (a dozen outings of 50 miles) and pre-runner (a few courses of
400 miles, none of it to get there) were set with the table at hand, because what common practice tells of them is years
alone: their rows say that such miles a year are ordinary, not more."""


@dataclass(frozen=True, slots=True)
class Expected:
    """What common practice says of a row. of: a figure of `Outcome`."""

    row: str
    of: str
    low: float
    high: float
    source: str


_PRACTICE = "common practice, no published source: "
EXPECTED = (
    Expected("hard", "wear_miles", 5_000.0, 10_500.0, _PRACTICE + "10 000 miles or fewer where use is hard"),
    Expected("desert", "wear_miles", 1_000.0, 10_000.0, _PRACTICE + "10 000 miles or fewer where use is hard"),
    Expected("typical", "due_miles", 35_000.0, 70_000.0, _PRACTICE + "typical about 50 000 miles"),
    Expected("gentle", "wear_miles", 70_000.0, 150_000.0, _PRACTICE + "up to 100 000 miles where use is gentle"),
    Expected("street", "wear_miles", 100_000.0, math.inf, _PRACTICE + "pure street outlasts 100 000 miles of wear"),
    Expected("buggy", "wear_years", 3.0, 5.0, _PRACTICE + "off-road buggies 3 to 5 years"),
    Expected("pre_runner", "wear_years", 0.5, 1.5, _PRACTICE + "hard-used pre-runners yearly"),
)
CALENDAR_ROWS = ("street",)
"""Rows that the calendar ends, not wear."""
HARDER = ("street", "gentle", "typical", "mixed", "hard", "desert")
"""Each of these lasts fewer miles than the one before."""
FIRE_ROAD_RATIO = 10.0
"""How much farther the larger damper at least gets on the street. Source: common practice, no published source."""
CALENDAR_YEARS = {
    "shaft_seal": (4.0, 10.0),
    "oil": (2.0, 6.0),
    "wear_band": (5.0, 15.0),
    "joints": (5.0, 15.0),
    "piston_seal": (4.0, 10.0),
    "bladder": (4.0, 10.0),
    "charge": (0.5, 1.5),
    "hose": (4.0, 10.0),
}
"""What calendar limits are usual [years]. Source: common practice, no published source."""


def make_table(rules: Rules = RULES, parts: Sequence[WearPart] = PARTS) -> tuple[Outcome, ...]:
    """Return what becomes of every row."""
    return tuple(_make_outcome(row, rules, parts) for row in ROWS)


def check(table: Sequence[Outcome], parts: Sequence[WearPart] = PARTS) -> list[str]:
    """Return what in a table doesn't fit common practice, as sentences; empty where all does."""
    by_key = {outcome.row.key: outcome for outcome in table}
    return [*_check_parts(parts), *_check_ranges(by_key), *_check_order(by_key)]


def table_lines(table: Sequence[Outcome] | None = None) -> list[str]:
    """Return the table, by default with the usual rules, as lines for a terminal."""
    heads, rows = _cells(make_table() if table is None else table)
    widths = [max(len(row[place]) for row in [heads, *rows]) for place in range(len(heads))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in [heads, *rows]
    ]


def markdown_lines(table: Sequence[Outcome] | None = None) -> list[str]:
    """Return the same as shared/LIFE.md has it."""
    heads, rows = _cells(make_table() if table is None else table)
    return [f"| {' | '.join(row)} |" for row in [heads, ("---",) * len(heads), *rows]]


def _make_outcome(row: Row, rules: Rules, parts: Sequence[WearPart]) -> Outcome:
    doses = per_mile_of(row.shares, rules, row.setup)
    by_mile = {part.key: share_per_mile(part, doses, rules) for part in parts if part.weights}
    # Of parts that end together, as in the hard mix, the first is named whatever the last bits say.
    worn = max(WATCHED, key=lambda key: float(f"{by_mile[key]:.9g}"))
    limits = {part.key: part.calendar_years.value for part in parts if part.key in WATCHED}
    oldest = min(limits, key=lambda key: limits[key])
    wear_miles = 1.0 / by_mile[worn]
    wear_years = wear_miles / row.miles_a_year
    years, ended_by, ended_part = min((wear_years, WEAR, worn), (limits[oldest], CALENDAR, oldest))
    per_1000 = MappingProxyType({key: 1000.0 * share for key, share in by_mile.items()})
    return Outcome(row, wear_miles, worn, years, ended_by, ended_part, per_1000)


def _check_parts(parts: Sequence[WearPart]) -> Iterable[str]:
    for part in parts:
        total = math.fsum(weight for _, weight in part.weights)
        if part.weights and abs(total - 1.0) > SUM_TOLERANCE:
            yield f"{part.key}: weights add up to {total:g}, not to 1"
        low, high = CALENDAR_YEARS.get(part.key, (0.0, 0.0))
        years = part.calendar_years.value
        if not low <= years <= high:
            yield f"{part.key}: {years:g} years by the calendar, common practice is {low:g} to {high:g}"


def _check_ranges(by_key: Mapping[str, Outcome]) -> Iterable[str]:
    for expected in EXPECTED:
        value = float(getattr(by_key[expected.row], expected.of))
        if not expected.low <= value <= expected.high:
            where = f"expected {expected.low:g} to {expected.high:g} ({expected.source})"
            yield f"{expected.row}: {expected.of} {value:.4g}, {where}"
    for key in CALENDAR_ROWS:
        if by_key[key].ended_by != CALENDAR:
            yield f"{key}: ended by {by_key[key].ended_part} worn, expected the calendar"


def _check_order(by_key: Mapping[str, Outcome]) -> Iterable[str]:
    miles = [(key, by_key[key].wear_miles) for key in HARDER]
    for (gentler, more), (harder, less) in pairwise(miles):
        if less >= more:
            yield f"{harder} lasts {less:.0f} miles, no less than {gentler} with {more:.0f}"
    small, large = by_key["heavy_small"].wear_miles, by_key["heavy_large"].wear_miles
    if small * FIRE_ROAD_RATIO > large:
        yield f"heavy_small lasts {small:.0f} miles, heavy_large {large:.0f}: expected {FIRE_ROAD_RATIO:g} times as far"


def _cells(table: Sequence[Outcome]) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    names = {part.key: part.name for part in PARTS}
    keys = list(table[0].per_1000)
    heads = ("use", "mi a year", "mi until worn", "first worn", "years", "ended by", *(f"{key} %" for key in keys))
    rows = [
        (
            outcome.row.name,
            f"{outcome.row.miles_a_year:.0f}",
            _short(outcome.wear_miles),
            names[outcome.wear_part],
            f"{outcome.years:.1f}",
            outcome.ended_by if outcome.ended_by == WEAR else f"{CALENDAR}: {names[outcome.ended_part]}",
            *(_short(100.0 * outcome.per_1000[key]) for key in keys),
        )
        for outcome in table
    ]
    return heads, rows


def _short(value: float) -> str:
    """Return two digits of a number, without an exponent."""
    return f"{float(f'{value:.2g}'):g}"

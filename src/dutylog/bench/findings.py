"""What an inspection looks at and what it finds: plain data (shared/BENCH.md)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from dutylog.domain.wear import AS_NEW, FAILED, USABLE, WORN

NOT_LOOKED = "not_looked"
"""Said when a point was left out on purpose; it needs a note."""
GRADE_WORDS: Mapping[str, str] = {
    AS_NEW: "no sign",
    USABLE: "signs, would go on",
    WORN: "replace",
    FAILED: "does its job no longer",
    NOT_LOOKED: "not looked at",
}
"""Grades of a point of the inspection, the mildest first: those of domain.wear, and one for what nobody looked at."""


@dataclass(frozen=True, slots=True)
class Measure:
    """A figure that belongs to a point. kind: of domain.quantity, or '' for a plain number with `unit`.

    worse: 'more' or 'less' where that is a worse sign, '' where it tells nothing by itself. choices: (value, words)
    where it is one of few answers instead of a figure.
    """

    key: str
    name: str
    kind: str
    unit: str
    least: float
    most: float
    worse: str = ""
    choices: tuple[tuple[float, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Item:
    """A point of the inspection.

    question: what is to be decided. how: how one looks, the maker's manual first. caution: shown beside the step, ''
    where there is none. parts: wear parts (domain.wear) it speaks of. constructions, reservoirs, joints: where it
    applies, empty: everywhere. step: points of a lower step are done before those of a higher one (0 outside, on the
    vehicle; 1 outside, on the bench; 2 charge; 3 opened; 4 closed and charged again).
    """

    key: str
    group: str
    name: str
    question: str
    how: str
    step: int
    caution: str = ""
    measures: tuple[Measure, ...] = ()
    parts: tuple[str, ...] = ()
    constructions: tuple[str, ...] = ()
    reservoirs: tuple[str, ...] = ()
    joints: tuple[str, ...] = ()
    source: str = "common practice, no published source"


@dataclass(frozen=True, slots=True)
class Finding:
    """What somebody found at a point; a later one of the same item replaces it. utc: ISO 8601. measures: in SI or mm.

    photos: SHA-256 in hex. entry: row of the bench's chain.
    """

    item: str
    grade: str
    measures: Mapping[str, float] = field(default_factory=dict)
    note: str | None = None
    photos: tuple[str, ...] = ()
    by: str = ""
    utc: str = ""
    entry: int = 0

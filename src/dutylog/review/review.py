"""What is told of a trip, as plain rows: the page, the report and JSON are made from these and from nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from dutylog.review.trip_data import Contact, Segment

ACT, LOOK, FINE = "act", "look", "fine"
LEVELS = (ACT, LOOK, FINE)
"""How much a sentence matters: something to do before the next outing, something to look at, all well."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A number in a sentence. kind: of domain/quantity.py; value: in that kind's unit."""

    kind: str
    value: float


Words = tuple[str | Figure, ...]


@dataclass(frozen=True, slots=True)
class Sentence:
    """One thing said of a trip. rule: its name in shared/REVIEW.md. positions: whom it is about, none: the vehicle.

    why: the rule in words with the numbers it was judged by.
    """

    rule: str
    level: str
    positions: tuple[str, ...]
    words: Words
    why: Words


@dataclass(frozen=True, slots=True)
class UsedPart:
    """What the trip took of a part's budget. part: key of domain/wear.py."""

    part: str
    name: str
    ratio: float


@dataclass(frozen=True, slots=True)
class DamperRow:
    """One damper's trip. Contacts by kind in `contacts_count`; a kind that can't be told is absent: no strap length, or
    part of the raw log is gone (bottom-outs are the ledger's and always there).

    lower_bound: coverage below 1. peak_rise_k: highest body above the air. used: largest first, empty where unknown.
    """

    position: str
    wheel: str
    unit_id: str
    label: str
    energy_j: float
    compression_energy_j: float
    rebound_energy_j: float
    strokes_count: int
    shaft_travel_m: float
    bottom_outs_count: int
    peak_compression_mps: float
    peak_rebound_mps: float
    peak_body_c: float | None
    peak_rise_k: float | None
    peak_heat_w: float | None
    measured_s: float
    unmeasured_s: float
    coverage_ratio: float | None
    contacts_count: Mapping[str, int]
    used: tuple[UsedPart, ...]
    street_miles: float | None


@dataclass(frozen=True, slots=True)
class RoadRow:
    """All of a trip on one kind of road. energy_j by position; energy_ratio: of the heat of all dampers together.

    distance_m, mean_mps: None without speed. energy_per_m_j: of all dampers [J/m], None without distance.
    """

    kind: str
    seconds: float
    distance_m: float | None
    mean_mps: float | None
    energy_j: Mapping[str, float]
    energy_ratio: float
    energy_per_m_j: float | None


@dataclass(frozen=True, slots=True)
class StandingHeight:
    """Mean travel of one wheel's damper at one stop. sd_m: of the mean. to_bump_m, to_droop_m: travel left."""

    position: str
    start_s: float
    seconds: float
    travel_m: float
    sd_m: float
    to_bump_m: float
    to_droop_m: float
    utc_s: float | None
    body_c: float | None
    load_note: str | None


@dataclass(frozen=True, slots=True)
class HeightTrend:
    """How one damper's standing height has changed over trips. change_m: lower is positive; None: too few stops.

    verdict: words for people, with the reasons that may be behind it.
    """

    position: str
    stops_count: int
    trips_count: int
    change_m: float | None
    doubt_m: float | None
    level: str
    words: Words


@dataclass(frozen=True, slots=True)
class Difference:
    """One figure compared. ratio: second by first; low, high: its 95 % range, doubt of sensors and curves included.

    kind: quantity of first and second. is_clear: 1 lies outside the range. basis: what was compared, in words.
    """

    what: str
    first_name: str
    second_name: str
    kind: str
    first: float | None
    second: float | None
    ratio: float | None
    low: float | None
    high: float | None
    is_clear: bool
    words: Words
    basis: str


@dataclass(frozen=True, slots=True)
class CareItem:
    """Something to do after a trip. key: its name for ever. done_by, done_utc_s, row: None while open.

    is_asked: whether this trip calls for it; the others are shown as not needed this time, with the reason.
    """

    key: str
    text: Words
    why: Words
    is_asked: bool
    caution: Words | None
    done_by: str | None
    done_utc_s: float | None
    row: int | None
    note: str | None


@dataclass(frozen=True, slots=True)
class TripFacts:
    """The trip as the ledger has it. key, name: see ledger/trip_book.py. not_driven: why it doesn't count, or None."""

    key: str
    name: str | None
    is_open: bool
    start_utc_s: float | None
    end_utc_s: float | None
    utc_trusted: bool
    seconds: float
    moving_s: float
    distance_m: float | None
    energy_j: float
    coverage_ratio: float | None
    not_driven: str | None
    dirt: str | None
    load_note: str | None


@dataclass(frozen=True, slots=True)
class Review:
    """A trip, told. verdict: by level, the most urgent first; within a level the vehicle's before its dampers'.

    hits: the hardest of each kind in turns (review/hits.py); all are counted in `contacts_count`.
    cost_problem: why nothing is said of budgets, '' where all is. is_raw_whole: False where part of the raw log of
    the trip is gone or damaged; then plots show less than the tables.
    """

    facts: TripFacts
    verdict: tuple[Sentence, ...]
    dampers: tuple[DamperRow, ...]
    roads: tuple[RoadRow, ...]
    segments: tuple[Segment, ...]
    hits: tuple[Contact, ...]
    heights: tuple[StandingHeight, ...]
    trends: tuple[HeightTrend, ...]
    differences: tuple[Difference, ...]
    care: tuple[CareItem, ...]
    ambient_c: tuple[float, float] | None
    track_points_count: int
    is_raw_whole: bool
    cost_problem: str
    notes: tuple[str, ...]

"""What is known of a damper when it reaches the bench, whatever it came from: plain data in SI units.

Made of a duty card (`facts_card`), of the summary in its QR code, or of what its owner says (`estimate`).
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date

from dutylog.domain.vehicle import Profile

CARD, SUMMARY, STATED = "card", "summary", "stated"
BASES = (CARD, SUMMARY, STATED)
"""What facts rest on: a signed card, the signed summary of its QR code, or a person's word."""


@dataclass(frozen=True, slots=True)
class PartFact:
    """One wear part, in budgets of the reference (shared/LIFE.md). None: unknown, or only the calendar ends it.

    used_ratio: used share / believed budget. measured_ratio: part of its use that was measured.
    is_estimate: it rests on what somebody said. radio_share: part of used_share that came by radio, unsigned.
    """

    key: str
    name: str
    used_share: float
    used_sd: float
    used_ratio: float | None
    measured_ratio: float | None
    budget: float
    budget_low: float
    budget_high: float
    findings_count: int
    since: date | None
    since_entry: int | None
    driven_m: float | None
    street_m: float | None
    calendar_day: date | None
    due_early: date | None
    due_likely: date | None
    due_late: date | None
    order_by: date | None
    text: str
    is_estimate: bool = False
    radio_share: float = 0.0


@dataclass(frozen=True, slots=True)
class LifeFacts:
    """What a damper has done in all. None: unknown. coverage_ratio: measured by moving time."""

    energy_j: float | None
    strokes_count: int | None
    shaft_travel_m: float | None
    bottom_outs_count: int | None
    top_outs_count: int | None
    moving_s: float | None
    distance_m: float | None
    coverage_ratio: float | None


@dataclass(frozen=True, slots=True)
class HeatFacts:
    """Heat of its life. hot_*: since seal and oil were new. histogram: (from [degC], to [degC], seconds)."""

    hot_seal_s: float = 0.0
    hot_oil_s: float = 0.0
    peak_body_c: float | None = None
    histogram: tuple[tuple[float, float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class MarkFact:
    """A mark on the shaft. urgency: a word of shared/LIFE.md ('stop', 'soon', 'next service', 'watch')."""

    kind: str
    distance_mm: float
    size_mm: float
    is_sharp: bool
    wear_factor: float
    urgency: str
    text: str


@dataclass(frozen=True, slots=True)
class TripFact:
    """A trip, without its name and place. dirt: one of domain.wear.DIRTS or None; washed: None where nobody said.

    top_outs_count: None where nothing counts them.
    """

    day: date | None
    distance_m: float | None
    moving_s: float
    energy_j: float
    bottom_outs_count: int
    top_outs_count: int | None
    peak_body_c: float | None
    dirt: str | None = None
    washed: bool | None = None


@dataclass(frozen=True, slots=True)
class GasFact:
    """A gauge reading. what: 'check' or 'fill'; gauge_pa against the air around; travel_mm from full extension."""

    day: date | None
    what: str
    gauge_pa: float
    body_c: float
    oil_c: float | None
    air_c: float
    travel_mm: float
    altitude_m: float
    by: str


@dataclass(frozen=True, slots=True)
class AlertFact:
    """An alert the vehicle raised for this damper."""

    day: date | None
    kind: str
    level: str
    text: str
    is_over: bool


@dataclass(frozen=True, slots=True)
class ServiceFact:
    """A service told on the vehicle or at a bench. found: grades of domain.wear.GRADES by part."""

    day: date | None
    by: str
    replaced: tuple[str, ...]
    found: tuple[tuple[str, str], ...] = ()
    note: str | None = None


@dataclass(frozen=True, slots=True)
class UnitFacts:
    """All of one damper. day: of which these facts are.

    profile: None where nobody gave one; construction, reservoir, joints are always there (domain.vehicle).
    miles and mix as told for STATED. dirt_words: dirt told without a trip, is_dirt_washed: washed off after it, None
    where nobody said. notes: lines that must be read with it (coverage, clock never set, estimate). ledger_id,
    sequence: of the card or summary. is_clock_sure: None unknown. taken_records: digests of service records that its
    vehicle has taken in. revision: of the totals on a card.
    """

    label: str
    unit_id: str | None
    serial: str | None
    tag: str | None
    basis: str
    day: date
    profile: Profile | None
    construction: str
    reservoir: str
    joints: str
    position: str | None = None
    vehicle_name: str | None = None
    parts: tuple[PartFact, ...] = ()
    life: LifeFacts = field(default_factory=lambda: LifeFacts(*([None] * 8)))
    heat: HeatFacts = HeatFacts()
    marks: tuple[MarkFact, ...] = ()
    trips: tuple[TripFact, ...] = ()
    gas: tuple[GasFact, ...] = ()
    alerts: tuple[AlertFact, ...] = ()
    services: tuple[ServiceFact, ...] = ()
    dirt_words: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    ledger_id: str | None = None
    sequence: int | None = None
    is_clock_sure: bool | None = None
    taken_records: tuple[str, ...] = ()
    revision: int | None = None
    is_dirt_washed: bool | None = None

    def with_parts(self, parts: tuple[PartFact, ...]) -> UnitFacts:
        """Return the same with other parts."""
        return replace(self, parts=parts)

    def with_services(self, services: tuple[ServiceFact, ...]) -> UnitFacts:
        """Return the same with more services."""
        return replace(self, services=(*self.services, *services))

    def part(self, key: str) -> PartFact | None:
        """Return one part, None where this damper has none of that key."""
        return next((one for one in self.parts if one.key == key), None)

"""Facts of a damper made by hand: what tests of intake share. Names are invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from dutylog.bench.facts import CARD, LifeFacts, PartFact, TripFact, UnitFacts
from dutylog.domain.wear import PARTS as PART_KEYS
from dutylog.life.parts import PARTS, parts_of
from ledger.builders import make_profile

TODAY = date(2026, 11, 30)
SINCE = date(2026, 3, 1)
LEDGER = "a" * 64


def make_part(key: str, ratio: float | None = 0.1, **changes: Any) -> PartFact:
    """Return a part that counts since SINCE; ratio: of a budget of 1, None where only the calendar ends it."""
    name = next(one.name for one in PARTS if one.key == key)
    share = 0.0 if ratio is None else ratio
    part = PartFact(
        key=key, name=name, used_share=share, used_sd=0.1 * share, used_ratio=ratio, measured_ratio=1.0, budget=1.0,
        budget_low=0.5947, budget_high=1.6814, findings_count=0, since=SINCE, since_entry=None, driven_m=1.0e6,
        street_m=None if ratio is None else 5.0e6,
        calendar_day=None, due_early=date(2027, 6, 1), due_likely=date(2027, 11, 1),
        due_late=date(2028, 11, 1), order_by=date(2027, 5, 11), text="due some day",
    )  # fmt: skip
    return replace(part, **changes)


def make_facts(**changes: Any) -> UnitFacts:
    """Return a measured damper of which nothing stands out."""
    profile = replace(make_profile(), charge_pa=1.38e6)
    keys = sorted((one.key for one in parts_of(profile)), key=PART_KEYS.index)
    facts = UnitFacts(
        label="SN-1", unit_id="u-1", serial="SN-1", tag=None, basis=CARD, day=TODAY, profile=profile,
        construction=profile.construction, reservoir=profile.reservoir, joints=profile.joints,
        parts=tuple(make_part(key, None if key == "charge" else 0.1) for key in keys),
        life=LifeFacts(4.0e6, 10_000, 2.0e4, 0, None, 36_000.0, 1.0e6, 1.0),
        ledger_id=LEDGER, sequence=3, is_clock_sure=True,
    )  # fmt: skip
    return replace(facts, **changes)


def with_part(facts: UnitFacts, key: str, **changes: Any) -> UnitFacts:
    """Return facts in which one part is another."""
    return facts.with_parts(tuple(replace(one, **changes) if one.key == key else one for one in facts.parts))


def make_trip(day: date | None = date(2026, 6, 1), **changes: Any) -> TripFact:
    """Return an hour's trip without anything hard."""
    return replace(TripFact(day, 3.0e4, 3600.0, 7.0e5, 0, None, 60.0), **changes)

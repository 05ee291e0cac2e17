"""A damper as facts: nothing told of it, so that each test adds just what it is about."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

from dutylog.bench.facts import CARD, GasFact, LifeFacts, PartFact, TripFact, UnitFacts
from dutylog.bench.findings import Finding
from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.domain.wear import AS_NEW
from dutylog.life.parts import PARTS, parts_of
from dutylog.units import PA_PER_PSI

TODAY = date(2026, 11, 30)
TARGET_PA = 200.0 * PA_PER_PSI
PROFILE = Profile(
    "desert", 0.25, 0.0222, 0.0635, 0.9, 3.5, 4000.0,
    (ForceAt(0.0, ForceCurve((-1.0, -0.1, 0.0, 0.1, 1.0), (-4000.0, -1000.0, 0.0, 500.0, 2000.0))),), 0.0, 40.0, 120.0,
    charge_pa=TARGET_PA, gas_volume_m3=250e-6,
)  # fmt: skip


def part(key: str, **changes: Any) -> PartFact:
    """Return a part that is as good as new."""
    name = next(one.name for one in PARTS if one.key == key)
    plain = PartFact(
        key, name, 0.1, 0.05, 0.1, 1.0, 1.0, 0.6, 1.7, 0, date(2026, 1, 1), None, 1e6, 2e6, date(2031, 1, 1),
        date(2028, 1, 1), date(2029, 1, 1), date(2030, 1, 1), date(2027, 12, 1), "",
    )  # fmt: skip
    return replace(plain, **changes)


def unit(**changes: Any) -> UnitFacts:
    """Return a damper with a hose, all parts nearly new, nothing told."""
    profile = replace(PROFILE, reservoir="hose")
    plain = UnitFacts(
        "S-1", "u-1", "S-1", None, CARD, TODAY, profile, profile.construction, profile.reservoir, profile.joints,
        parts=tuple(part(one.key) for one in parts_of(profile)),
        life=LifeFacts(1e6, 1000, 100.0, 0, 0, 3600.0, 1e5, 1.0),
    )  # fmt: skip
    return replace(plain, **changes)


def with_part(facts: UnitFacts, key: str, **changes: Any) -> UnitFacts:
    """Return the damper with one part changed."""
    return replace(facts, parts=tuple(replace(one, **changes) if one.key == key else one for one in facts.parts))


def trip(**changes: Any) -> TripFact:
    """Return a trip on which nothing happened."""
    return replace(TripFact(date(2026, 11, 1), 1e4, 3600.0, 1e5, 0, 0, 60.0), **changes)


def gas(share: float, day: date = date(2026, 11, 1)) -> GasFact:
    """Return a cold reading at full extension of a share of the target."""
    return GasFact(day, "check", TARGET_PA * share, 20.0, None, 20.0, 0.0, 0.0, "Ada")


def found(item: str, grade: str = AS_NEW, entry: int = 1, **measures: float) -> Finding:
    """Return a finding."""
    return Finding(item, grade, measures, by="Ada", utc="2026-11-30T10:00:00Z", entry=entry)

"""What the gauge readings on a card come to: the newest one against its target, and whether the charge falls."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from dutylog.bench.facts import UnitFacts
from dutylog.ledger.gas_readings import StoredReading
from dutylog.life.gas_history import compute_leak, tell


@dataclass(frozen=True, slots=True)
class GasJudged:
    """newest_pa: gauge, at 20 degC and full extension; verdict of life.gas, None where it wasn't cold or well known.

    reason: one line. target_pa: None where nobody stated one. is_falling: it loses more than readings differ by.
    rate_pa_year: None with fewer than two readings since the last fill. left_out: readings that can't be.
    """

    newest_pa: float | None
    newest_day: date | None
    verdict: str | None
    reason: str
    target_pa: float | None
    is_falling: bool
    rate_pa_year: float | None
    readings_count: int
    since: date | None
    left_out: int


def judge_gas(facts: UnitFacts, today: date) -> GasJudged | None:
    """Return what the readings come to; None without readings, a profile, or a valve to read at.

    Source: life.gas_history, shared/CHARGE.md.
    """
    profile = facts.profile
    if profile is None or not facts.gas or profile.construction == "twin_tube":
        return None
    stored = [
        StoredReading(
            number, facts.unit_id or "", one.gauge_pa, one.what, one.body_c, one.oil_c, one.air_c, one.travel_mm,
            one.altitude_m, None, one.by, None, one.day, one.day is not None,
        )
        for number, one in enumerate(facts.gas, start=1)
    ]  # fmt: skip
    renewed = [one.day for one in facts.services if "charge" in one.replaced and one.day is not None]
    history = tell(profile, stored, profile.charge_pa, renewed)
    newest = history.told[-1] if history.told else None
    leak = compute_leak(history.told, profile.charge_pa, today.toordinal())
    return GasJudged(
        newest_pa=None if newest is None else newest.judged.equivalent.gauge_pa,
        newest_day=None if newest is None else newest.stored.day,
        verdict=None if newest is None else newest.judged.verdict,
        reason="no reading that can be of this damper" if newest is None else newest.judged.reason,
        target_pa=profile.charge_pa,
        is_falling=leak is not None and leak.is_shown,
        rate_pa_year=None if leak is None else leak.rate_pa_year,
        readings_count=0 if leak is None else leak.count,
        since=None if leak is None else date.fromordinal(leak.since_day),
        left_out=len(history.left_out),
    )

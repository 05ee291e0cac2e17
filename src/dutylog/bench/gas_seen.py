"""What a damper's gauge readings say of its charge now: the newest against its target, and how fast it goes down."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

from dutylog.bench.facts import UnitFacts
from dutylog.bench.findings import NOT_LOOKED, Finding, Item
from dutylog.bench.part_needs import TWIN_TUBE
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.ledger.gas_readings import StoredReading
from dutylog.life.gas import LOW, Judged, Reading, judge
from dutylog.life.gas_history import GasHistory, compute_leak, tell

CHARGE_ITEM = "charge_before"
GONE_PA = 35e3
"""At or below it, or a quarter of a lower target, there is no charge. Source: judgement, about 5 psi; dampers hold ten
times that."""
NEEDED = ("gauge_pa", "body_c", "air_c", "travel_mm", "altitude_m")
"""Measures of that point that make a whole reading."""


@dataclass(frozen=True, slots=True)
class ChargeSeen:
    """A charge by its newest reading.

    short_ratio, over_ratio: part of the target that is missing, or too much, at least (95 of 100), 0 where neither is
    sure. is_low: the verdict on a cold reading. loss_month_ratio: of the charge a month, 0 where readings don't show a
    loss. is_gone: hardly any pressure is left, whatever it should be.
    """

    short_ratio: float = 0.0
    over_ratio: float = 0.0
    is_low: bool = False
    loss_month_ratio: float = 0.0
    is_gone: bool = False


def see_charge(facts: UnitFacts, finding: Finding | None = None) -> ChargeSeen:
    """Return what readings say; a whole reading at the bench counts instead of the vehicle's newest.

    One at the bench that is too warm for a verdict takes none away: then the worse of both counts.

    Args:
        facts: without a profile, or a target in it, only a charge that is gone is seen.
        finding: of the point `charge_before`, None where nobody read it yet.
    Source:
        life.gas and life.gas_history, shared/CHARGE.md. A warm reading gets no verdict there; here its range counts, of
        which the mild end is taken.
    """
    profile = facts.profile
    if facts.construction == TWIN_TUBE:
        return ChargeSeen()
    is_gone = _is_gone(facts, finding, profile)
    if profile is None or not profile.charge_pa:
        return ChargeSeen(is_gone=is_gone)
    history = _history(facts, profile)
    newest, here = _newest(facts, history), _judge_finding(profile, finding)
    leak = compute_leak(history.told, profile.charge_pa, facts.day.toordinal()) if newest else None
    loss = leak.month_ratio if leak is not None and leak.is_shown else 0.0
    counted = [here] if here is not None and here.verdict is not None else [one for one in (here, newest) if one]
    return ChargeSeen(
        short_ratio=max((1.0 - one.equivalent.range_pa[1] / profile.charge_pa for one in counted), default=0.0),
        over_ratio=max((one.equivalent.range_pa[0] / profile.charge_pa - 1.0 for one in counted), default=0.0),
        is_low=any(one.verdict == LOW for one in counted),
        loss_month_ratio=loss,
        is_gone=is_gone,
    )


def check_reading(item: Item, measures: Mapping[str, float], profile: Profile | None = None) -> None:
    """Refuse half a gauge reading, of which nothing could be said.

    Raises:
        InputError: a figure lacks, or the shaft is further in than its stroke.
    """
    known = [one for one in item.measures if one.key in NEEDED]
    if len(known) < len(NEEDED) or not any(one.key in measures for one in known):
        return
    if absent := [one.name for one in known if one.key not in measures]:
        raise InputError(
            f"{item.name}: {', '.join(absent)} not put down; a gauge says nothing without them, measure them too"
        )
    if profile is not None and measures["travel_mm"] * 1e-3 > profile.stroke_m:
        raise InputError(
            f"{item.name}: the shaft is {measures['travel_mm']:g} mm in, its stroke is {profile.stroke_m * 1e3:g} mm; "
            "count from full extension"
        )


def _is_gone(facts: UnitFacts, finding: Finding | None, profile: Profile | None) -> bool:
    """Return whether the newest gauge figure is next to nothing; half a reading is enough for that."""
    target_pa = None if profile is None else profile.charge_pa
    gone_pa = min(GONE_PA, target_pa / 4.0) if target_pa else GONE_PA
    if finding is not None and finding.grade != NOT_LOOKED and "gauge_pa" in finding.measures:
        return finding.measures["gauge_pa"] <= gone_pa
    renewed = max(_renewed(facts), default=None)
    read = [one for one in facts.gas if one.day is None or renewed is None or one.day >= renewed]
    return bool(read) and max(read, key=lambda one: one.day or date.min).gauge_pa <= gone_pa


def _judge_finding(profile: Profile, finding: Finding | None) -> Judged | None:
    if finding is None or finding.grade == NOT_LOOKED or any(key not in finding.measures for key in NEEDED):
        return None
    told = finding.measures
    reading = Reading(told["gauge_pa"], told["body_c"], told["air_c"], told["travel_mm"] * 1e-3, told["altitude_m"])
    try:
        return judge(profile, reading, profile.charge_pa)
    except InputError:
        # Kept before the profile was known, say: the vehicle's readings count then.
        return None


def _newest(facts: UnitFacts, history: GasHistory) -> Judged | None:
    """Return the newest reading, None where the charge was renewed after it: then nobody read the new one yet."""
    if not history.told:
        return None
    newest = history.told[-1]
    renewed = _renewed(facts)
    return None if newest.stored.day and renewed and max(renewed) > newest.stored.day else newest.judged


def _renewed(facts: UnitFacts) -> list[date]:
    return [one.day for one in facts.services if "charge" in one.replaced and one.day is not None]


def _history(facts: UnitFacts, profile: Profile) -> GasHistory:
    readings = [
        StoredReading(
            place, facts.unit_id or "", one.gauge_pa, one.what, one.body_c, one.oil_c, one.air_c, one.travel_mm,
            one.altitude_m, None, one.by, None, one.day, one.day is not None,
        )
        for place, one in enumerate(facts.gas, start=1)
    ]  # fmt: skip
    return tell(profile, readings, profile.charge_pa, _renewed(facts))

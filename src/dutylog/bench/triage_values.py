"""What rules of triage may ask of measured duty: each value with its name, its unit and which way is worse."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import date
from types import MappingProxyType

from dutylog.bench.facts import UnitFacts
from dutylog.bench.findings import NOT_LOOKED, Finding
from dutylog.bench.gas_seen import CHARGE_ITEM, ChargeSeen, see_charge
from dutylog.bench.inspection_items import is_rebuildable, items_for
from dutylog.bench.items_inside import CHARGE, INSIDE
from dutylog.bench.items_outside import LESS, MORE
from dutylog.bench.look_rules import HEAT_OVER
from dutylog.bench.since_service import (
    Hits,
    count_bottom_outs,
    count_top_outs,
    is_trips_whole,
    renewed_day,
    trips_since,
)

CHARGE_PARTS = ("charge",)


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that rules look at. said: the finding that counts of each point. open_count: of `count_open`.

    measured: figures that were worked out, by point; they count beside what somebody put down there.
    """

    facts: UnitFacts
    said: Mapping[str, Finding]
    charge: ChargeSeen
    open_count: int
    today: date
    measured: Mapping[str, Finding] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Value:
    """A measured value. kind: of domain.quantity. worse: MORE or LESS. is_of_part: a part must be named with it.

    parts: wear parts that it speaks of. least: of a value that is only bounded from above, what it is at least; the
    upper bound is what rules ask for.
    """

    name: str
    kind: str
    worse: str
    read: Callable[[Evidence, str], float | None]
    is_of_part: bool = False
    parts: tuple[str, ...] = ()
    least: Callable[[Evidence], float | None] | None = None


def gather(
    facts: UnitFacts,
    said: Mapping[str, Finding],
    today: date,
    measured: Mapping[str, Finding] = MappingProxyType({}),
) -> Evidence:
    """Return what rules look at. said: the finding that counts of each point (inspection.newest)."""
    charge = see_charge(facts, said.get(CHARGE_ITEM))
    return Evidence(facts, said, charge, count_open(facts, said), today, measured)


def count_open(facts: UnitFacts, said: Mapping[str, Finding]) -> int:
    """Return how many points nobody looked at, left out on purpose among them.

    What is inside counts from the first point of it that was answered: a damper that stays closed can be fine. What is
    looked at after the work is no sign of how it came in.
    """
    items = items_for(facts.construction, facts.reservoir, facts.joints, is_rebuildable(facts))
    looked = {item.key for item in items if item.key in said and said[item.key].grade != NOT_LOOKED}
    is_opened = any(item.step == INSIDE for item in items if item.key in looked)
    last = INSIDE if is_opened else CHARGE
    return sum(item.step <= last and item.key not in looked for item in items)


def _used(evidence: Evidence, part: str) -> float | None:
    found = evidence.facts.part(part)
    return None if found is None else found.used_ratio


def _days_over(evidence: Evidence, part: str) -> float | None:
    found = evidence.facts.part(part)
    # A clock that was never vouched for can be decades off: its days are no reason for anything.
    if found is None or found.calendar_day is None or evidence.facts.is_clock_sure is False:
        return None
    return float((evidence.today - found.calendar_day).days)


def _over_limit(evidence: Evidence, _part: str) -> float | None:
    facts = evidence.facts
    if facts.profile is None:
        return None
    since = renewed_day(facts, HEAT_OVER)
    peaks = [trip.peak_body_c for trip in trips_since(facts, since) if trip.peak_body_c is not None]
    # Where trips since then may lack, the peak of its whole life is what it can have been.
    if facts.heat.peak_body_c is not None and (since is None or not is_trips_whole(facts, since)):
        peaks.append(facts.heat.peak_body_c)
    return max(peaks) - facts.profile.body_limit_c if peaks else None


def _most(hits: Hits | None) -> float | None:
    return None if hits is None else hits.most


def _least(hits: Hits | None) -> float | None:
    return None if hits is None or hits.is_whole else hits.least


VALUES: Mapping[str, Value] = MappingProxyType(
    {
        "used_ratio": Value("of the believed budget used", "change_ratio", MORE, _used, is_of_part=True),
        "days_over": Value("days past its time by the calendar", "count", MORE, _days_over, is_of_part=True),
        "hot_seal_s": Value(
            "with the seal too hot, since it was new",
            "duration_s",
            MORE,
            lambda e, _: e.facts.heat.hot_seal_s,
            parts=("shaft_seal",),
        ),
        "hot_oil_s": Value(
            "with the oil too hot, since it was new",
            "duration_s",
            MORE,
            lambda e, _: e.facts.heat.hot_oil_s,
            parts=("oil",),
        ),
        "over_limit_k": Value(
            "hotter than its body's limit since seal and oil were new",
            "temperature_k",
            MORE,
            _over_limit,
            parts=HEAT_OVER,
        ),
        "bottom_outs_count": Value(
            "bottom-outs since its last service",
            "count",
            MORE,
            lambda e, _: _most(count_bottom_outs(e.facts)),
            least=lambda e: _least(count_bottom_outs(e.facts)),
        ),
        "top_outs_count": Value(
            "top-outs since its last service",
            "count",
            MORE,
            lambda e, _: _most(count_top_outs(e.facts)),
            least=lambda e: _least(count_top_outs(e.facts)),
        ),
        "charge_short_ratio": Value(
            "of the charge missing, at least",
            "change_ratio",
            MORE,
            lambda e, _: e.charge.short_ratio,
            parts=CHARGE_PARTS,
        ),
        "charge_over_ratio": Value(
            "of the charge too much, at least",
            "change_ratio",
            MORE,
            lambda e, _: e.charge.over_ratio,
            parts=CHARGE_PARTS,
        ),
        "charge_low_count": Value(
            "reading that says low", "count", MORE, lambda e, _: float(e.charge.is_low), parts=CHARGE_PARTS
        ),
        "charge_gone_count": Value(
            "reading that shows hardly any pressure",
            "count",
            MORE,
            lambda e, _: float(e.charge.is_gone),
            parts=CHARGE_PARTS,
        ),
        "charge_loss_ratio": Value(
            "of the charge lost a month",
            "share_ratio",
            MORE,
            lambda e, _: e.charge.loss_month_ratio,
            parts=CHARGE_PARTS,
        ),
        "clock_unset_count": Value(
            "card of a vehicle whose clock was never vouched for",
            "count",
            MORE,
            lambda e, _: float(e.facts.is_clock_sure is False),
        ),
        "coverage_ratio": Value("of its moving time measured", "ratio", LESS, lambda e, _: e.facts.life.coverage_ratio),
        "open_count": Value("points that nobody looked at", "count", MORE, lambda e, _: float(e.open_count)),
    }
)
"""By key, as rules write it. A value that isn't known never fires a rule."""

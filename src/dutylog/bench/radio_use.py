"""What duty by radio adds to a damper's card: sliding since then, and the wear it stands for. Unsigned, so it is always
kept apart and said.

A part's share goes on as it went on with every metre the shaft slid since that part counts; where the card can't tell
that, as on the hard mix of the reference vehicle. Sources: judgement; it leaves out that coming days may be hotter,
dirtier or harder than those before, which only a new card knows.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import cache

from dutylog.bench.facts import CARD, PartFact, UnitFacts
from dutylog.bench.facts_card import TRIPS_KEPT
from dutylog.bench.store.rows import RadioDuty
from dutylog.domain.vehicle import LEAD_DAYS
from dutylog.life.parts import PARTS
from dutylog.life.reference import REFERENCE, per_mile, read_driven, share_per_mile
from dutylog.life.setups import SHARES
from dutylog.units import J_PER_UJ

RADIO_BASIS = "radio"
"""Basis of forecasts that duty by radio has moved."""
LEAST_OWN_M = 2000.0
"""Sliding below which a part's own pace says too little, and that of the hard mix is taken. Source: judgement."""
MOST_MEAN_MPS = 2.0
"""Mean shaft speed while moving that no damper reaches for long; more is no duty. Source: judgement."""
_M_PER_UM, _S_PER_US = 1e-6, 1e-6
_S_PER_DAY = 86_400.0
_FALLBACK_MIX = "hard"


@dataclass(frozen=True, slots=True)
class RadioGain:
    """What came by radio since a card. day: on which it was heard. moving_s: None where it wasn't told."""

    day: date
    travel_m: float
    energy_j: float
    moving_s: float | None

    def is_likely(self, since: date) -> bool:
        """Return whether a damper can have done that since a day; what can't be counts for nothing."""
        if self.moving_s is None:
            return False
        days = (self.day - since).days + 1
        return self.moving_s <= days * _S_PER_DAY and self.travel_m <= MOST_MEAN_MPS * self.moving_s


def find_gain(facts: UnitFacts, radio: RadioDuty | None) -> RadioGain | None:
    """Return what a damper did since its card by radio, None where nothing can be told.

    None also where totals are of another revision or fell: they were put right since, so the two can't be compared.
    """
    if radio is None or radio.utc[:10] < facts.day.isoformat():
        return None
    if facts.revision is not None and radio.revision != facts.revision:
        return None
    told, life = radio.totals, facts.life
    travel_m = _gained(told.get("shaft_travel_um"), _M_PER_UM, life.shaft_travel_m)
    energies = [told.get(name) for name in ("energy_compression_uj", "energy_rebound_uj")]
    total_uj = sum(one for one in energies if isinstance(one, int)) if all(map(_is_whole, energies)) else None
    energy_j = _gained(total_uj, J_PER_UJ, life.energy_j)
    if travel_m is None or energy_j is None:
        return None
    moving_s = _gained(told.get("moving_us"), _S_PER_US, life.moving_s)
    return RadioGain(date.fromisoformat(radio.utc[:10]), travel_m, energy_j, moving_s)


def with_radio(
    facts: UnitFacts, radio: RadioDuty | None, today: date, left_out: Collection[str] = ()
) -> tuple[UnitFacts, bool]:
    """Return facts with the wear that duty by radio stands for, and whether it changed any.

    Args:
        facts: of a card; of a summary or a statement nothing is changed. today: no due day comes before it.
        left_out: parts that were replaced here since the card: what they did since isn't told apart.
    """
    gain = find_gain(facts, radio)
    if gain is None or gain.travel_m <= 0.0 or facts.basis != CARD or not gain.is_likely(facts.day):
        return facts, False
    lead_days = LEAD_DAYS if facts.profile is None else facts.profile.lead_days
    parts = tuple(
        one if one.key in left_out or one.used_ratio is None else _worn(one, facts, gain, today, lead_days)
        for one in facts.parts
    )
    return facts.with_parts(parts), parts != facts.parts


def _worn(part: PartFact, facts: UnitFacts, gain: RadioGain, today: date, lead_days: int) -> PartFact:
    """Return a part with the wear of what came by radio; its due days go on from there at the pace of its card."""
    more = gain.travel_m * _share_per_metre(part, facts)
    if more <= 0.0:
        return part
    share = part.used_share + more
    left, left_now = part.budget - part.used_share, max(0.0, part.budget - share)
    days = (part.due_early, part.due_likely, part.due_late)
    if left > 0.0:
        days = tuple(_go_on(one, facts.day, gain.day, left_now / left, part, today) for one in days)  # type: ignore[assignment]
    order_by = part.order_by if days[0] is None else max(today, days[0] - timedelta(days=lead_days))
    return replace(
        part,
        used_share=share,
        used_ratio=share / part.budget,
        due_early=days[0],
        due_likely=days[1],
        due_late=days[2],
        order_by=order_by,
        radio_share=more,
    )


def _go_on(
    day: date | None, card_day: date, heard: date, left_ratio: float, part: PartFact, today: date
) -> date | None:
    """Return a due day reckoned from when radio was heard; the calendar stays the last day."""
    if day is None:
        return None
    try:
        moved = heard + timedelta(days=round(max(0, (day - card_day).days) * left_ratio))
    except OverflowError:
        return None
    if part.calendar_day is not None:
        moved = min(moved, part.calendar_day)
    return max(moved, today)


def _share_per_metre(part: PartFact, facts: UnitFacts) -> float:
    """Return the share of a part that a metre of sliding takes."""
    own_m = sliding_since(part, facts)
    measured = part.used_share * (1.0 if part.measured_ratio is None else part.measured_ratio)
    if own_m is not None and own_m >= LEAST_OWN_M:
        return measured / own_m
    return _reference_shares().get(part.key, 0.0)


def sliding_since(part: PartFact, facts: UnitFacts) -> float | None:
    """Return how far the shaft slid, measured, since a part counts [m]; None where the card can't tell.

    All of it for a part that was never replaced; else in proportion to the energy of the trips since.
    """
    life = facts.life
    if life.shaft_travel_m is None or part.since_entry is None:
        return life.shaft_travel_m
    if part.since is None:
        return None
    days = [one.day for one in facts.trips]
    since_j = sum(one.energy_j for one in facts.trips if one.day is None or one.day >= part.since)
    if len(facts.trips) < TRIPS_KEPT:
        whole_j = sum(one.energy_j for one in facts.trips)
    else:
        known = [day for day in days if day is not None]
        whole_j = life.energy_j or 0.0 if known and min(known) < part.since else 0.0
    return life.shaft_travel_m * min(1.0, since_j / whole_j) if whole_j > 0.0 else None


@cache
def _reference_shares() -> Mapping[str, float]:
    """Return by part the share that a metre of sliding takes on the hard mix of the reference vehicle."""
    doses, driven = per_mile(_FALLBACK_MIX), read_driven()[REFERENCE]
    sliding = [
        part * rates.sliding_m
        for surface, part in SHARES[_FALLBACK_MIX].items()
        for rates in driven.rates[surface].values()
    ]
    metres = sum(sliding) / len(driven.vehicle.dampers)
    return {part.key: share_per_mile(part, doses) / metres for part in PARTS if part.weights}


def _is_whole(value: object) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _gained(now: object, unit: float, before: float | None) -> float | None:
    """Return what was gained since a card; None where nothing was told or a total fell."""
    if isinstance(now, bool) or not isinstance(now, int) or before is None:
        return None
    # a total of the card went through floating point: the same one again is no loss
    gained = now * unit - before
    return None if gained < -1e-6 * max(1.0, before) else max(0.0, gained)

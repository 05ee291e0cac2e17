"""What the bench sees when a damper comes in: its use since its last service against its budget and like units, what
to look at first and why, and what must be known before any of it is believed (shared/BENCH.md).
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date
from typing import Any

from dutylog.bench.facts import CARD, STATED, SUMMARY, PartFact, ServiceFact, UnitFacts
from dutylog.bench.facts_card import TRIPS_KEPT
from dutylog.bench.figures import Figure, Sentence, percent
from dutylog.bench.first_looks import FirstLook, find_first_looks
from dutylog.bench.intake_notices import Notice, Trust, find_notices
from dutylog.bench.likes import with_learned
from dutylog.bench.radio_use import with_radio
from dutylog.bench.since_service import last_service_day, trips_since
from dutylog.bench.store.rows import LikeRow, PartLook, RadioDuty, Service
from dutylog.bench.worked_out import TOLD_RATIO, percent_text
from dutylog.life.learning import Belief
from dutylog.life.urgency import Urgency, judge_part

OWN_SERVICE = "bench"
"""Source of services that were done here (store.rows.Service)."""
_DAYS = ("early", "likely", "late", "order_by")
BASIS_WORDS = {
    CARD: "measured on its vehicle, by its signed duty card",
    SUMMARY: "measured on its vehicle, by the short summary of its QR code",
    STATED: "estimate from what was told, not measured",
}
"""Said above everything else of an intake."""


@dataclass(frozen=True, slots=True)
class PartDone:
    """One part since it counts. part: with the budget believed here. like: of like units, None unknown.

    lines: what it has done against budget and like units, one sentence each.
    """

    part: PartFact
    urgency: Urgency
    belief: Belief
    like: LikeRow | None
    lines: tuple[Sentence, ...]

    @property
    def state(self) -> str:
        """Return the word for its urgency (life.urgency)."""
        return self.urgency.state


@dataclass(frozen=True, slots=True)
class Intake:
    """All of an intake page. facts: with the budgets believed here. basis: in words. today: of which day.

    parts: the most urgent first. first_looks: the strongest first, empty where nothing stands out. notices: trust and
    coverage, the weightiest first. life: what it has done in all; since: the same since its last service, by its trips,
    empty where none are known. last_service: None where nobody knows of one.
    """

    facts: UnitFacts
    basis: str
    today: date
    parts: tuple[PartDone, ...]
    first_looks: tuple[FirstLook, ...]
    notices: tuple[Notice, ...]
    life: tuple[Sentence, ...]
    since: tuple[Sentence, ...]
    last_service: ServiceFact | None

    @property
    def is_estimate(self) -> bool:
        """Return whether all of it rests on what somebody said."""
        return self.facts.basis == STATED


def make_intake(
    facts: UnitFacts,
    likes: Iterable[LikeRow] = (),
    learned: Iterable[PartLook] = (),
    radio: RadioDuty | None = None,
    *,
    today: date | None = None,
    trust: Trust | None = None,
    own_dampers: Collection[str] = (),
    services: Iterable[Service] = (),
) -> Intake:
    """Return what an intake page shows.

    Args:
        facts: of card, summary or statement. likes: of its profile, by part. learned: findings of its profile.
        radio: newest duty that came by radio. today: the facts' own day unless given. trust: what checking the card
        said. own_dampers: damper_ids of the same vehicle, whose findings its card's budgets hold already. services: of
        this damper as the store knows them; those of this bench that its card doesn't tell of are added.
    """
    untold = [one for one in services if one.source == OWN_SERVICE and one.digest not in facts.taken_records]
    facts = facts.with_services(tuple(_service_fact(one) for one in untold))
    now = today or facts.day
    by_part = {one.part: one for one in likes}
    renewed = {part for one in untold for part in one.replaced}
    worn, _ = with_radio(facts, radio, now, renewed)
    known, believed = with_learned(worn, learned, now, own_dampers)
    done = [_tell_part(part, believed[part.key], by_part.get(part.key), now) for part in known.parts]
    return Intake(
        facts=known,
        basis=_basis(known),
        today=now,
        parts=tuple(sorted(done, key=lambda one: one.urgency.order)),
        first_looks=find_first_looks(known, by_part, now),
        notices=find_notices(facts, trust or Trust(), radio, now, untold),
        life=tuple(_tell_life(known)),
        since=tuple(_tell_since(known)),
        last_service=_last_service(facts),
    )


def _basis(facts: UnitFacts) -> str:
    """Return what all of it rests on; where use was worked out, how much of it."""
    words = BASIS_WORDS[facts.basis]
    counted = [one.measured_ratio for one in facts.parts if one.used_ratio is not None and not one.is_estimate]
    ratios = [1.0 - one for one in counted if one is not None]
    share = max(ratios, default=0.0)
    if facts.basis != CARD or share < TOLD_RATIO:
        return words
    return words.replace(",", f", and worked out for up to {percent_text(share)} of a part's use,", 1)


def due_entries(facts: UnitFacts, today: date) -> list[dict[str, Any]]:
    """Return the rows of a `due_put` entry: a part each, days as ISO text, None where no day is known.

    Parts that are over by use are due today, whatever the forecast said when the card was made. Days of a clock that
    was never vouched for are no days.
    """
    rows = []
    for part in facts.parts:
        if facts.is_clock_sure is False:
            days: dict[str, date | None] = dict.fromkeys(_DAYS)
        else:
            days = dict(zip(_DAYS, (part.due_early, part.due_likely, part.due_late, part.order_by), strict=True))
        if part.used_ratio is not None and part.used_ratio >= 1.0:
            days = {key: min(day or today, today) for key, day in days.items()}
        rows.append(
            {
                "part": part.key,
                **{key: None if day is None else day.isoformat() for key, day in days.items()},
                "used_ratio": part.used_ratio,
            }
        )
    return rows


def _tell_part(part: PartFact, belief: Belief, like: LikeRow | None, today: date) -> PartDone:
    urgency = judge_part(part.used_ratio, part.due_early, part.due_likely, part.calendar_day, today)
    return PartDone(part, urgency, belief, like, tuple(_lines_of_part(part, belief, like)))


def _lines_of_part(part: PartFact, belief: Belief, like: LikeRow | None) -> Iterable[Sentence]:
    since = "since nobody knows when" if part.since is None else f"since {part.since}"
    if part.used_ratio is None:
        calendar = "" if part.calendar_day is None else f"; its years are over on {part.calendar_day}"
        yield (f"counts {since}{calendar}",)
    else:
        driven: Sentence = () if part.driven_m is None else (", ", Figure("far_m", part.driven_m), " driven")
        yield (percent(part.used_ratio), " of its believed budget used ", since, *driven)
    if part.radio_share > 0.0:
        yield (percent(part.radio_share / part.budget), " of that by radio since its card, unsigned")
    if part.street_m:
        yield ("as much as ", Figure("far_m", part.street_m), " of street")
    if part.measured_ratio is not None and part.measured_ratio < 0.995 and not part.is_estimate:
        yield (Figure("ratio", part.measured_ratio), " of its use was measured, the rest is worked out")
    if like is not None:
        yield (
            f"like units: replaced {like.count} time{'s' * (like.count > 1)} at ", percent(like.median_ratio), " (",
            percent(like.low_ratio), " to ", percent(like.high_ratio), ")",
        )  # fmt: skip
    if belief.evidence_count and part.used_ratio is not None:
        yield (f"budget with this bench's findings: {belief.text}",)


def _tell_life(facts: UnitFacts) -> Iterable[Sentence]:
    life = facts.life
    for kind, value, before, after in (
        ("distance_m", life.distance_m, "", " driven"),
        ("duration_s", life.moving_s, "", " h moving"),
        ("energy_j", life.energy_j, "", " turned to heat"),
        ("distance_m", life.shaft_travel_m, "", " of shaft travel"),
        ("count", life.strokes_count, "", " strokes"),
        ("count", life.bottom_outs_count, "", " bottom-outs"),
        ("count", life.top_outs_count, "", " top-outs"),
        ("temperature_c", facts.heat.peak_body_c, "hottest body ", ""),
    ):
        # A clock that stands at nought says only that nothing was measured, which coverage says better.
        if value is not None and (kind != "duration_s" or value >= 1.0):
            yield (before, Figure(kind, float(value)), after) if before else (Figure(kind, float(value)), after)


def _tell_since(facts: UnitFacts) -> Iterable[Sentence]:
    """Yield what its trips brought since the last service; a card that is full of later ones may lack some of them."""
    day = last_service_day(facts)
    trips = trips_since(facts, day) if day is not None else []
    if not trips:
        return
    least = "at least " if len(trips) >= TRIPS_KEPT else ""
    far = [one.distance_m for one in trips]
    known = [one for one in far if one is not None]
    yield (f"{least}{len(trips)} trip{'s' * (len(trips) > 1)} since {day}",)
    if known:
        word = "at least " if least or len(known) < len(far) else ""
        yield (word, Figure("distance_m", sum(known)), " driven")
    moving_s = sum(one.moving_s for one in trips)
    if moving_s >= 1.0:
        yield (least, Figure("duration_s", moving_s), " h moving")
    yield (least, Figure("energy_j", sum(one.energy_j for one in trips)), " turned to heat")
    yield (least, Figure("count", float(sum(one.bottom_outs_count for one in trips))), " bottom-outs")
    hottest = max((one.peak_body_c for one in trips if one.peak_body_c is not None), default=None)
    if hottest is not None:
        yield ("hottest body ", Figure("temperature_c", hottest))


def _service_fact(one: Service) -> ServiceFact:
    day = None if one.day is None else date.fromisoformat(one.day)
    return ServiceFact(day, one.by, one.replaced, tuple(one.found.items()), one.note)


def _last_service(facts: UnitFacts) -> ServiceFact | None:
    done = [one for one in facts.services if one.replaced]
    return max(done, key=lambda one: one.day or date.min, default=None)

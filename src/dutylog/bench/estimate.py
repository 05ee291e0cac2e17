"""A damper without a card: what its parts have used by what its owner tells. An estimate, and it says so everywhere.

Miles of a stated mix on the reference vehicle (life.reference), with a factor of doubt either way; the calendar by
years. shared/BENCH.md has the figures.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from datetime import date, timedelta
from typing import Any

from dutylog.bench.facts import STATED, LifeFacts, PartFact, ServiceFact, UnitFacts
from dutylog.bench.figures import Figure, percent, say, say_both
from dutylog.domain.vehicle import CONSTRUCTIONS, JOINTS, LEAD_DAYS, RESERVOIRS, Profile
from dutylog.domain.wear import DIRTS, MIXES, PARTS
from dutylog.errors import InputError, one_line
from dutylog.life.budget import RANGE_80
from dutylog.life.dirt import CARRIED_RATIO, FACTORS
from dutylog.life.forecast import HORIZON_DAYS, PACE_LOG_SD
from dutylog.life.learning import Belief, learn
from dutylog.life.parts import RULES, WearPart, parts_of
from dutylog.life.plausibility import ROWS
from dutylog.life.reference import REFERENCE, per_mile, read_driven, share_per_mile, street_miles
from dutylog.units import DAYS_PER_YEAR, M_PER_MILE

ESTIMATE = "estimate from what was told, not measured"
DOUBT = 2.0
"""80 % range either way of a share that rests on told miles. Source: judgement, as for `dutylog life add-use`."""
YEARS_DOUBT = 3.0
"""The same where only years were told. Source: judgement."""
DIRTY_RATIO = 0.25
"""Part of the miles that a dirt told of a whole damper is taken for. Source: judgement."""
MILES_A_YEAR: Mapping[str, float] = {row.key: row.miles_a_year for row in ROWS if row.key in MIXES}
"""By mix, where nobody told miles, or no years. Source: judgement, those of the table in shared/LIFE.md."""
YEARS_LIMIT, DISTANCE_LIMIT_M = 60.0, 1e9
LENGTHS: Mapping[str, tuple[float, float]] = {
    "stroke_m": (0.02, 1.5),
    "shaft_diameter_m": (0.005, 0.1),
    "bore_diameter_m": (0.01, 0.3),
}
"""Least and most of what somebody may measure. Source: judgement, wide of every damper of a wheel."""
TEXT_LIMIT, REMARKS_LIMIT = 80, 2000
SAME_TIME_RATIO = 1.1
"""Years that are no more than this times those since the rebuild are taken as told since then. Source: judgement."""
NOT_REBUILT = ("structure", "hose")
"""What a rebuild leaves as it is, as with `dutylog life service --rebuild`."""
ALWAYS_RENEWED = ("oil", "charge")
"""What a service that was no rebuild made new. Source: judgement."""


@dataclass(frozen=True, slots=True)
class Statement:
    """What somebody tells of a damper. None: not told.

    serial: as stamped; tag: the shop's own, where there is no serial; one of both is needed. distance_m: driven since
    it was rebuilt, or since it was new where it never was. years: since it was new. was_rebuilt: at the last service
    all but shaft, eyelets and hose became new; without, only oil and charge did, by their share of the time. mix: of
    domain.wear.MIXES. dirt: of domain.wear.DIRTS. is_washed: after dirt. profile: of the bench, where it knows such.
    """

    serial: str | None
    tag: str | None
    construction: str
    reservoir: str = RESERVOIRS[0]
    joints: str = JOINTS[0]
    stroke_m: float | None = None
    shaft_diameter_m: float | None = None
    bore_diameter_m: float | None = None
    distance_m: float | None = None
    years: float | None = None
    mix: str = "mixed"
    dirt: tuple[str, ...] = ()
    is_washed: bool | None = None
    last_service: date | None = None
    was_rebuilt: bool = True
    remarks: str | None = None
    position: str | None = None
    vehicle_name: str | None = None

    def __post_init__(self) -> None:
        if not (self.serial or self.tag):
            raise InputError(
                "no serial and no tag: give what is stamped on the damper, or hang the shop's own tag on it"
            )
        for name, known in (
            ("construction", CONSTRUCTIONS),
            ("reservoir", RESERVOIRS),
            ("joints", JOINTS),
            ("mix", MIXES),
        ):
            _check_word(name, getattr(self, name), known)
        for word in self.dirt:
            _check_word("dirt", word, DIRTS)
        for name in ("serial", "tag", "position", "vehicle_name"):
            _check_text(name, getattr(self, name), TEXT_LIMIT)
        _check_text("remarks", self.remarks, REMARKS_LIMIT)
        _check_number("distance", self.distance_m, 0.0, DISTANCE_LIMIT_M, "m")
        _check_number("age", self.years, 0.0, YEARS_LIMIT, "years")
        for name, (low, high) in LENGTHS.items():
            _check_number(name.removesuffix("_m").replace("_", " "), getattr(self, name), low, high, "m")

    def to_dict(self) -> dict[str, Any]:
        """Return it as an entry of the bench keeps it."""
        data = {one.name: getattr(self, one.name) for one in fields(self)}
        return {
            **data,
            "dirt": list(self.dirt),
            "last_service": None if self.last_service is None else self.last_service.isoformat(),
        }

    @staticmethod
    def from_dict(data: Mapping[str, Any]) -> Statement:
        """Read what `to_dict` made; InputError where it isn't such."""
        known = {one.name for one in fields(Statement)}
        try:
            told = {key: value for key, value in data.items() if key in known}
            day = told.get("last_service")
            told["last_service"] = None if day is None else date.fromisoformat(day)
            told["dirt"] = tuple(told.get("dirt", ()))
            return Statement(**{"serial": None, "tag": None, **told})
        except (TypeError, ValueError, AttributeError) as err:
            if isinstance(err, InputError):
                raise
            raise InputError(f"statement garbles {one_line(err, 80)}; tell it anew") from err


def facts_of_statement(statement: Statement, today: date, profile: Profile | None = None) -> UnitFacts:
    """Return what a damper's parts have used by what was told of it.

    Args:
        statement: as told. today: of which day the estimate is. profile: as the bench knows it from before.
    Raises:
        InputError: a last service after today.
    Source:
        Share of a mile of the mix (life.reference) x miles; doubt: log-normal, DOUBT either way at 80 %.
    """
    if statement.last_service is not None and statement.last_service > today:
        raise InputError(f"last service on {statement.last_service}, which is after today ({today}); correct the day")
    belief = learn(())
    parts = sorted(parts_of(_with_build(statement, profile)), key=lambda part: PARTS.index(part.key))
    return UnitFacts(
        label=statement.serial or statement.tag or "",
        unit_id=None,
        serial=statement.serial,
        tag=statement.tag,
        basis=STATED,
        day=today,
        profile=profile,
        construction=statement.construction,
        reservoir=statement.reservoir,
        joints=statement.joints,
        position=statement.position,
        vehicle_name=statement.vehicle_name,
        parts=tuple(_estimate(part, statement, belief, today) for part in parts),
        life=LifeFacts(
            None, None, None, None, None, None, _find_span(statement, today, is_renewed=False).distance_m, None
        ),
        services=_services(statement),
        dirt_words=statement.dirt,
        is_dirt_washed=statement.is_washed,
        notes=tuple(_notes(statement)),
    )


@dataclass(frozen=True, slots=True)
class _Span:
    """How far and how long a part has run, None unknown. factor: of doubt of the miles.

    since: day it counts from, None where nobody told one: then days only say at which pace it was driven.
    """

    distance_m: float | None
    days: float | None
    since: date | None
    factor: float


def _find_span(told: Statement, today: date, is_renewed: bool) -> _Span:
    """Return how far and how long a part has run. is_renewed: the last service made it new."""
    own = None if told.years is None else told.years * DAYS_PER_YEAR
    served = None if told.last_service is None else float((today - told.last_service).days)
    rebuilt = served if told.was_rebuilt else None
    # The distance was told since the rebuild, and where there was none since the damper was new.
    told_days = own if rebuilt is None else rebuilt
    pace = MILES_A_YEAR[told.mix] * M_PER_MILE / DAYS_PER_YEAR
    if told.distance_m is not None and told_days:
        pace = told.distance_m / told_days
    factor = YEARS_DOUBT if told.distance_m is None else DOUBT
    known = served if is_renewed else _find_age(own, served, told.was_rebuilt)
    days = served if known is None and told.distance_m is None else known
    since = None if known is None else today - timedelta(days=round(known))
    return _Span(*_find_far(told.distance_m, days, rebuilt, pace, is_renewed), since, factor)


def _find_age(own: float | None, served: float | None, was_rebuilt: bool) -> float | None:
    """Return how old a part is that the last service left in, None where nobody told."""
    if own is None or served is None:
        return own
    if was_rebuilt and own <= SAME_TIME_RATIO * served:
        return None  # the years were told since the rebuild too
    return max(own, served)


def _find_far(
    distance_m: float | None, days: float | None, rebuilt: float | None, pace: float, is_renewed: bool
) -> tuple[float | None, float | None]:
    """Return how far and how long a part has run, by a distance told since `rebuilt` days ago, None: since new."""
    if distance_m is None:
        return (None if days is None else pace * days), days
    if days is None:
        return distance_m, (distance_m / pace if pace > 0.0 else None)
    if rebuilt is not None:
        return distance_m + pace * (days - rebuilt), days
    return (min(distance_m, pace * days) if is_renewed else distance_m), days


def _estimate(part: WearPart, told: Statement, belief: Belief, today: date) -> PartFact:
    span = _find_span(told, today, is_renewed=_is_renewed(part, told))
    share, ratio, sd = 0.0, None, 0.0
    if part.weights and span.distance_m is not None:
        share = _share_per_mile(part, told) * span.distance_m / M_PER_MILE
        ratio, sd = share / belief.budget.median, share * _sd_ratio(span.factor)
    years = part.calendar_years.value
    calendar = span.since + timedelta(days=round(years * DAYS_PER_YEAR)) if years and span.since else None
    due = _find_due(ratio, belief, span, calendar, today)
    order = None if due[0] is None else max(today, due[0] - timedelta(days=LEAD_DAYS))
    return PartFact(
        key=part.key,
        name=part.name,
        used_share=share,
        used_sd=sd,
        used_ratio=ratio,
        measured_ratio=0.0 if ratio else None,
        budget=belief.budget.median,
        budget_low=belief.low,
        budget_high=belief.high,
        findings_count=0,
        since=span.since,
        since_entry=None,
        driven_m=span.distance_m if part.weights else None,
        street_m=street_miles(part, share) * M_PER_MILE if ratio is not None else None,
        calendar_day=calendar,
        due_early=due[0],
        due_likely=due[1],
        due_late=due[2],
        order_by=order,
        text=_say(ratio, span, due, calendar),
        is_estimate=True,
    )


def _is_renewed(part: WearPart, told: Statement) -> bool:
    """Return whether the last service is taken to have made a part new, as `--rebuild` does on the vehicle."""
    if told.last_service is None:
        return False
    return part.key not in NOT_REBUILT if told.was_rebuilt else part.key in ALWAYS_RENEWED


def _share_per_mile(part: WearPart, told: Statement) -> float:
    """Return the used share of a part by a mile as told; the worst dirt counts for a part of the miles."""
    doses = dict(per_mile(told.mix))
    excess = DIRTY_RATIO * (max((FACTORS[word] for word in told.dirt), default=1.0) - 1.0)
    if told.dirt and told.is_washed is not True:
        excess *= 1.0 + CARRIED_RATIO
    doses["abrasion"] *= 1.0 + excess
    for name in ("sliding", "joint_work"):
        doses[name] *= 1.0 + RULES.value("outer_dirt_ratio") * excess
    return share_per_mile(part, doses)


def _find_due(
    ratio: float | None, belief: Belief, span: _Span, calendar: date | None, today: date
) -> tuple[date | None, date | None, date | None]:
    """Return when a part is due, early, likely and late.

    Source:
        Use goes on at its pace: time / used ratio is log-normal by the doubts of use, budget and pace (derivation).
        The calendar caps all three.
    """
    last = None if calendar is None else max(today, calendar)
    if not ratio or not span.days:
        return last, last, last
    log_sd = math.hypot(math.log(span.factor) / RANGE_80, belief.budget.log_sd, PACE_LOG_SD)
    found: list[date | None] = []
    for place in (-RANGE_80, 0.0, RANGE_80):
        left = span.days * (math.exp(place * log_sd) / ratio - 1.0)
        day = None if left > HORIZON_DAYS else today + timedelta(days=max(0, round(left)))
        found.append(min((one for one in (day, last) if one is not None), default=None))
    return found[0], found[1], found[2]


def _say(ratio: float | None, span: _Span, due: tuple[date | None, ...], calendar: date | None) -> str:
    parts = [ESTIMATE]
    if ratio is not None:
        low, high = percent(ratio / span.factor), percent(ratio * span.factor)
        parts.append(say((percent(ratio), " used, in 8 of 10 cases ", low, " to ", high)))
        early, likely, late = ("later than in ten years" if day is None else str(day) for day in due)
        parts.append(f"due {likely}" if early == late else f"due {likely}, in 8 of 10 cases {early} to {late}")
    parts.append("no day known to count its years from" if calendar is None and span.since is None else "")
    if calendar is not None:
        parts.append(f"by the calendar on {calendar}")
    return "; ".join(one for one in parts if one)


def _notes(told: Statement) -> list[str]:
    notes = [f"{ESTIMATE}: figures may be off by a factor of {DOUBT:g} either way; what the bench finds counts more"]
    if told.distance_m is None and told.years is None and told.last_service is None:
        notes.append("nobody told miles, years or a last service: nothing can be said of use, look at every part")
    elif told.distance_m is None:
        year = Figure("far_m", MILES_A_YEAR[told.mix] * M_PER_MILE)
        notes.append(
            f"distance by {say_both((year,))} a year, as is usual for {told.mix} use; "
            f"off by a factor of {YEARS_DOUBT:g} either way"
        )
    if told.years is None and told.last_service is None:
        notes.append("nobody told its age: hard rubber and old gas can't be foreseen")
    if told.stroke_m or told.shaft_diameter_m or told.bore_diameter_m:
        notes.append("its measures are kept, but the estimate is that of a damper which fits its vehicle")
    if told.remarks:
        notes.append(f"told: {one_line(told.remarks)}")
    return notes


def _services(told: Statement) -> tuple[ServiceFact, ...]:
    if told.last_service is None:
        return ()
    parts = [part.key for part in parts_of(_with_build(told, None)) if _is_renewed(part, told)]
    return (ServiceFact(told.last_service, "as told", tuple(parts), (), "as told, no record of it"),)


def _with_build(told: Statement, profile: Profile | None) -> Profile:
    """Return a profile with the construction told; which parts there are depends on nothing else."""
    like = profile or read_driven()[REFERENCE].vehicle.profiles[0]
    return replace(
        like, construction=told.construction, reservoir=told.reservoir, joints=told.joints, is_rebuildable=True
    )


def _sd_ratio(factor: float) -> float:
    """Return the standard deviation of a log-normal doubt whose 80 % range is a factor either way."""
    return math.sqrt(math.expm1((math.log(factor) / RANGE_80) ** 2))


def _check_word(name: str, value: object, known: tuple[str, ...]) -> None:
    if value not in known:
        raise InputError(f"{name}: {one_line(repr(value), 40)} is none of {', '.join(known)}")


def _check_text(name: str, value: object, most: int) -> None:
    if value is not None and not (isinstance(value, str) and len(value) <= most):
        raise InputError(f"{name}: {one_line(repr(value), 40)}, expected text of at most {most} characters")


def _check_number(name: str, value: object, least: float, most: float, unit: str) -> None:
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, int | float) or not least <= value <= most:
        raise InputError(f"{name}: {one_line(repr(value), 40)} {unit}, expected {least:g} to {most:g}")

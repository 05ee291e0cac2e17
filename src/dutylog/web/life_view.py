"""What the pages of wear show: plain rows with their state, made of what `dutylog life show --format json` printed."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from dutylog.errors import one_line
from dutylog.life.urgency import Order, Urgency, judge_part, order_damper
from dutylog.life.words import cut_miles
from dutylog.units import M_PER_MILE
from dutylog.web.jobs import JobFailed

MOST_SCALE = 2.5
"""Bars go to so many budgets at most; what is used beyond is said in figures. Source: judgement."""
WORK_CAUTIONS = (
    "Work on dampers is for qualified technicians, by the maker's manual: they are charged with gas, hold oil under "
    "pressure and can throw parts.",
    "Let a damper cool before anybody touches it: its body burns skin long after the drive.",
    "Put the vehicle on stands on firm ground before a wheel comes off; a jack alone holds nobody safe.",
    "Never open, heat, drill or weld a damper under charge. A technician lets the gas out first.",
    "After any work: look for oil, listen, and drive gently first.",
)
"""Source: common workshop practice; judgement in the wording."""


@dataclass(frozen=True, slots=True)
class LifePart:
    """One part. used_*: of the budget that is believed now, None where only the calendar ends it.

    measured_ratio: part of its use that was measured, None while nothing is used. Budgets and used_share are in those
    of the reference. order_by: day to order its parts. Days: None unknown or beyond ten years. *_m: distance [m], None
    unknown. text: without distances.
    """

    key: str
    name: str
    urgency: Urgency
    since: str
    since_entry: int | None
    used_ratio: float | None
    used_sd_ratio: float | None
    measured_ratio: float | None
    used_share: float
    budget: float
    budget_low: float
    budget_high: float
    findings_count: int
    driven_m: float | None
    street_m: float | None
    calendar_day: str | None
    order_by: str | None
    due_early: str | None
    due_likely: str | None
    due_late: str | None
    early_m: float | None
    likely_m: float | None
    late_m: float | None
    text: str

    @property
    def state(self) -> str:
        """Return the word for its urgency."""
        return self.urgency.state


@dataclass(frozen=True, slots=True)
class LifeMark:
    """A mark on the shaft. entry: by which it can be withdrawn. urgency: word for how soon it wants a look.

    passes_per_m: how often it passes the seal in a metre driven, None unknown.
    """

    entry: int
    kind: str
    urgency: str
    text: str
    advice: str
    passes_per_m: float | None


@dataclass(frozen=True, slots=True)
class LifeDamper:
    """One damper, its parts the most urgent first. position: None on the shelf. hot_*: see shared/LIFE.md."""

    unit_id: str
    position: str | None
    profile: str
    day: str
    hot_seal_s: float
    hot_oil_s: float
    parts: tuple[LifePart, ...]
    marks: tuple[LifeMark, ...]

    @property
    def order(self) -> Order:
        """Return what sorts the most urgent damper first."""
        return order_damper((part.urgency for part in self.parts), (mark.urgency for mark in self.marks))

    @property
    def most_street(self) -> LifePart | None:
        """Return the part whose use is worth a distance of street, the most used one; None where none wears by use."""
        worn = [part for part in self.parts if part.street_m is not None]
        return max(worn, key=lambda part: part.used_share, default=None)


@dataclass(frozen=True, slots=True)
class LifeEntry:
    """Something a person told of a damper. figure: kind and value of a quantity that belongs to it."""

    row: int
    day: str | None
    by: str
    what: str
    note: str | None
    figure: tuple[str, float] | None = None


@dataclass(frozen=True, slots=True)
class LifeBasis:
    """What the ledger says at once of a damper. version: changes whenever somebody tells the ledger something.

    parts: names of those it has, by key, None where the vehicle file doesn't know its profile.
    """

    unit_id: str
    label: str
    position: str | None
    profile: str
    version: int
    entries: tuple[LifeEntry, ...] = ()
    parts: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True)
class Bar:
    """A part's bar in percent of the picture's width: what is used, and the budget with its 80 % range."""

    used: float
    low: float
    middle: float
    high: float


def read_lives(text: str) -> dict[str, Any]:
    """Return the object that `dutylog life show` printed; JobFailed for anything else."""
    try:
        found = json.loads(text)
        if not isinstance(found["dampers"], list):
            raise TypeError("dampers")
    except (ValueError, KeyError, TypeError, RecursionError) as err:
        raise _unreadable(err) from err
    return {"dampers": found["dampers"]}


def make_dampers(lives: Mapping[str, Any]) -> list[LifeDamper]:
    """Return the dampers of such an object as rows; JobFailed when a field is missing."""
    try:
        return [_make_damper(one) for one in lives["dampers"]]
    except (ValueError, KeyError, TypeError, ArithmeticError) as err:
        raise _unreadable(err) from err


def make_bars(parts: Sequence[LifePart]) -> dict[str, Bar]:
    """Return the bars of what wears by use, by part, all to one scale."""
    worn = [part for part in parts if part.used_ratio is not None]
    most = max((max(part.used_share, part.budget_high) for part in worn), default=1.0)
    scale = min(most, MOST_SCALE) * 1.02

    def percent(share: float) -> float:
        return round(min(100.0, 100.0 * max(share, 0.0) / scale), 1)

    return {
        part.key: Bar(*(percent(one) for one in (part.used_share, part.budget_low, part.budget, part.budget_high)))
        for part in worn
    }


def _make_damper(one: Mapping[str, Any]) -> LifeDamper:
    parts = [_make_part(part, str(one["day"])) for part in one["parts"]]
    return LifeDamper(
        unit_id=str(one["unit_id"]),
        position=None if one["position"] is None else str(one["position"]),
        profile=str(one["profile"]),
        day=str(one["day"]),
        hot_seal_s=float(one["hot_seal_s"]),
        hot_oil_s=float(one["hot_oil_s"]),
        parts=tuple(sorted(parts, key=lambda part: part.urgency.order)),
        marks=tuple(_make_mark(mark) for mark in one["marks"]),
    )


def _make_part(one: Mapping[str, Any], day: str) -> LifePart:
    days = {name: _day(one[name]) for name in ("calendar_day", "order_by", "due_early", "due_likely", "due_late")}
    early, likely, calendar = (_date(days[name]) for name in ("due_early", "due_likely", "calendar_day"))
    share, budget = float(one["used_share"]), float(one["budget"])
    wears = bool(one["doses"])
    used = float(one["used_ratio"]) if wears else None
    return LifePart(
        key=str(one["part"]),
        name=str(one["name"]),
        urgency=judge_part(used, early, likely, calendar, date.fromisoformat(day)),
        since=str(one["since"]),
        since_entry=None if one["since_entry"] is None else int(one["since_entry"]),
        used_ratio=used,
        used_sd_ratio=float(one["used_sd"]) / budget if wears else None,
        measured_ratio=min(1.0, float(one["measured_share"]) / share) if share > 0.0 else None,
        used_share=share,
        budget=budget,
        budget_low=float(one["budget_low"]),
        budget_high=float(one["budget_high"]),
        findings_count=int(one["findings_count"]),
        driven_m=_metres(one["miles"]),
        street_m=_metres(one["street_miles"]),
        early_m=_metres(one["miles_early"]),
        likely_m=_metres(one["miles_likely"]),
        late_m=_metres(one["miles_late"]),
        text=cut_miles(str(one["text"])),
        **days,
    )


def _make_mark(one: Mapping[str, Any]) -> LifeMark:
    kind, urgency, text, advice = (str(one[name]) for name in ("kind", "urgency", "text", "advice"))
    rate = one["passes_per_mile"]
    per_m = None if rate is None else float(rate) / M_PER_MILE
    return LifeMark(int(one["entry"]), kind, urgency, text, advice, per_m)


def _metres(miles: object) -> float | None:
    return None if miles is None else float(str(miles)) * M_PER_MILE


def _day(text: object) -> str | None:
    return None if text is None else date.fromisoformat(str(text)).isoformat()


def _date(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _unreadable(err: Exception) -> JobFailed:
    return JobFailed(f"the answer could not be read ({type(err).__name__}: {one_line(err, 80)}); look at /health")

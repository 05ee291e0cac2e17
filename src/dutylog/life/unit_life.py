"""All that is known of how far each wear part of each damper is, and when it is due.

Reads the ledger, changes nothing. shared/LIFE.md says how every figure comes about.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.ledger import gas_readings
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import Service, StatedUse, read_life
from dutylog.ledger.rows import Unit
from dutylog.ledger.trip_book import TripBook
from dutylog.ledger.unit_profiles import read_changes
from dutylog.life.account import (
    Since,
    Used,
    calendar_day,
    compute_used,
    find_since,
    gather_findings,
    miles_since,
    parts_with_places,
    stated_days,
)
from dutylog.life.doses import compute_shares
from dutylog.life.eras import group_profiles, make_eras
from dutylog.life.forecast import (
    MILES_KNOWN_RATIO,
    Forecast,
    History,
    Planned,
    forecast,
    forecast_by_calendar,
    order_by_day,
)
from dutylog.life.history import UnitHistory, day_of, read_history
from dutylog.life.learning import Belief, Finding, learn
from dutylog.life.marked import Marked, extra_sliding_m, judge_marks, wear_factor
from dutylog.life.parts import WearPart
from dutylog.life.plan import Made, planned_trip, will_make_it
from dutylog.life.reference import per_mile, share_per_mile, street_miles
from dutylog.life.urgency import Urgency, judge_part
from dutylog.life.words import say_no_profile
from dutylog.units import M_PER_MILE

Floats = NDArray[np.float64]

PLAN_LOG_SD = 0.35
"""Doubt of what a planned mile takes: roads of one name differ. Source: judgement."""
SEAL, STRUCTURE, CHARGE = "shaft_seal", "structure", "charge"


@dataclass(frozen=True, slots=True)
class PartLife:
    """One part. used: in budgets of the reference, marks included; ratio: of the budget that is believed now.

    calendar: None without such a limit. order_by: day to order by so that nine times in ten it is there in time, None
    where no day is known. miles: since the part counts, None unknown. street_miles: miles of street
    that would have used as much, None for what only the calendar ends.
    """

    part: WearPart
    since: Since
    used: Used
    belief: Belief
    calendar: date | None
    forecast: Forecast
    order_by: date | None
    miles: float | None
    street_miles: float | None

    @property
    def ratio(self) -> float:
        """Return the used share of the budget as it is believed now."""
        return self.used.share / self.belief.budget.median

    def judge(self, today: date) -> Urgency:
        """Return how soon it wants a look."""
        early, likely = (
            None if day is None else date.fromordinal(day) for day in (self.forecast.day_10, self.forecast.day_50)
        )
        return judge_part(self.ratio if self.part.weights else None, early, likely, self.calendar, today)


@dataclass(frozen=True, slots=True)
class UnitLife:
    """One damper. position: None on the shelf. hot_seal_s, hot_oil_s: driven hotter than seal and oil should be."""

    unit: Unit
    position: str | None
    profile: Profile
    history: UnitHistory
    parts: tuple[PartLife, ...]
    marked: tuple[Marked, ...]
    hot_seal_s: float
    hot_oil_s: float
    today: date

    def part(self, key: str) -> PartLife:
        """Return one part; InputError naming those there are."""
        for one in self.parts:
            if one.part.key == key:
                return one
        there = ", ".join(one.part.key for one in self.parts)
        raise InputError(f"damper {self.unit.label} has no part {key!r:.40}; it has {there}")

    @property
    def most_used(self) -> PartLife:
        """Return the part that wants a look first, by life.urgency."""
        return min(self.parts, key=lambda one: one.judge(self.today).order)


@dataclass(frozen=True, slots=True)
class TripCost:
    """What a trip took of a damper. shares: by part, in budgets of the reference. most: the part it took most of.

    budget_ratio: of that part's budget as it is believed now. street_miles: miles of street that take as much of it.
    """

    unit: Unit
    position: str
    shares: Mapping[str, float]
    most: WearPart
    budget_ratio: float
    street_miles: float


class Lives:
    """The dampers of one ledger as they are today. Like units (of one profile, valving aside) learn from each other."""

    def __init__(self, ledger: Ledger, today: date | None = None) -> None:
        """today: by the ledger's clock unless given."""
        self._ledger = ledger
        self.clock_ns = ledger.stamp().utc_ns
        self.today = today or day_of(self.clock_ns)
        self._entries = read_life(ledger)
        vehicle = ledger.vehicle()
        self._profiles = {} if vehicle is None else {profile.name: profile for profile in vehicle.profiles}
        self._places = {unit.unit_id: position for position, unit in ledger.installed().items()}
        self._histories: dict[str, UnitHistory] = {}
        self._groups = group_profiles(read_changes(ledger))

    def units(self) -> list[Unit]:
        """Return the dampers whose profile is known, those on the vehicle first."""
        known = [unit for unit in self._ledger.units() if unit.profile in self._profiles]
        return sorted(known, key=lambda unit: (unit.unit_id not in self._places, unit.label))

    def read(self, unit: Unit) -> UnitLife:
        """Return all of one damper.

        Raises:
            InputError: its profile isn't in the vehicle file.
        """
        history = self._history(unit)
        services, uses = self._services(unit), self._uses(unit)
        parts = parts_with_places(history)
        since = {part.key: self._since(part, history, services, uses) for part in parts}
        marks = [one for one in self._entries.marks if one.unit_id == unit.unit_id]
        marked = judge_marks(self._ledger, history, marks, since[STRUCTURE])
        found = [self._part(part, since[part.key], history, uses, marked) for part in parts]
        events = history.events()
        after = history.part_after(since[SEAL].running_s)
        return UnitLife(
            unit,
            self._places.get(unit.unit_id),
            history.profile,
            history,
            tuple(found),
            tuple(marked),
            float(events.hot_seal_s @ after),
            float(events.hot_oil_s @ history.part_after(since["oil"].running_s)),
            self.today,
        )

    def plan(self, life: UnitLife, miles: float, mix: str, days: Sequence[date]) -> list[tuple[PartLife, Made]]:
        """Return for each part that wears by use how a planned trip would go.

        Raises:
            InputError: no such mix, a day that is past, or miles below 0.
        """
        past = [day for day in days if day < self.today]
        if past:
            raise InputError(f"{past[0]} is past (today is {self.today}); give days to come")
        made = []
        for one in life.parts:
            if not one.part.weights:
                continue
            by_mile = share_per_mile(one.part, per_mile(mix))
            if one.part.key == SEAL:
                abrasion = share_per_mile(_only(one.part, "abrasion"), per_mile(mix))
                by_mile += (wear_factor(life.marked) - 1.0) * abrasion
            planned = planned_trip(miles, [day.toordinal() for day in days], by_mile, PLAN_LOG_SD)
            made.append((one, self._outlasts(life, one, planned)))
        return made

    def trip(self, key: str | int) -> list[TripCost]:
        """Return what a trip, or a part of one, took of each damper that was on it, in the order of its own dampers.

        Nothing where its duty doesn't count.
        Raises:
            LedgerError: no such trip.
            InputError: a damper's profile isn't in the vehicle file.
        """
        found = TripBook(self._ledger).trip(key)
        costs = []
        for share in found.dampers:
            unit = next(one for one in self._ledger.units() if one.unit_id == share.unit_id)
            history = self._history(unit)
            within = history.part_of_trip(found.spans)
            parts = [part for part in parts_with_places(history) if part.weights]
            shares = {
                part.key: float((compute_shares(part, history.doses) + compute_shares(part, history.missed)) @ within)
                for part in parts
            }
            most = max(parts, key=lambda part: shares[part.key])
            budget = learn(self._findings(most, unit)).budget.median
            worth = street_miles(most, shares[most.key])
            costs.append(TripCost(unit, share.position, shares, most, shares[most.key] / budget, worth))
        return costs

    def _outlasts(self, life: UnitLife, one: PartLife, planned: Sequence[Planned]) -> Made:
        daily = self._daily(one.part, life.history, self._uses(life.unit), life.marked)
        used, budget = one.used, one.belief.budget
        return will_make_it(daily, used.share, used.sd, budget, planned, self.today.toordinal())

    def _part(
        self,
        part: WearPart,
        since: Since,
        history: UnitHistory,
        uses: Sequence[StatedUse],
        marked: Sequence[Marked],
    ) -> PartLife:
        used = compute_used(part, history, since, uses)
        if part.key == SEAL:
            used = _with_marks(part, used, extra_sliding_m(history, marked, since))
        belief = learn(self._findings(part, history.unit))
        day = calendar_day(part, since)
        daily = self._daily(part, history, uses, marked)
        limit = None if day is None else day.toordinal()
        due = forecast_by_calendar(limit, self.today.toordinal())
        if part.weights:
            due = forecast(daily, used.share, used.sd, belief.budget, limit, self.today.toordinal())
        order = order_by_day(due.day_10, history.profile.lead_days)
        order_by = None if order is None else date.fromordinal(max(order, self.today.toordinal()))
        street = street_miles(part, used.share) if part.weights else None
        miles = miles_since(history, since, uses) if part.weights else None
        return PartLife(part, since, used, belief, day, due, order_by, miles, street)

    def _since(
        self, part: WearPart, history: UnitHistory, services: Sequence[Service], uses: Sequence[StatedUse]
    ) -> Since:
        since = find_since(part, history, services, uses)
        if part.key != CHARGE:
            return since
        for one in gas_readings.history(self._ledger, history.unit.unit_id, self._entries.withdrawn):
            if one.what == gas_readings.FILL and one.day is not None and one.day >= since.day:
                since = replace(since, day=one.day, text=f"filled by {one.by}", row=one.row)
        return since

    def _daily(
        self, part: WearPart, history: UnitHistory, uses: Sequence[StatedUse], marked: Sequence[Marked]
    ) -> History:
        """Return what each day took of a part, as it would now: a marked shaft goes on wearing its seal."""
        shares = compute_shares(part, history.doses) + compute_shares(part, history.missed)
        if part.key == SEAL:
            # Only sliding goes faster over a marked shaft, heat doesn't.
            abrasion = compute_shares(_only(part, "abrasion"), history.doses)
            shares = shares + (wear_factor(marked) - 1.0) * abrasion
        today = self.today.toordinal()
        told = [found for use in uses for found in stated_days(part, use, self.today)]
        # A clock that runs behind the rows, or none that was ever set: such days aren't past yet.
        known = (history.days > 0) & (history.days <= today)
        days = [*history.days[known].tolist(), *(day for day, _, _ in told)]
        first = min(days, default=today)
        by_day, miles = np.zeros(today - first + 1), _day_miles(history, known, first, today)
        np.add.at(by_day, history.days[known] - first, shares[known])
        for day, share, driven in told:
            by_day[day - first] += share
            miles[day - first] += driven
        return History(first, by_day, miles)

    def _findings(self, part: WearPart, unit: Unit) -> list[Finding]:
        """Return what benches found of the same part of all like units."""
        found, group = [], self._groups.get(unit.profile, frozenset({unit.profile})) & self._profiles.keys()
        for like in self._ledger.units():
            services = self._services(like)
            if like.profile in group and any(part.key in one.found for one in services):
                usual = [one for one in services if part.key != SEAL or not self._has_mark(like, one)]
                found += gather_findings(part, self._history(like), usual, self._uses(like))
        return found

    def _has_mark(self, unit: Unit, service: Service) -> bool:
        """Return whether a unit's shaft was marked by then: what became of its seal says nothing of like ones."""
        marks = [one for one in self._entries.marks if one.unit_id == unit.unit_id]
        return bool(service.found) and any(one.running_s <= service.running_s for one in marks)

    def _history(self, unit: Unit) -> UnitHistory:
        if unit.profile not in self._profiles:
            raise InputError(say_no_profile(unit.label, unit.profile))
        if unit.unit_id not in self._histories:
            profile = self._profiles[unit.profile]
            eras = make_eras(profile, read_changes(self._ledger, unit.unit_id), self._profiles)
            self._histories[unit.unit_id] = read_history(self._ledger, unit, profile, self._entries, self.today, eras)
        return self._histories[unit.unit_id]

    def _services(self, unit: Unit) -> list[Service]:
        return [one for one in self._entries.services if one.unit_id == unit.unit_id]

    def _uses(self, unit: Unit) -> list[StatedUse]:
        return [one for one in self._entries.uses if one.unit_id == unit.unit_id]


def _day_miles(history: UnitHistory, known: NDArray[np.bool_], first: int, today: int) -> Floats:
    """Return miles by day; where speed was known for most of a day's sliding, the rest of it is taken to be alike."""
    size, places = today - first + 1, history.days[known] - first
    distance_m, sliding_m = history.use.distance_m[known], history.use.sliding_m[known]
    has_speed = ~np.isnan(distance_m)
    driven_m = np.bincount(places[has_speed], distance_m[has_speed], size)
    slid_m = np.bincount(places, sliding_m, size)
    seen_m = np.bincount(places[has_speed], sliding_m[has_speed], size)
    with np.errstate(divide="ignore", invalid="ignore"):
        miles = driven_m * np.where(slid_m > 0.0, slid_m / seen_m, 1.0) / M_PER_MILE
    return np.where(seen_m >= MILES_KNOWN_RATIO * slid_m, miles, np.nan)


def _with_marks(part: WearPart, used: Used, extra_m: float) -> Used:
    """Return the same with what marks have cost the seal."""
    share = share_per_mile(_only(part, "abrasion"), {"abrasion": extra_m}) if extra_m else 0.0
    return replace(used, marks=share)


def _only(part: WearPart, mechanism: str) -> WearPart:
    return replace(part, weights=tuple((name, weight) for name, weight in part.weights if name == mechanism))

"""What the page of a damper's nitrogen shows: plain rows, made from the ledger by the rules of `life.gas`."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.ledger import gas_readings, life_entries
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Unit
from dutylog.life.gas import RANGE_SD, RIDE_RATIO, TOLERANCE_RATIO, Charge, Place, compute_expected, warn_room
from dutylog.life.gas_history import Leak, Told, TooLow, compute_leak, tell
from dutylog.web.gas_plot import GasPlot, PlotPoint, draw

MOST_READINGS = 50
"""Newest ones on a page; all of them count for the leak rate."""
FILL_TEMPERATURES_C = (-10.0, 0.0, 10.0, 20.0, 30.0, 40.0)


@dataclass(frozen=True, slots=True)
class GasRow:
    """One reading. gauge_pa: as read. equivalent_pa, within_pa: at 20 degC and full extension, 95 of 100 within.

    day: None where nobody knows it. verdict: None where there is none, reason says why. begins: see life.gas_history.
    """

    row: int
    day: str | None
    is_day_sure: bool
    by: str
    note: str | None
    is_fill: bool
    gauge_pa: float
    equivalent_pa: float
    within_pa: float
    verdict: str | None
    reason: str
    begins: str | None


@dataclass(frozen=True, slots=True)
class LeakRow:
    """How fast it leaks; within_*: 95 of 100. first, middle, last: days on which it is too low, None: beyond ten years.

    has_limit: False without a target.
    """

    rate_pa_year: float
    within_pa_year: float
    month_percent: float
    month_within_percent: float
    since: str
    count: int
    is_shown: bool
    has_limit: bool
    first: str | None
    middle: str | None
    last: str | None


@dataclass(frozen=True, slots=True)
class FillRow:
    """What a gauge must show with everything at a temperature: gauge pressure and 95 of 100 within, at both places."""

    temperature_c: float
    extended_pa: float
    extended_within_pa: float
    ride_pa: float
    ride_within_pa: float


@dataclass(frozen=True, slots=True)
class GasDetail:
    """A damper's nitrogen. problem: one line where nothing can be told of it, else None; notes: what to know besides.

    readings: the newest first, at most MOST_READINGS. ride_mm: travel at ride height of the fill table.
    """

    unit_id: str
    label: str
    profile: str
    target_pa: float | None = None
    tolerance_ratio: float = TOLERANCE_RATIO
    problem: str | None = None
    notes: tuple[str, ...] = ()
    readings: tuple[GasRow, ...] = ()
    leak: LeakRow | None = None
    fill: tuple[FillRow, ...] = ()
    ride_mm: float = 0.0
    plot: GasPlot | None = None


def read_gas(ledger: Ledger, unit: Unit, today: date) -> GasDetail:
    """Return what is known of a unit's nitrogen; LedgerError when the ledger can't be read."""
    vehicle = ledger.vehicle()
    profile = None if vehicle is None else next((p for p in vehicle.profiles if p.name == unit.profile), None)
    if profile is None:
        problem = f"the vehicle file has no profile {unit.profile}, so nothing can be told of its gas"
        return GasDetail(unit.unit_id, unit.label, unit.profile, problem=problem)
    try:
        fill = make_fill_table(profile)
    except InputError as err:
        return GasDetail(unit.unit_id, unit.label, unit.profile, problem=str(err))
    entries = life_entries.read_life(ledger)
    stored = gas_readings.history(ledger, unit.unit_id, entries.withdrawn)
    services = [one for one in entries.services if one.unit_id == unit.unit_id and "charge" in one.replaced]
    renewed = [one.said.day for one in services if one.said.day is not None]
    history = tell(profile, stored, profile.charge_pa, renewed)
    rows = tuple(make_row(one) for one in reversed(history.told))[:MOST_READINGS]
    leak = compute_leak(history.told, profile.charge_pa, today.toordinal())
    notes = [f"entry {one.row} is left out: {why}" for one, why in history.left_out]
    return GasDetail(
        unit.unit_id,
        unit.label,
        profile.name,
        profile.charge_pa,
        notes=(*_profile_notes(profile), *notes),
        readings=rows,
        leak=None if leak is None else _make_leak(leak),
        fill=fill,
        ride_mm=RIDE_RATIO * profile.stroke_m * 1e3,
        plot=make_plot(rows, profile.charge_pa),
    )


def make_fill_table(profile: Profile) -> tuple[FillRow, ...]:
    """Return what to show at some temperatures, fully extended and at ride height; empty without a target.

    Raises:
        InputError: a damper without a valve, or without room for its gas.
    """
    found = []
    for temperature_c in FILL_TEMPERATURES_C:
        places = [Place(temperature_c, temperature_c, ratio * profile.stroke_m) for ratio in (0.0, RIDE_RATIO)]
        extended, ride = (compute_expected(profile, profile.charge_pa or 0.0, place) for place in places)
        found.append(FillRow(temperature_c, extended.gauge_pa, _within(extended), ride.gauge_pa, _within(ride)))
    return () if profile.charge_pa is None else tuple(found)


def make_row(told: Told) -> GasRow:
    """Return a reading as the page shows it."""
    stored, judged = told.stored, told.judged
    return GasRow(
        row=stored.row,
        day=None if stored.day is None else stored.day.isoformat(),
        is_day_sure=stored.is_day_sure,
        by=stored.by,
        note=stored.note,
        is_fill=stored.what == gas_readings.FILL,
        gauge_pa=stored.gauge_pa,
        equivalent_pa=judged.equivalent.gauge_pa,
        within_pa=_within(judged.equivalent),
        verdict=judged.verdict,
        reason=judged.reason,
        begins=told.begins,
    )


def make_plot(rows: tuple[GasRow, ...], target_pa: float | None) -> GasPlot | None:
    """Return the picture of readings by day, None with fewer than two days."""
    points = [
        PlotPoint(date.fromisoformat(one.day).toordinal(), one.equivalent_pa, one.within_pa, one.begins is not None)
        for one in reversed(rows)
        if one.day is not None
    ]
    return draw(points, target_pa, None if target_pa is None else target_pa * (1.0 - TOLERANCE_RATIO))


def _profile_notes(profile: Profile) -> list[str]:
    found = []
    if profile.charge_pa is None:
        found.append("nobody stated a target; write charge_psi or charge_bar into the vehicle file")
    if profile.gas_volume_m3 is None:
        found.append("temperature alone is corrected, the vehicle file has no gas_volume_ml; read it fully extended")
    warning = warn_room(profile)
    return found if warning is None else [*found, warning]


def _make_leak(leak: Leak) -> LeakRow:
    too_low = leak.too_low or TooLow(None, None, None)
    first, middle, last = (
        None if day is None else date.fromordinal(day).isoformat()
        for day in (too_low.first, too_low.middle, too_low.last)
    )
    return LeakRow(
        rate_pa_year=leak.rate_pa_year,
        within_pa_year=RANGE_SD * leak.rate_sd_pa_year,
        month_percent=100.0 * leak.month_ratio,
        month_within_percent=100.0 * RANGE_SD * leak.month_sd_ratio,
        since=date.fromordinal(leak.since_day).isoformat(),
        count=leak.count,
        is_shown=leak.is_shown,
        has_limit=leak.too_low is not None,
        first=first,
        middle=middle,
        last=last,
    )


def _within(charge: Charge) -> float:
    return RANGE_SD * charge.sd_pa

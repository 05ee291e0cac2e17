"""A charge over the years: its readings taken to 20 degC and full extension, how fast it leaks, when it is too low.

Pure. A refill begins a new stretch; what each check of a stated hose took out itself is no leak.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.gas import compute_room_m3
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.ledger.gas_readings import FILL, StoredReading
from dutylog.life.forecast import HORIZON_DAYS
from dutylog.life.gas import (
    GAS_LIMITS_ML,
    RANGE_SD,
    TOLERANCE_RATIO,
    Judged,
    Reading,
    compute_before_checks,
    compute_equivalent,
    judge,
)
from dutylog.units import DAYS_PER_YEAR

DAYS_PER_MONTH = DAYS_PER_YEAR / 12.0
RISE_SD = 3.0
"""A reading above the one before it by more than so many standard deviations was filled and nobody wrote it down."""


@dataclass(frozen=True, slots=True)
class Told:
    """A stored reading and what it comes to. own_loss_pa: what the check itself took, at 20 degC and full extension.

    begins: why a new stretch begins with it: "filled", "charge renewed", "rose", or None.
    """

    stored: StoredReading
    judged: Judged
    own_loss_pa: float
    begins: str | None = None


@dataclass(frozen=True, slots=True)
class GasHistory:
    """Readings by day, those without a day first. left_out: those that can't be of such a damper, and why."""

    told: tuple[Told, ...]
    left_out: tuple[tuple[StoredReading, str], ...]


@dataclass(frozen=True, slots=True)
class TooLow:
    """Days (ordinals) on which the charge falls below its limit: expected, and from when to when in 95 of 100.

    None: not within ten years.
    """

    first: int | None
    middle: int | None
    last: int | None


@dataclass(frozen=True, slots=True)
class Leak:
    """How fast a charge goes down in its newest stretch, by `count` readings since a day (ordinal).

    rate_pa_year: above 0 it loses. month_ratio: share of what the stretch began with, a month. Each with one standard
    deviation. is_shown: the loss is larger than what readings differ by. too_low: None without a target.
    """

    rate_pa_year: float
    rate_sd_pa_year: float
    month_ratio: float
    month_sd_ratio: float
    since_day: int
    count: int
    is_shown: bool
    too_low: TooLow | None


def to_reading(stored: StoredReading) -> Reading:
    """Return a stored reading as `life.gas` takes it."""
    travel_m = stored.travel_mm * 1e-3
    return Reading(stored.gauge_pa, stored.body_c, stored.air_c, travel_m, stored.altitude_m, stored.oil_c)


def tell(
    profile: Profile, stored: Sequence[StoredReading], target_pa: float | None, renewed: Sequence[date] = ()
) -> GasHistory:
    """Return what each reading comes to, and where a new stretch begins.

    Args:
        profile: of the damper. stored: its readings. target_pa: gauge, None where nobody stated one.
        renewed: days on which a service renewed the charge.
    """
    found: list[Told] = []
    left_out: list[tuple[StoredReading, str]] = []
    before: Told | None = None
    for one in sorted(stored, key=lambda one: (one.day or date.min, one.row)):
        try:
            told = Told(one, judge(profile, to_reading(one), target_pa), _compute_own_loss_pa(profile, one))
        except InputError as err:
            # The profile may have become another since; one such reading must not hide the rest.
            left_out.append((one, str(err)))
            continue
        if one.day is not None:
            told = replace(told, begins=_why_new(told, before, renewed))
            before = told
        found.append(told)
    return GasHistory(tuple(found), tuple(left_out))


def compute_leak(told: Sequence[Told], target_pa: float | None, today: int) -> Leak | None:
    """Return how fast the newest stretch leaks, None where it has no two readings of different days.

    Args:
        told: of `tell`. target_pa: gauge, None where nobody stated one. today: ordinal of the day it is asked.
    Source:
        Generalised least squares of a straight line: each reading's own doubt on the diagonal, the damper's volumes
        as one error in all of them; deviations grow where readings scatter by more than they should (Birge's ratio).
    """
    dated = [one for one in told if one.stored.day is not None]
    begin = max((number for number, one in enumerate(dated) if one.begins), default=0)
    stretch = dated[begin:]
    days = np.array([one.stored.day.toordinal() for one in stretch if one.stored.day], dtype=np.float64)
    if len(days) < 2 or days[-1] == days[0]:
        return None
    # What checks took out is put back, so that what is left falls by leaking alone.
    taken_pa = np.cumsum([0.0, *(one.own_loss_pa for one in stretch[1:])])
    level_pa = np.array([one.judged.equivalent.gauge_pa for one in stretch]) + taken_pa
    line, covariance = _fit_line(days - days[-1], level_pa, stretch)
    rate, rate_sd = -float(line[1]) * DAYS_PER_YEAR, math.sqrt(covariance[1, 1]) * DAYS_PER_YEAR
    begin_pa = max(float(line[0] + line[1] * (days[0] - days[-1])), 1.0)
    month = DAYS_PER_MONTH / DAYS_PER_YEAR / begin_pa
    too_low = None
    if target_pa is not None:
        ahead = np.arange(max(today, int(days[-1])), max(today, int(days[-1])) + HORIZON_DAYS)
        now = np.array([line[0] - taken_pa[-1], line[1]])
        too_low = _find_too_low(ahead, ahead - days[-1], now, covariance, target_pa * (1.0 - TOLERANCE_RATIO))
    return Leak(
        rate, rate_sd, rate * month, rate_sd * month, int(days[0]), len(days), rate > RANGE_SD * rate_sd, too_low
    )


def _compute_own_loss_pa(profile: Profile, stored: StoredReading) -> float:
    """Return what a check took out [Pa at 20 degC and full extension]; 0 where hose or gas volume isn't known.

    After filling there is none: the valve closes at what the gauge shows.
    """
    reading = to_reading(stored)
    room_m3 = compute_room_m3(profile, reading.travel_m, reading.place.oil_c)
    if stored.hose_ml is None or stored.what == FILL or room_m3 is None or room_m3 * 1e6 < GAS_LIMITS_ML[0]:
        return 0.0
    before_pa = compute_before_checks(
        reading.gauge_pa, room_m3 * 1e6, stored.hose_ml, 1, reading.place.gas_c, reading.altitude_m
    )
    before = compute_equivalent(profile, replace(reading, gauge_pa=before_pa))
    return before.gauge_pa - compute_equivalent(profile, reading).gauge_pa


def _why_new(told: Told, before: Told | None, renewed: Sequence[date]) -> str | None:
    day = told.stored.day
    if told.stored.what == FILL:
        return "filled"
    if before is None or day is None or before.stored.day is None:
        return None
    if any(before.stored.day < one <= day for one in renewed):
        return "charge renewed"
    now, then = told.judged.equivalent, before.judged.equivalent
    sd_pa = math.hypot(now.own_sd_pa, then.own_sd_pa, now.room_sd_pa - then.room_sd_pa)
    return "rose" if now.gauge_pa - then.gauge_pa > RISE_SD * sd_pa else None


def _fit_line(
    days: NDArray[np.float64], level_pa: NDArray[np.float64], stretch: Sequence[Told]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return level at day 0 and slope a day, with their covariance."""
    doubts = [one.judged.equivalent for one in stretch]
    room = np.array([one.room_sd_pa for one in doubts])
    doubt = np.diag([one.own_sd_pa**2 for one in doubts]) + np.outer(room, room)
    design = np.column_stack([np.ones_like(days), days])
    weighed = np.linalg.solve(doubt, np.column_stack([design, level_pa]))
    covariance = np.linalg.inv(design.T @ weighed[:, :2])
    line = covariance @ (design.T @ weighed[:, 2])
    left = level_pa - design @ line
    freedom = len(days) - 2
    scatter = float(left @ np.linalg.solve(doubt, left)) / freedom if freedom else 1.0
    return line, covariance * max(1.0, scatter)


def _find_too_low(
    ahead: NDArray[np.int64],
    days: NDArray[np.float64],
    line: NDArray[np.float64],
    covariance: NDArray[np.float64],
    limit_pa: float,
) -> TooLow:
    level_pa = line[0] + line[1] * days
    sd_pa = np.sqrt(covariance[0, 0] + 2.0 * covariance[0, 1] * days + covariance[1, 1] * days**2)

    def first(below: NDArray[np.bool_]) -> int | None:
        return int(ahead[np.argmax(below)]) if below.any() else None

    margin_pa = RANGE_SD * sd_pa
    return TooLow(
        first(level_pa - margin_pa < limit_pa), first(level_pa < limit_pa), first(level_pa + margin_pa < limit_pa)
    )

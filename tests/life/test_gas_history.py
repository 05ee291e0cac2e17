"""A charge over the years: refills, leak rate with its doubt, the day it is too low; against made-up truth."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest

from dutylog.domain.gas import compute_room_m3
from dutylog.ledger.gas_readings import CHECK, FILL, StoredReading
from dutylog.life.gas import RANGE_SD, TOLERANCE_RATIO, Place, compute_after_checks, compute_expected
from dutylog.life.gas_history import Leak, compute_leak, tell
from dutylog.units import PA_PER_PSI
from life.charged import BARE, PROFILE, TARGET_PA

BEGIN = date(2024, 3, 1)


def stored(days: int | None, cold_pa: float, row: int = 1, **changes: Any) -> StoredReading:
    """Return a reading of a charge that is `cold_pa` at 20 degC and full extension, read there."""
    base = StoredReading(
        row=row, unit_id="u", gauge_pa=cold_pa, what=CHECK, body_c=20.0, oil_c=None, air_c=20.0, travel_mm=0.0,
        altitude_m=0.0, hose_ml=None, by="Ann", note=None,
        day=None if days is None else BEGIN + timedelta(days=days), is_day_sure=True,
    )  # fmt: skip
    return replace(base, **changes)


def leak_of(readings: list[StoredReading], target_pa: float | None = TARGET_PA, today: int = 0) -> Leak | None:
    numbered = [replace(one, row=number) for number, one in enumerate(readings, start=1)]
    told = tell(PROFILE, numbered, target_pa).told
    return compute_leak(told, target_pa, BEGIN.toordinal() + today)


def psi(value: float) -> float:
    return value * PA_PER_PSI


def test_a_steady_leak_is_its_slope_and_crosses_the_limit_on_its_day() -> None:
    """2 psi a year, exact readings: 200 at first, so 190 after five years, whatever the weights."""
    leak = leak_of([stored(days, psi(200 - 2 * days / 365.25)) for days in (0, 100, 400, 700)], today=700)
    assert leak is not None
    assert leak.rate_pa_year == pytest.approx(psi(2), rel=1e-6)
    assert leak.month_ratio == pytest.approx(0.01 / 12, rel=1e-6)
    assert (leak.since_day, leak.count) == (BEGIN.toordinal(), 4)
    assert leak.too_low is not None
    assert leak.too_low.middle == BEGIN.toordinal() + int(5 * 365.25) + 1
    assert leak.too_low.first is not None
    assert leak.too_low.first < leak.too_low.middle


def test_slope_and_doubt_are_those_of_two_readings() -> None:
    """Closed form: difference over time, its deviation by both readings' own."""
    leak = leak_of([stored(0, psi(200)), stored(365, psi(170))])
    one, two = (one.judged.equivalent for one in tell(PROFILE, [stored(0, psi(200)), stored(365, psi(170))], None).told)
    assert leak is not None
    years = 365 / 365.25
    assert leak.rate_pa_year == pytest.approx(psi(30) / years, rel=1e-9)
    assert leak.rate_sd_pa_year == pytest.approx(np.hypot(one.own_sd_pa, two.own_sd_pa) / years, rel=1e-9)
    assert leak.is_shown


def test_doubt_of_the_volumes_is_no_doubt_of_the_slope() -> None:
    """Read at ride height each time, a wrong volume moves every reading alike: the leak is as well known as ever."""
    shown = [compute_expected(PROFILE, psi(200 - 20 * years), Place(20.0, 20.0, 0.1)).gauge_pa for years in (0, 1, 2)]
    ride = [stored(round(365.25 * n), one, travel_mm=100.0) for n, one in enumerate(shown)]
    mixed = [replace(one, travel_mm=0.0, gauge_pa=psi(200 - 20 * n)) if n == 1 else one for n, one in enumerate(ride)]
    same, other = leak_of(ride), leak_of([mixed[0], mixed[1]])
    assert same is not None
    assert other is not None
    assert same.rate_pa_year == pytest.approx(psi(20), rel=1e-3)
    volume_sd_pa = abs(tell(PROFILE, ride, None).told[0].judged.equivalent.room_sd_pa)
    assert volume_sd_pa > psi(3)
    assert same.rate_sd_pa_year < 0.6 * volume_sd_pa
    assert other.rate_sd_pa_year > volume_sd_pa


def test_no_leak_is_told_from_one_reading_or_one_day() -> None:
    """One point has no slope; two of the same day have any."""
    assert leak_of([]) is None
    assert leak_of([stored(0, psi(200))]) is None
    assert leak_of([stored(3, psi(200)), stored(3, psi(190))]) is None
    assert leak_of([stored(None, psi(200)), stored(5, psi(190))]) is None


def test_a_refill_begins_anew() -> None:
    """What leaked before it, and what was put in, is none of the new stretch."""
    readings = [
        stored(0, psi(200)), stored(300, psi(150)), stored(301, psi(200), what=FILL), stored(666, psi(196)),
    ]  # fmt: skip
    leak = leak_of(readings)
    assert leak is not None
    assert leak.count == 2
    assert leak.rate_pa_year == pytest.approx(psi(4) * 365.25 / 365, rel=1e-9)
    assert leak_of(readings[:3]) is None


def test_a_refill_typed_later_stands_at_its_own_day() -> None:
    """People write down in the evening, or next week, what they did."""
    readings = [stored(300, psi(150)), stored(666, psi(196)), stored(0, psi(200)), stored(301, psi(200), what=FILL)]
    history = tell(PROFILE, [replace(one, row=n) for n, one in enumerate(readings, 1)], TARGET_PA)
    assert [one.stored.row for one in history.told] == [3, 1, 4, 2]
    assert [one.begins for one in history.told] == [None, None, "filled", None]


def test_a_rise_nobody_wrote_down_and_a_service_begin_anew_too() -> None:
    """Gas doesn't come from nothing; a line through a refill would hide the leak."""
    history = tell(PROFILE, [stored(0, psi(150), 1), stored(90, psi(200), 2), stored(300, psi(190), 3)], TARGET_PA)
    assert [one.begins for one in history.told] == [None, "rose", None]
    alike = tell(PROFILE, [stored(0, psi(200), 1), stored(90, psi(204), 2)], TARGET_PA)
    assert [one.begins for one in alike.told] == [None, None]
    service = BEGIN + timedelta(days=50)
    served = tell(PROFILE, [stored(0, psi(200), 1), stored(90, psi(204), 2)], TARGET_PA, [service])
    assert [one.begins for one in served.told] == [None, "charge renewed"]


def test_what_checks_take_out_is_no_leak() -> None:
    """A sound damper checked every month with a 5 ml hose: its pressure falls by 9 % in a year, and nothing leaks."""
    room_m3 = compute_room_m3(PROFILE, 0.0)
    assert room_m3 is not None
    shown = [psi(200), *compute_after_checks(psi(200), room_m3 * 1e6, 5.0, 5)]
    readings = [stored(30 * n, one, what=CHECK if n else FILL, hose_ml=5.0) for n, one in enumerate(shown)]
    leak = leak_of(readings)
    assert leak is not None
    assert leak.rate_pa_year == pytest.approx(0.0, abs=1.0)
    assert not leak.is_shown
    unsaid = leak_of([replace(one, hose_ml=None) for one in readings])
    assert unsaid is not None
    assert unsaid.rate_pa_year > psi(40)


def test_what_checks_took_is_gone_when_it_comes_to_the_limit() -> None:
    """The leak is without the checks, but what is left to the limit is what the damper holds now."""
    room_m3 = compute_room_m3(PROFILE, 0.0)
    assert room_m3 is not None
    after = compute_after_checks(psi(197), room_m3 * 1e6, 5.0, 1)[0]
    leak = leak_of([stored(0, psi(200), what=FILL), stored(365, after, hose_ml=5.0)], today=365)
    assert leak is not None
    assert leak.too_low is not None
    per_day = psi(3) / 365
    left = (after - TARGET_PA * (1 - TOLERANCE_RATIO)) / per_day
    assert leak.too_low.middle == BEGIN.toordinal() + 365 + int(left) + 1


def test_ranges_hold_what_was_made_up() -> None:
    """500 dampers that lose 6 psi a year, gauges of 1 %: truth lies within the range in 95 of 100 (found: 484).

    0.92 to 0.98 is three standard deviations of the count.
    """
    rng, within, days = np.random.default_rng(5), 0, (0, 60, 150, 290, 400)
    for _ in range(500):
        errors = 1.0 + 0.01 * rng.standard_normal(len(days))
        readings = []
        for day, error in zip(days, errors, strict=True):
            absolute_pa = psi(200 - 6 * day / 365.25) + 101_325.0
            readings.append(stored(day, absolute_pa * error - 101_325.0))
        leak = leak_of(readings, None)
        assert leak is not None
        within += abs(leak.rate_pa_year - psi(6)) < RANGE_SD * leak.rate_sd_pa_year
    assert 0.92 < within / 500 <= 0.995


def test_a_charge_below_its_limit_is_low_today() -> None:
    """Not on a day that is past, though it was."""
    leak = leak_of([stored(0, psi(180)), stored(365, psi(160))], today=400)
    assert leak is not None
    assert leak.too_low is not None
    assert leak.too_low.middle == leak.too_low.first == BEGIN.toordinal() + 400


def test_a_sound_charge_has_no_day() -> None:
    """What isn't shown to leak must not be given a date as if it were."""
    leak = leak_of([stored(365 * n, psi(210)) for n in range(6)])
    assert leak is not None
    assert leak.too_low is not None
    assert (leak.too_low.middle, leak.too_low.last) == (None, None)
    without = leak_of([stored(0, psi(200)), stored(90, psi(190))], None)
    assert without is not None
    assert without.too_low is None


def test_a_clock_before_the_readings_asks_from_the_last_one() -> None:
    """A board without a clock battery believes in 1970."""
    leak = leak_of([stored(0, psi(200)), stored(365, psi(196))], today=-10_000)
    assert leak is not None
    assert leak.too_low is not None
    assert leak.too_low.middle is not None
    assert leak.too_low.middle > BEGIN.toordinal() + 365


def test_a_reading_of_another_damper_hides_nothing() -> None:
    """The profile got a shorter stroke since: that reading is named and left out."""
    history = tell(PROFILE, [stored(0, psi(200), 1, travel_mm=300.0), stored(9, psi(200), 2)], TARGET_PA)
    assert [one.stored.row for one in history.told] == [2]
    ((left, why),) = history.left_out
    assert left.row == 1
    assert "300 mm, expected 0 to 250" in why


def test_without_a_gas_volume_a_hose_takes_nothing_known() -> None:
    """Nothing is made up: what it took stays in the leak."""
    (told,) = tell(BARE, [stored(0, psi(200), hose_ml=5.0)], None).told
    assert told.own_loss_pa == 0.0

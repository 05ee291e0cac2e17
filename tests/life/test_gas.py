"""What a charge should show and what a reading comes to, against published equations of state of nitrogen."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.gas import COLD_C
from dutylog.domain.nitrogen import compute_atmosphere_pa
from dutylog.domain.vehicle import Profile
from dutylog.errors import InputError
from dutylog.life.gas import (
    CAUTIONS,
    HIGH,
    LOW,
    OK,
    RANGE_SD,
    Place,
    Reading,
    compute_after_checks,
    compute_before_checks,
    compute_equivalent,
    compute_expected,
    compute_make_up,
    judge,
    warn_room,
)
from dutylog.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA
from life.charged import BARE, PROFILE, TARGET_PA

REFERENCE = Path(__file__).parents[1] / "data" / "reference"
WITHIN = 0.001
"""Of the absolute pressure; five times better than asked for (0.5 %)."""


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def altitude_of(kpa: float) -> float:
    """Return where the standard atmosphere has a pressure, by halving."""
    low_m, high_m = -450.0, 6000.0
    for _ in range(60):
        middle_m = (low_m + high_m) / 2
        low_m, high_m = (middle_m, high_m) if compute_atmosphere_pa(middle_m) > kpa * 1e3 else (low_m, middle_m)
    return low_m


def test_expected_by_temperature_and_altitude_is_that_of_the_equation_of_state() -> None:
    """All rows of 02_n2_pressure_vs_temperature.csv, gauge at the altitude it is read at, oil left at 20 degC."""
    table = rows("02_n2_pressure_vs_temperature.csv")
    for row in table:
        # Filled at 20 degC under another atmosphere: as gauge at sea level it is the same absolute pressure.
        filled_pa = float(row["fill_psi_gauge"]) * PA_PER_PSI + float(row["atm_at_fill_kpa"]) * 1e3
        assert float(row["fill_temp_c"]) == COLD_C
        altitude_m = altitude_of(float(row["atm_at_reading_kpa"]))
        place = Place(float(row["temp_c"]), COLD_C, altitude_m=altitude_m)
        found = compute_expected(PROFILE, filled_pa - STANDARD_ATMOSPHERE_PA, place)
        real_pa = float(row["p_gauge_real_kpa"]) * 1e3
        assert abs(found.gauge_pa - real_pa) < WITHIN * float(row["p_abs_real_kpa"]) * 1e3
    assert len(table) > 40
    assert len({row["atm_at_reading_kpa"] for row in table}) > 1


def test_expected_by_travel_is_that_of_the_equation_of_state() -> None:
    """All rows of 02_n2_pressure_vs_shaft.csv, isothermal."""
    table = [row for row in rows("02_n2_pressure_vs_shaft.csv") if float(row["temp_c"]) == COLD_C]
    assert len(table) > 20
    for row in table:
        shaft_m, volume_m3 = float(row["shaft_dia_mm"]) * 1e-3, float(row["gas_volume_extended_ml"]) * 1e-6
        one = replace(PROFILE, stroke_m=0.4, shaft_diameter_m=shaft_m, gas_volume_m3=volume_m3)
        place = Place(COLD_C, COLD_C, float(row["shaft_inserted_mm"]) * 1e-3)
        found = compute_expected(one, float(row["fill_psi_gauge"]) * PA_PER_PSI, place)
        absolute_pa = found.gauge_pa + STANDARD_ATMOSPHERE_PA
        assert absolute_pa == pytest.approx(float(row["p_abs_isothermal_real_kpa"]) * 1e3, rel=WITHIN)


@given(st.floats(-20, 60), st.floats(0, 0.2), st.floats(-400, 3000))
def test_what_should_be_shown_comes_to_the_target(oil_c: float, travel_m: float, altitude_m: float) -> None:
    """Expected and equivalent are each other's inverse: else a sound charge would be called low somewhere."""
    shown = compute_expected(PROFILE, TARGET_PA, Place(oil_c, oil_c, travel_m, altitude_m))
    found = compute_equivalent(PROFILE, Reading(shown.gauge_pa, oil_c, oil_c, travel_m, altitude_m))
    assert found.gauge_pa == pytest.approx(TARGET_PA, rel=1e-9)


def test_gauge_reads_more_up_a_mountain() -> None:
    """200 psi filled at the coast reads 203.2 psi at 2000 m; nobody let anything in."""
    found = compute_expected(PROFILE, TARGET_PA, Place(COLD_C, COLD_C, altitude_m=2000.0))
    assert found.gauge_pa / PA_PER_PSI == pytest.approx(200 + (101.325 - 79.495) * 1e3 / PA_PER_PSI, abs=0.01)


def test_ranges_follow_from_the_stated_doubts() -> None:
    """Doubt of the gas's temperature, travel, room and weather, each on its own closed form."""
    still = compute_expected(PROFILE, TARGET_PA, Place(COLD_C, COLD_C, gas_sd_k=0.0))
    assert (still.own_sd_pa, still.room_sd_pa) == (pytest.approx(1000.0), 0.0)
    warm = compute_expected(PROFILE, TARGET_PA, Place(60.0, COLD_C, gas_sd_k=10.0))
    absolute_pa = warm.gauge_pa + STANDARD_ATMOSPHERE_PA
    assert warm.own_sd_pa == pytest.approx(math.hypot(absolute_pa * 10.0 / 333.15, 1000.0), rel=1e-9)
    low_pa, high_pa = warm.range_pa
    assert high_pa - low_pa == pytest.approx(2 * RANGE_SD * warm.sd_pa)
    inside = compute_expected(PROFILE, TARGET_PA, Place(COLD_C, COLD_C, 0.1, gas_sd_k=0.0))
    taken = PROFILE.shaft_area_m2 * 0.1 / 250e-6
    absolute_pa = inside.gauge_pa + STANDARD_ATMOSPHERE_PA
    assert inside.room_sd_pa == pytest.approx(absolute_pa * 0.1 * taken / (1 - taken), rel=1e-9)


@pytest.mark.parametrize(
    ("psi", "verdict"), [(150.0, LOW), (189.0, LOW), (191.0, OK), (200.0, OK), (209.0, OK), (211.0, HIGH), (0.0, LOW)]
)
def test_a_cold_reading_gets_a_verdict(psi: float, verdict: str) -> None:
    """5 % either side of the target, fully extended and cold."""
    found = judge(PROFILE, Reading(psi * PA_PER_PSI, COLD_C, COLD_C), TARGET_PA)
    assert found.verdict == verdict
    assert ("read it again" in found.reason) == (180 < psi < 220 and psi != 200)


@pytest.mark.parametrize(
    ("body_c", "oil_c", "air_c", "word"),
    [(26.0, None, 20.0, "warm"), (20.0, 25.5, 20.0, "warm"), (14.0, None, 20.0, "cold"), (80.0, 95.0, 30.0, "warm")],
)
def test_a_warm_damper_gets_no_verdict(body_c: float, oil_c: float | None, air_c: float, word: str) -> None:
    """However far off it reads: warm gas isn't judged, its equivalent is told with its range."""
    found = judge(PROFILE, Reading(400 * PA_PER_PSI, body_c, air_c, oil_c=oil_c), TARGET_PA)
    assert found.verdict is None
    assert found.reason.startswith(f"no verdict, too {word}")
    assert found.equivalent.sd_pa > 0


def test_five_kelvin_are_still_cold() -> None:
    """The limit itself belongs to those that are judged."""
    assert judge(PROFILE, Reading(TARGET_PA, 25.0, 20.0, oil_c=15.0), TARGET_PA).verdict == OK


def test_warmer_gas_makes_a_wider_range() -> None:
    """Hot damper: gas 0.7 of the way, 1 K and 0.2 of 60 K in doubt, beside gauge and weather."""
    hot = compute_equivalent(PROFILE, Reading(1.6e6, 80.0, 20.0, oil_c=20.0))
    doubts = (math.hypot(1.0, 12.0) / (62.0 + 273.15), 0.01, 1000.0 / (1.6e6 + STANDARD_ATMOSPHERE_PA))
    assert hot.own_sd_pa == pytest.approx((hot.gauge_pa + STANDARD_ATMOSPHERE_PA) * math.hypot(*doubts), rel=1e-9)


def test_without_a_volume_only_full_extension_is_judged() -> None:
    """At ride height the shaft may have squeezed the gas by a tenth or by a half: nobody can say."""
    extended = judge(BARE, Reading(TARGET_PA, COLD_C, COLD_C), TARGET_PA)
    assert (extended.verdict, extended.equivalent.is_by_travel) == (OK, False)
    ride = judge(BARE, Reading(TARGET_PA, COLD_C, COLD_C, 0.1), TARGET_PA)
    assert ride.verdict is None
    assert "gas_volume_ml" in ride.reason


def test_without_a_target_there_is_no_verdict() -> None:
    """No figure is taken for granted: dampers are filled to 150 or 200 psi, or something else."""
    found = judge(BARE, Reading(TARGET_PA, COLD_C, COLD_C), None)
    assert found.verdict is None
    assert found.reason == "no verdict: nobody stated a target"  # where to state it, each program says for itself


def test_filled_at_ride_height_it_comes_to_the_target_extended() -> None:
    """The shaft squeezes the gas: the gauge must show more, by the room it takes."""
    shown = compute_expected(PROFILE, TARGET_PA, Place(COLD_C, COLD_C, 0.1))
    assert shown.gauge_pa > 1.15 * TARGET_PA
    back = compute_equivalent(PROFILE, Reading(shown.gauge_pa, COLD_C, COLD_C, 0.1))
    assert back.gauge_pa == pytest.approx(TARGET_PA, rel=1e-9)


def test_hose_loss_is_that_of_the_reference() -> None:
    """02_n2_gauge_hose_loss.csv, real gas: 0.5 % of the absolute pressure is asked for, 0.01 % is held."""
    table = rows("02_n2_gauge_hose_loss.csv")
    assert len(table) == 6
    for row in table:
        assert float(row["atm_kpa"]) * 1e3 == STANDARD_ATMOSPHERE_PA
        count, begin_pa = int(row["check_number"]), float(row["start_psi_gauge"]) * PA_PER_PSI
        figures = (float(row["chamber_ml"]), float(row["hose_ml"]), count, float(row["temp_c"]))
        found_pa = compute_after_checks(begin_pa, *figures)
        assert len(found_pa) == count
        assert found_pa[-1] + STANDARD_ATMOSPHERE_PA == pytest.approx(float(row["p_abs_real_kpa"]) * 1e3, rel=1e-4)
        assert compute_before_checks(found_pa[-1], *figures) == pytest.approx(begin_pa, rel=1e-9)


@given(st.floats(0, 5e6), st.floats(20, 2000), st.floats(0, 100), st.integers(1, 100))
def test_checks_only_ever_take_and_never_below_the_air_outside(
    gauge_pa: float, gas_ml: float, hose_ml: float, count: int
) -> None:
    """A hose of any size can't suck a damper empty."""
    found = compute_after_checks(gauge_pa, gas_ml, hose_ml, count)
    assert all(late <= early + 1e-6 for early, late in zip([gauge_pa, *found], found, strict=False))
    assert found[-1] >= -1e-6


def test_checks_are_made_up_for_by_a_tenth_at_most() -> None:
    """Until the checks are done it is all in there: more than a tenth too much is never told to anybody."""
    shown_pa = compute_make_up(TARGET_PA, 250.0, 3.0, 3)
    assert shown_pa is not None
    assert compute_after_checks(shown_pa, 250.0, 3.0, 3)[-1] == pytest.approx(TARGET_PA, rel=1e-9)
    assert compute_make_up(TARGET_PA, 105.0, 10.0, 1) is not None
    assert compute_make_up(TARGET_PA, 95.0, 10.0, 1) is None


@pytest.mark.parametrize(("gas_ml", "hose_ml", "count"), [(20.0, 10.0, 5), (20.0, 10.0, 100), (5.0, 200.0, 100)])
def test_no_charge_is_told_that_no_reading_may_have(gas_ml: float, hose_ml: float, count: int) -> None:
    """200 psi and five checks of a long hose came to 1526 psi: a burst reservoir; a hundred to no number at all."""
    with pytest.raises(InputError, match=r"more than 6 MPa.*refill after each check instead") as caught:
        compute_before_checks(TARGET_PA, gas_ml, hose_ml, count)
    assert "\n" not in str(caught.value)


def test_little_room_hot_at_full_bump_is_warned_of() -> None:
    """250 ml less 97 ml of shaft and 72 ml of oil at 120 degC leave 32 %; at 130 degC too little."""
    assert warn_room(PROFILE) is None
    assert "less than 30%" in str(warn_room(replace(PROFILE, oil_limit_c=150.0)))
    assert "keeps 0%" in str(warn_room(replace(PROFILE, gas_volume_m3=100e-6)))
    assert warn_room(BARE) is None


@pytest.mark.parametrize(
    ("profile", "target_pa", "values", "words"),
    [
        (PROFILE, math.nan, {}, "target: nan"),
        (PROFILE, -1.0, {}, "target: -1"),
        (PROFILE, TARGET_PA, {"travel_m": 0.26}, "travel of profile desert: 260 mm, expected 0 to 250"),
        (PROFILE, TARGET_PA, {"travel_m": math.nan}, "travel of profile desert: nan"),
        (PROFILE, TARGET_PA, {"travel_m": 0.24, "oil_c": 250.0}, "leave -9 ml of 250 ml for the gas"),
        (replace(PROFILE, construction="twin_tube"), TARGET_PA, {}, "no valve to read"),
    ],
)
def test_what_cant_be_is_refused(profile: Profile, target_pa: float, values: dict[str, float], words: str) -> None:
    """A figure out of range must not become a pressure that somebody fills to."""
    with pytest.raises(InputError, match=words) as caught:
        compute_expected(profile, target_pa, replace(Place(COLD_C, COLD_C), **values))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("values", [{"gas_c": math.inf}, {"oil_c": -300.0}, {"altitude_m": 9000.0}, {"gas_sd_k": -1.0}])
def test_a_place_that_cant_be_is_refused(values: dict[str, float]) -> None:
    """Nor a temperature below nothing, nor a mountain that isn't there."""
    with pytest.raises(InputError, match="expected"):
        Place(**{"gas_c": 20.0, "oil_c": 20.0, **values})


def test_a_hose_that_cant_be_is_refused() -> None:
    """Division by a room of nothing."""
    for figures in ((0.0, 3.0, 1), (250.0, -1.0, 1), (250.0, 3.0, 0), (250.0, 3.0, 10**6), (math.nan, 3.0, 1)):
        with pytest.raises(InputError, match="expected"):
            compute_after_checks(TARGET_PA, *figures)


def test_cautions_say_what_hurts() -> None:
    """They stand wherever somebody is about to put a gauge on."""
    text = " ".join(CAUTIONS)
    for words in (
        "maker's manual", "qualified technician", "Dry nitrogen only", "relief rated for the fitting", "Never air",
        "never oxygen", "below 40 °C", "pointed away", "eye protection", "treat it as charged",
    ):  # fmt: skip
        assert words in text

"""The overnight leak check: warmth and weather are no leak, gas that has left is one."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.known_unit import PROFILE, TARGET_PA
from dutylog.bench.leak_check import GAINED, HOLDS, LEAKS, UNSURE, check_charge, judge_leak
from dutylog.domain.nitrogen import compute_atmosphere_pa, compute_density, compute_pressure_pa
from dutylog.domain.vehicle import Profile
from dutylog.units import PA_PER_PSI, ZERO_C_IN_K


def reading(
    gauge_pa: float, body_c: float = 20.0, air_c: float | None = None, altitude_m: float = 0.0
) -> dict[str, float]:
    return {
        "gauge_pa": gauge_pa, "body_c": body_c, "air_c": body_c if air_c is None else air_c, "altitude_m": altitude_m,
    }  # fmt: skip


def gauge_of(amount: float, body_c: float, altitude_m: float = 0.0) -> float:
    """Return what a gauge shows of a density [mol/m3] of gas that is as warm as the body: our own equation of state."""
    return compute_pressure_pa(amount, body_c + ZERO_C_IN_K) - compute_atmosphere_pa(altitude_m)


def test_the_same_twice_held() -> None:
    """The plain case."""
    verdict = judge_leak(reading(1.38e6), reading(1.38e6))
    assert verdict.verdict == HOLDS
    assert verdict.lost_pa == pytest.approx(0.0, abs=1.0)
    assert "13.80" in verdict.text
    assert "psi" in verdict.text


def gauge_in(profile: Profile, amount_mol: float, body_c: float, altitude_m: float = 0.0) -> float:
    """Return what a gauge shows of an amount of gas in a damper, written anew: volume less what the oil has grown."""
    grown_m3 = profile.oil_mass_kg / 870.0 * 7e-4 * (body_c - 20.0)
    return gauge_of(amount_mol / (float(profile.gas_volume_m3 or 0.0) - grown_m3), body_c, altitude_m)


def amount_in(profile: Profile, gauge_pa: float, body_c: float, altitude_m: float = 0.0) -> float:
    """Return the amount [mol] that a gauge shows: the inverse of `gauge_in`."""
    grown_m3 = profile.oil_mass_kg / 870.0 * 7e-4 * (body_c - 20.0)
    density = compute_density(gauge_pa + compute_atmosphere_pa(altitude_m), body_c + ZERO_C_IN_K)
    return density * (float(profile.gas_volume_m3 or 0.0) - grown_m3)


@given(
    st.floats(0.5e6, 3e6),
    st.floats(-10.0, 40.0),
    st.floats(-10.0, 40.0),
    st.floats(0.0, 3000.0),
    st.floats(0.0, 3000.0),
)
def test_warmth_and_altitude_alone_are_no_leak(
    gauge_pa: float, then_c: float, now_c: float, then_m: float, now_m: float
) -> None:
    """A shop that is cold in the morning loses no damper over it: the oil shrinks, and leaves the gas more room."""
    amount = amount_in(PROFILE, gauge_pa, then_c, then_m)
    before = reading(gauge_pa, then_c, altitude_m=then_m)
    after = reading(gauge_in(PROFILE, amount, now_c, now_m), now_c, altitude_m=now_m)
    verdict = judge_leak(before, after, PROFILE)
    assert verdict.verdict == HOLDS
    assert verdict.lost_pa == pytest.approx(0.0, abs=1e-4 * gauge_pa)
    bare = replace(PROFILE, gas_volume_m3=None)
    for known in (None, bare):  # without the gas's volume: perhaps nothing can be said, never that it leaks
        assert judge_leak(before, after, known).verdict in (HOLDS, UNSURE)


def test_a_tight_damper_with_little_gas_is_no_leak_in_a_cold_morning() -> None:
    """100 ml of gas over half a kilogram of oil, ten kelvin colder: 8 psi less, all of it the oil's."""
    small = replace(PROFILE, oil_mass_kg=0.5, gas_volume_m3=100e-6)
    shown_pa = gauge_in(small, amount_in(small, TARGET_PA, 25.0), 15.0)
    rigid_pa = judge_leak(reading(TARGET_PA, 25.0), reading(shown_pa, 15.0)).expected_pa
    assert (rigid_pa - shown_pa) / PA_PER_PSI == pytest.approx(8.2, abs=0.5)
    assert judge_leak(reading(TARGET_PA, 25.0), reading(shown_pa, 15.0), small).verdict == HOLDS


@given(st.floats(0.8e6, 3e6), st.floats(-10.0, 40.0), st.floats(-10.0, 40.0), st.floats(0.06, 0.9))
def test_gas_that_left_is_a_leak_at_any_warmth(gauge_pa: float, then_c: float, now_c: float, lost: float) -> None:
    """A twentieth gone over one night is no doubt of a gauge, also where the warmer oil hides it."""
    amount = amount_in(PROFILE, gauge_pa, then_c) * (1.0 - lost)
    after = reading(max(0.0, gauge_in(PROFILE, amount, now_c)), now_c)
    assert judge_leak(reading(gauge_pa, then_c), after, PROFILE).verdict == LEAKS


def test_a_warmer_morning_hides_no_leak() -> None:
    """7 of 100 gone, fifteen kelvin warmer: the gauge shows more than it did, and yet it leaks."""
    small = replace(PROFILE, oil_mass_kg=0.5, gas_volume_m3=100e-6)
    shown_pa = gauge_in(small, 0.93 * amount_in(small, TARGET_PA, 10.0), 25.0)
    assert shown_pa > TARGET_PA
    assert judge_leak(reading(TARGET_PA, 10.0), reading(shown_pa, 25.0), small).verdict == LEAKS


def test_more_gas_than_before_is_a_reading_gone_wrong() -> None:
    """Nothing fills itself over night; a little more is no more than the gauge repeats to."""
    assert judge_leak(reading(TARGET_PA), reading(1.1 * TARGET_PA), PROFILE).verdict == GAINED
    assert judge_leak(reading(TARGET_PA), reading(1.01 * TARGET_PA), PROFILE).verdict == HOLDS


def test_with_much_doubt_nothing_is_said_to_hold() -> None:
    """A hot body could hide a tenth of the gas, even where the gauge shows what was expected."""
    expected_pa = judge_leak(reading(TARGET_PA, 90.0, 20.0), reading(TARGET_PA)).expected_pa
    verdict = judge_leak(reading(TARGET_PA, 90.0, 20.0), reading(expected_pa), PROFILE)
    assert verdict.doubt_pa > 0.05 * TARGET_PA
    assert judge_leak(reading(TARGET_PA, 90.0, 20.0), reading(verdict.expected_pa), PROFILE).verdict == UNSURE


@pytest.mark.parametrize("share", [0.5, 0.76, 1.24, 2.0])
def test_a_fill_far_off_the_stated_charge_is_told(share: float) -> None:
    """A psi taken for a bar's tenth, or a digit lost: the profile knows better."""
    fill = {**reading(share * TARGET_PA), "travel_mm": 0.0}
    (line,) = check_charge(fill, None, None, PROFILE)
    assert "profile desert states 13.79" in line
    assert check_charge(fill, None, None, None) == []
    near = {**fill, "gauge_pa": (0.82 if share < 1.0 else 1.18) * TARGET_PA}
    assert check_charge(near, None, None, PROFILE) == []


def test_a_fill_near_the_stated_charge_passes_warm_or_high_up() -> None:
    """It is held against the charge as it would be cold, at full extension, at sea level."""
    for fill in (reading(TARGET_PA), reading(1.1 * TARGET_PA, 40.0), reading(TARGET_PA, altitude_m=2000.0)):
        assert check_charge({**fill, "travel_mm": 0.0}, reading(fill["gauge_pa"], fill["body_c"]), None, PROFILE) == []


def test_an_empty_damper_passes_at_no_step() -> None:
    """Nothing before and nothing after the night is no charge that held."""
    empty = reading(0.0)
    assert judge_leak(empty, empty).verdict == HOLDS  # the same twice; that it is none, the next line says
    lines = check_charge({**empty, "travel_mm": 0.0}, empty, empty, None)
    assert [line.partition(" shows")[0] for line in lines] == [
        "the gas fill", "the reading before the night", "the reading after the night",
    ]  # fmt: skip


def test_the_reading_before_the_night_is_of_the_fill() -> None:
    """A tenth more or less than was filled in is another damper, another gauge or a leak already."""
    fill = {**reading(TARGET_PA), "travel_mm": 0.0}
    for share in (0.8, 1.2):
        (line,) = check_charge(fill, reading(share * TARGET_PA), None, PROFILE)
        assert "one of them is wrong" in line
    assert check_charge(fill, reading(0.95 * TARGET_PA), None, PROFILE) == []


@given(st.floats(0.8e6, 3e6), st.floats(0.0, 0.5), st.floats(0.0, 0.5))
def test_more_loss_is_never_milder(gauge_pa: float, one: float, other: float) -> None:
    """Order of the verdicts follows the loss."""
    order = [HOLDS, UNSURE, LEAKS]
    less, more = sorted((one, other))
    found = [judge_leak(reading(gauge_pa), reading(gauge_pa * (1.0 - lost))).verdict for lost in (less, more)]
    assert order.index(found[0]) <= order.index(found[1])


def test_a_body_that_is_still_hot_tells_nothing() -> None:
    """What the gas's temperature leaves open can be more than what has left."""
    verdict = judge_leak(reading(1.5e6, 90.0, 20.0), reading(1.22e6, 20.0))
    assert verdict.verdict == UNSURE
    assert "let it stand" in verdict.text

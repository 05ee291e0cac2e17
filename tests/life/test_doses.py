"""Doses: worked by hand, linear however a history is cut, and sound whatever a row holds."""

from __future__ import annotations

import csv
import math
from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.exchange import compute_outer_m2
from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.errors import InputError
from dutylog.heat.priors import Cylinder, make_prior
from dutylog.life.doses import compute_doses, compute_events, compute_shares
from dutylog.life.parts import MECHANISMS, PARTS, RULES, parts_of
from dutylog.life.use import Use, compute_ha_w_per_k, estimate_temperatures
from dutylog.units import PA_PER_PSI

REFERENCE = Path(__file__).parents[1] / "data" / "reference"
CURVE = ForceCurve((-1.0, 0.0, 1.0), (-2000.0, 0.0, 1000.0))
PROFILE = Profile("plain", 0.25, 0.022, 0.060, 1.0, 3.0, 4000.0, (ForceAt(0.0, CURVE),), 0.0, 40.0, 120.0)
TWO_PISTONS = replace(PROFILE, charge_pa=150.0 * PA_PER_PSI)
# What adding up in another order does to the last bits.
ADDS_UP = 1e-12


def make_minute(**more: float) -> Use:
    known = {
        "energy_j": 12_000.0,
        "strokes_count": 150.0,
        "sliding_m": 18.0,
        "measured_s": 60.0,
        "moving_s": 60.0,
        "moving_measured_s": 60.0,
        "body_c": 70.0,
        "ambient_c": 25.0,
        "speed_mps": 12.0,
        "distance_m": 720.0,
        "oil_c": 80.0,
    }
    return Use.of(60.0, **{**known, **more})


def totals(use: Use) -> dict[str, float]:
    return {name: math.fsum(dose) for name, dose in compute_doses(PROFILE, use).items()}


amount = st.floats(0.0, 1e6) | st.just(math.nan)
warmth = st.floats(-40.0, 180.0) | st.just(math.nan)
ROW = {
    "duration_s": st.floats(0.0, 3600.0),
    "energy_j": amount,
    "strokes_count": amount,
    "sliding_m": amount,
    "measured_s": st.floats(1e-3, 3600.0) | st.just(math.nan),
    "body_c": warmth,
    "ambient_c": warmth,
    "speed_mps": st.floats(0.0, 50.0) | st.just(math.nan),
    "dirt_factor": st.floats(0.0, 5.0) | st.just(math.nan),
    "distance_m": amount,
    "moving_s": amount,
    "moving_measured_s": st.floats(1e-3, 3600.0) | st.just(math.nan),
    "oil_c": warmth,
    "cool_from_c": warmth,
    "cool_s": st.floats(0.0, 1e6) | st.just(math.nan),
}
assert set(ROW) == {field.name for field in fields(Use)}
histories = st.lists(st.fixed_dictionaries(ROW).map(lambda row: Use.of(**row)), min_size=1, max_size=6).map(Use.concat)
# Fractions so small that what is left of an amount has lost its digits are nobody's cut.
fractions = st.sampled_from([0.0, 1.0]) | st.floats(1e-6, 1.0)


def test_doses_of_a_minute_worked_by_hand():
    """The formulas in words, as numbers: whoever reads them in the document must be able to check them."""
    doses = {name: float(dose[0]) for name, dose in compute_doses(PROFILE, make_minute(dirt_factor=2.0)).items()}
    shaft_m2 = math.pi / 4.0 * 0.022**2
    peak_mps = math.pi / 2.0 * 18.0 / 60.0
    # The curve is straight: 1000 N at 1 m/s in compression, 2000 in rebound, so full force is 6000 N at 3 m/s.
    of_full = [force / 6000.0 for force in (1000.0 * peak_mps, 2000.0 * peak_mps)]
    expected = {
        "abrasion": 36.0,
        "ageing": math.exp(80e3 / 8.31446261815324 * (1 / 333.15 - 1 / 353.15)) / 60.0,
        "shear": 12_000.0,
        "oil_heat": 1.0 / 60.0,
        "sliding": 27.0,
        "joint_work": 1.5 * (12_000.0 / shaft_m2 + 200.0 * PA_PER_PSI * 18.0),
        "piston_sliding": 18.0 * (22.0 / 60.0) ** 2,
        "force_cycles": 75.0 * (of_full[0] ** 5 + of_full[1] ** 5),
    }
    assert set(doses) == set(MECHANISMS) == set(expected)
    assert doses == pytest.approx(expected, rel=1e-12)


def test_charge_presses_seal_and_joints():
    """A known charge of 150 instead of 200 psi wears the seal a quarter less; a twin tube's joints carry no gas."""
    usual, known = compute_doses(PROFILE, make_minute()), compute_doses(TWO_PISTONS, make_minute())
    assert float(known["abrasion"][0]) == pytest.approx(0.75 * float(usual["abrasion"][0]), rel=1e-12)
    assert float(usual["joint_work"][0] - known["joint_work"][0]) == pytest.approx(50.0 * PA_PER_PSI * 18.0, rel=1e-9)
    twin = compute_doses(replace(PROFILE, construction="twin_tube"), make_minute())
    assert float(usual["joint_work"][0] - twin["joint_work"][0]) == pytest.approx(200.0 * PA_PER_PSI * 18.0, rel=1e-9)


def test_clean_roads_wear_what_dirt_wears_less():
    """A paved road hardly moves the shaft, 4 mm a metre and less; from 7 on it is dusty, and where none is known."""
    slides_m = 720.0 * np.array([0.002, 0.004, 0.0055, 0.007, 0.02, 0.002, 0.002])
    told = np.array([np.nan, 1.0, 1.0, 1.0, 1.0, 2.0, np.nan])
    distance_m = np.array([720.0] * 6 + [np.nan])
    use = Use.concat(
        [
            make_minute(sliding_m=slide_m, dirt_factor=dirt, distance_m=distance)
            for slide_m, dirt, distance in zip(slides_m, told, distance_m, strict=True)
        ]
    )
    doses = compute_doses(PROFILE, use)
    assert doses["abrasion"] / slides_m == pytest.approx([0.3, 0.3, 0.65, 1.0, 1.0, 2.0, 1.0], rel=1e-9)
    assert doses["sliding"] / slides_m == pytest.approx([0.65, 0.65, 0.825, 1.0, 1.0, 1.5, 1.0], rel=1e-9)


def test_oil_counts_between_its_limits_only():
    """Below 40 degC nothing, above 130 as at 130: beyond its range the rule of ten degrees isn't believed."""
    temps_c = np.array([39.9, 40.0, 90.0, 130.0, 160.0])
    use = Use.concat([make_minute(oil_c=temp_c) for temp_c in temps_c])
    hours = compute_doses(PROFILE, use)["oil_heat"] * 60.0
    assert hours == pytest.approx([0.0, 2.0**-4, 2.0, 2.0**5, 2.0**5], rel=1e-12)


def test_hot_minutes_are_told_with_the_cool_down():
    """A seal above its limit for minutes is an event; the stop after it, in which it is still hot, belongs to it."""
    use = Use.concat(
        [make_minute(oil_c=125.0), make_minute(oil_c=135.0), make_minute(oil_c=135.0, cool_from_c=135.0, cool_s=9e3)]
    )
    events = compute_events(PROFILE, use)
    tau_s = 4000.0 / (15.0 * compute_outer_m2(PROFILE))
    above = [tau_s * math.log(110.0 / (level - 25.0)) for level in (120.0, 130.0)]
    assert events.hot_seal_s == pytest.approx([60.0, 60.0, 60.0 + above[0]], rel=1e-9)
    assert events.hot_oil_s == pytest.approx([0.0, 60.0, 60.0 + above[1]], rel=1e-9)


@given(histories, st.data())
def test_doses_add_up_wherever_a_history_is_cut(use, data):
    """A service falls anywhere into a minute: what was before and after it must be all there was."""
    row, fraction = data.draw(st.integers(0, len(use) - 1)), data.draw(fractions)
    before, after = use.cut(row, fraction)
    assert len(before) + len(after) == len(use) + 1
    whole, first, second = totals(use), totals(before), totals(after)
    for name, dose in whole.items():
        assert first[name] + second[name] == pytest.approx(dose, rel=ADDS_UP, abs=1e-300), name


@given(histories, st.permutations(range(6)))
def test_doses_do_not_care_for_the_order_of_rows(use, order):
    """Rows may come late; each row's dose is its own."""
    rows = np.array([row for row in order if row < len(use)], dtype=np.intp)
    mixed, plain = compute_doses(PROFILE, use.take(rows)), compute_doses(PROFILE, use)
    for name, dose in plain.items():
        assert np.array_equal(mixed[name], dose[rows]), name


@given(histories, histories)
def test_doses_of_two_histories_are_those_of_both_together(first, second):
    """A damper that moved to another vehicle has one life."""
    both = totals(Use.concat([first, second]))
    for name, dose in both.items():
        assert totals(first)[name] + totals(second)[name] == pytest.approx(dose, rel=ADDS_UP, abs=1e-300), name


@given(histories, st.permutations(PARTS))
def test_shares_are_each_parts_own_and_add_up(use, order):
    """What one part has used doesn't depend on which others are looked at, and half a dose is half a share."""
    doses = compute_doses(PROFILE, use)
    halves = {name: 0.5 * dose for name, dose in doses.items()}
    found = {part.key: compute_shares(part, doses) for part in order}
    for part in PARTS:
        assert found[part.key] == pytest.approx(2.0 * compute_shares(part, halves), rel=ADDS_UP)
        assert bool((found[part.key] > 0.0).any()) <= bool(part.weights)


HOSTILE = st.sampled_from([math.nan, math.inf, -math.inf, -1.0, 0.0, 5e-324, 1e-300, 1.0, 273.15, -273.15, 1e15, 1e308])


@given(st.lists(st.fixed_dictionaries(dict.fromkeys(ROW, HOSTILE)), min_size=1, max_size=4))
def test_hostile_rows_give_finite_doses_from_zero(rows):
    """One bad row must not make a life unknown for ever: no NaN, nothing infinite, nothing negative."""
    use = Use.concat([Use.of(**row) for row in rows])
    for profile in (PROFILE, TWO_PISTONS):
        events = compute_events(profile, use)
        for name, dose in {**compute_doses(profile, use), "seal": events.hot_seal_s, "oil": events.hot_oil_s}.items():
            assert np.isfinite(dose).all(), name
            assert (dose >= 0.0).all(), name


def test_rows_of_nothing_and_no_rows():
    """A damper that was never driven has doses of no rows; a row of no length has none."""
    assert all(dose.shape == (0,) for dose in compute_doses(PROFILE, Use.concat([])).values())
    assert all(float(dose[0]) == 0.0 for dose in compute_doses(PROFILE, Use.of(0.0)).values())
    with pytest.raises(InputError, match="no columns sliding_mm"):
        Use.of(1.0, sliding_mm=3.0)
    for row, fraction in ((1, 0.5), (-1, 0.5), (0, 1.5), (0, math.nan)):
        with pytest.raises(InputError, match="cut of row"):
            make_minute().cut(row, fraction)


def test_cool_down_stays_with_the_end_of_its_row():
    """A stop follows the minute: a service within that minute comes before it."""
    use = make_minute(cool_from_c=100.0, cool_s=4000.0)
    before, after = use.cut(0, 0.25)
    driven = float(compute_doses(PROFILE, make_minute())["ageing"][0])
    assert float(compute_doses(PROFILE, before)["ageing"][0]) == pytest.approx(0.25 * driven, rel=1e-12)
    assert float(compute_doses(PROFILE, after)["ageing"][0]) > driven


def test_unknown_temperatures_are_estimated_from_power():
    """Two nodes at their plateau: 200 W through hA into 25 degC of air, and through G from the oil into the body."""
    use = make_minute(body_c=math.nan, ambient_c=math.nan, oil_c=math.nan)
    found = estimate_temperatures(PROFILE, use)
    body_c = 25.0 + 200.0 / float(compute_ha_w_per_k(PROFILE, np.array([12.0]))[0])
    laws = make_prior(PROFILE)
    oil_c = body_c + 200.0 / laws.g_w_per_k(math.sqrt(math.pi / 2.0) * 18.0 / 60.0)
    assert float(found.ambient_c[0]) == 25.0
    assert float(found.body_c[0]) == pytest.approx(body_c, rel=1e-12)
    assert float(found.oil_c[0]) == pytest.approx(oil_c, rel=1e-12)
    known = estimate_temperatures(PROFILE, make_minute())
    assert (float(known.body_c[0]), float(known.oil_c[0])) == (70.0, 80.0)
    # Without a speed the distance tells it; without both the air is as fast as usual.
    slow = replace(use, speed_mps=np.array([math.nan]))
    assert float(estimate_temperatures(PROFILE, slow).body_c[0]) == pytest.approx(body_c, rel=1e-12)
    unknown = estimate_temperatures(PROFILE, replace(slow, distance_m=np.array([math.nan])))
    usual_c = 25.0 + 200.0 / float(compute_ha_w_per_k(PROFILE, np.array([10.0]))[0])
    assert float(unknown.body_c[0]) == pytest.approx(usual_c, rel=1e-12)
    # A minute of great power doesn't reach its plateau.
    hard = estimate_temperatures(PROFILE, replace(use, energy_j=np.array([1e6])))
    assert (float(hard.body_c[0]), float(hard.oil_c[0])) == (120.0, 120.0)


def test_heat_into_the_air_is_near_the_published_correlations():
    """Two figures stand for the correlations: 32 % off at worst, in still air; their doubt is a factor 3."""
    lines = (REFERENCE / "03_convection_cylinder.csv").read_text().splitlines()
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    assert len(rows) == 60
    for row in rows:
        by_area = (
            RULES.value("ha_rest_w_per_m2_k") + RULES.value("ha_move_w_per_m2_k") * float(row["air_speed_mps"]) ** 0.8
        )
        assert by_area == pytest.approx(float(row["h_total_e0p9"]), rel=0.35), row
    for bore_m in (0.035, 0.050, 0.076):
        profile = replace(PROFILE, bore_diameter_m=bore_m)
        assert compute_outer_m2(profile) == pytest.approx(Cylinder.of(profile).area_m2, rel=1e-12)
        laws = make_prior(profile)
        speeds = np.array([0.0, 5.0, 15.0, 30.0])
        ours = compute_ha_w_per_k(profile, speeds)
        assert ours == pytest.approx([laws.ha_w_per_k(speed) for speed in speeds], rel=0.15)


@pytest.mark.parametrize(
    ("change", "keys"),
    [
        ({}, "shaft_seal oil wear_band joints piston_seal charge structure"),
        (
            {"construction": "bladder", "reservoir": "hose"},
            "shaft_seal oil wear_band joints bladder charge hose structure",
        ),
        ({"construction": "emulsion"}, "shaft_seal oil wear_band joints charge structure"),
        ({"construction": "twin_tube"}, "shaft_seal oil wear_band joints structure"),
    ],
)
def test_a_damper_has_the_parts_of_its_construction(change, keys):
    """Nobody is told to replace a seal that isn't there."""
    assert {part.key for part in parts_of(replace(PROFILE, **change))} == set(keys.split())


def test_words_follow_the_profile():
    """People look for bushings where there are bushings, and can't replace a seal of a closed damper."""
    closed = {part.key: part for part in parts_of(replace(PROFILE, joints="bushing", is_rebuildable=False))}
    assert closed["joints"].name == "bushings"
    assert {part.reset_by for part in closed.values()} == {"a replacement of the damper"}
    assert {part.key: part for part in parts_of(PROFILE)}["joints"].name == "rod ends"


def test_every_coefficient_has_a_source_and_every_part_weights_that_add_up():
    """No source, no merge; and weights that don't add up would move the meaning of a budget."""
    stated = ("judgement", "common practice", "fit to", "ISO ", "DIN ")
    for one in [*RULES.coefficients, *(part.calendar_years for part in PARTS)]:
        assert one.source.startswith(stated), one
    for part in PARTS:
        assert set(dict(part.weights)) <= set(MECHANISMS)
        assert not part.weights or math.fsum(dict(part.weights).values()) == pytest.approx(1.0, abs=1e-12)
    for mechanism in MECHANISMS.values():
        for one in mechanism.coefficients:
            assert one in RULES.coefficients
            by_reference = ("clean_ratio", "paved_m_per_m", "dusty_m_per_m", "air_c", "unknown_speed_mps", "ha_")
            assert one.key in mechanism.formula or one.key.startswith(by_reference), one


def test_a_coefficient_that_is_not_there_is_named():
    with pytest.raises(InputError, match="no coefficient 'wax'"):
        RULES.value("wax")

"""Ageing by heat and damage by load, against values that others worked out."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from dutylog.life.ageing import (
    compute_arrhenius,
    compute_damage,
    compute_ten_degree,
    compute_time_above_s,
    integrate_arrhenius_fall_s,
    integrate_ten_degree_fall_s,
)

REFERENCE = Path(__file__).parents[1] / "data" / "reference"
ENERGIES = {
    "af_arrhenius_50kJ": 50e3,
    "af_arrhenius_60kJ": 60e3,
    "af_arrhenius_80kJ": 80e3,
    "af_arrhenius_100kJ": 100e3,
}
AGEING = json.loads((REFERENCE / "07_equivalent_ageing_time.json").read_text())["cases"]
MINER = {case["name"]: case for case in json.loads((REFERENCE / "09_miner.json").read_text())["cases"]}


def read_factors() -> list[dict[str, float]]:
    lines = (REFERENCE / "07_acceleration_factors.csv").read_text().splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return [{key: float(text) for key, text in row.items()} for row in rows]


def fall_by_steps(rate, from_c, air_c, tau_s, fall_s, steps=400_000):
    """Return the integral of a rate over a cool-down by many small steps: slow and plain."""
    middles_s = (np.arange(steps) + 0.5) * fall_s / steps
    return float(rate(air_c + (from_c - air_c) * np.exp(-middles_s / tau_s)).sum() * fall_s / steps)


def test_factors_are_those_of_the_reference():
    """Every used share of a seal rests on this factor; tolerance 1e-6 relative as the reference suggests."""
    rows = read_factors()
    assert len(rows) == 24
    for row in rows:
        for column, energy in ENERGIES.items():
            ours = compute_arrhenius(row["temp_c"], energy, row["t_ref_c"])
            assert float(ours) == pytest.approx(row[column], rel=1e-6), (column, row)
        assert float(compute_ten_degree(row["temp_c"], row["t_ref_c"])) == pytest.approx(
            row["af_doubling_per_10c"], rel=1e-6
        )


@pytest.mark.parametrize("case", AGEING, ids=lambda case: f"{case['ea_kj_mol']}kJ-{case['segments'][0][0]}")
def test_holds_and_ramps_age_as_in_the_reference(case):
    """A day is holds and ramps; 60 000 steps a ramp leave 1e-8, so the reference's six digits must come out."""
    arrhenius = doubling = 0.0
    for kind, *ends, minutes in case["segments"]:
        temps_c = (
            np.array(ends) if kind == "hold" else ends[0] + (ends[1] - ends[0]) * (np.arange(60_000) + 0.5) / 60_000
        )
        arrhenius += minutes * float(compute_arrhenius(temps_c, 1e3 * case["ea_kj_mol"], case["t_ref_c"]).mean())
        doubling += minutes * float(compute_ten_degree(temps_c, case["t_ref_c"]).mean())
    assert arrhenius == pytest.approx(case["equivalent_min_at_ref"], rel=1e-6)
    assert doubling == pytest.approx(case["equivalent_min_doubling_rule"], rel=1e-6)


@pytest.mark.parametrize("energy", [50e3, 80e3, 160e3])
@pytest.mark.parametrize(("from_c", "air_c"), [(120.0, 25.0), (160.0, -40.0), (70.0, 45.0), (10.0, 30.0), (25.0, 25.0)])
@pytest.mark.parametrize("fall_s", [0.0, 60.0, 3_000.0, 40_000.0])
def test_cooling_down_ages_as_many_small_steps_do(energy, from_c, air_c, fall_s):
    """A damper parked hot goes on ageing; the integral must not depend on how hot or for how long."""
    ours = integrate_arrhenius_fall_s(np.array([from_c]), np.array([air_c]), 1_500.0, np.array([fall_s]), energy, 60.0)
    slow = fall_by_steps(lambda c: compute_arrhenius(c, energy, 60.0), from_c, air_c, 1_500.0, fall_s)
    # The steps themselves leave 2e-8 of the longest fall.
    assert float(ours[0]) == pytest.approx(slow, rel=1e-7)


@pytest.mark.parametrize(
    ("from_c", "air_c"),
    [(120.0, 25.0), (160.0, 25.0), (160.0, 45.0), (39.0, 20.0), (150.0, 135.0), (20.0, 60.0), (41.0, 41.0)],
)
@pytest.mark.parametrize("fall_s", [0.0, 60.0, 3_000.0, 40_000.0])
def test_oil_that_cools_down_enters_and_leaves_its_band(from_c, air_c, fall_s):
    """Where hours begin and end to count the rate jumps; a rule that steps over the jump is off by a percent."""

    def rate(temp_c):
        return np.where(temp_c >= 40.0, compute_ten_degree(np.minimum(temp_c, 130.0), 80.0), 0.0)

    ours = integrate_ten_degree_fall_s(
        np.array([from_c]), np.array([air_c]), 1_500.0, np.array([fall_s]), 80.0, (40.0, 130.0)
    )
    slow = fall_by_steps(rate, from_c, air_c, 1_500.0, fall_s)
    # A jump falls into one of 400 000 steps: fall / 400 000 s x 1/16, of results of 4 s and more.
    assert float(ours[0]) == pytest.approx(slow, rel=1e-6, abs=fall_s / 400_000 / 16)


def test_a_cool_down_may_be_told_in_pieces():
    """Where one row's stop is written as two, ages must add up."""
    air, tau_s = np.array([25.0]), 1_200.0
    middle_c = 25.0 + 90.0 * np.exp(-700.0 / tau_s)
    for integrate, more in (
        (integrate_arrhenius_fall_s, (80e3, 60.0)),
        (integrate_ten_degree_fall_s, (80.0, (40.0, 130.0))),
    ):
        whole = integrate(np.array([115.0]), air, tau_s, np.array([5_000.0]), *more)
        first = integrate(np.array([115.0]), air, tau_s, np.array([700.0]), *more)
        second = integrate(np.array([middle_c]), air, tau_s, np.array([4_300.0]), *more)
        assert float((first + second)[0]) == pytest.approx(float(whole[0]), rel=1e-8)


def test_time_above_a_level_while_cooling_down():
    """From 120 at 20 degC it takes tau ln(100 / 60) to 80: closed form."""
    from_c, air_c = np.array([120.0, 120.0, 70.0]), np.full(3, 20.0)
    found = compute_time_above_s(from_c, air_c, 1_000.0, np.array([9_000.0, 100.0, 9_000.0]), 80.0)
    assert found == pytest.approx([1_000.0 * np.log(100.0 / 60.0), 100.0, 0.0], rel=1e-12)


@pytest.mark.parametrize("name", ["elementary", "stroke_wear_linear_m1", "astm_counts_m5"])
def test_damage_adds_up_as_in_the_reference(name):
    """Hand arithmetic and the counts of the standard's example, row by row and in sum, to 1e-9."""
    case = MINER[name]
    stress, counts, _, damage = (np.array(column) for column in zip(*case["rows_S_n_N_damage"], strict=True))
    ours = compute_damage(stress, counts, case["m"], case["C"])
    assert ours == pytest.approx(damage, rel=1e-9)
    assert float(ours.sum()) == pytest.approx(case["damage_sum"], rel=1e-9)

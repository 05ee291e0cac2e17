"""Nitrogen as a real gas and the standard atmosphere, against published equations of state."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.nitrogen import (
    ALTITUDES_M,
    GAS_CONSTANT,
    compute_atmosphere_pa,
    compute_density,
    compute_pressure_pa,
    estimate_gas_c,
    move_charge_pa,
)
from dutylog.units import ZERO_C_IN_K, gauge_psi_to_pa_abs

REFERENCE = Path(__file__).parents[1] / "data" / "reference"
WITHIN = 0.001
"""Five times better than asked for (0.5 %); found: 0.033 % by temperature, 0.016 % by travel."""
TABLES = json.loads((REFERENCE / "02_units_and_atmosphere.json").read_text(encoding="utf-8"))


def rows(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_pressure_by_temperature_is_that_of_the_equation_of_state() -> None:
    """Constant volume, -20 to 120 degC; the equation within 0.1 %, the ideal gas off by up to ten times that."""
    table = rows("02_n2_pressure_vs_temperature.csv")
    worst = ideal = 0.0
    for row in table:
        filled_pa = gauge_psi_to_pa_abs(float(row["fill_psi_gauge"]), float(row["atm_at_fill_kpa"]) * 1e3)
        found_pa = move_charge_pa(filled_pa, float(row["fill_temp_c"]), float(row["temp_c"]))
        real_pa = float(row["p_abs_real_kpa"]) * 1e3
        worst = max(worst, abs(found_pa / real_pa - 1))
        ideal = max(ideal, abs(float(row["p_abs_ideal_kpa"]) * 1e3 / real_pa - 1))
    assert len(table) > 40
    assert worst < WITHIN
    assert ideal > 5 * WITHIN


def test_compressibility_is_that_of_the_tables() -> None:
    """The second witness of the equation: Z at three pressures and temperatures."""
    for text, factor in TABLES["compressibility_factor_Z_n2"].items():
        psi, celsius = float(text.split()[0]), float(text.split()[3])
        pressure_pa, kelvin = gauge_psi_to_pa_abs(psi), celsius + ZERO_C_IN_K
        found = pressure_pa / (compute_density(pressure_pa, kelvin) * GAS_CONSTANT * kelvin)
        assert found == pytest.approx(factor, abs=WITHIN)


@given(st.floats(1e5, 6e6), st.floats(210.0, 480.0))
def test_density_and_pressure_undo_each_other(pressure_pa: float, kelvin: float) -> None:
    """Newton's method must end at the root wherever a person may type a figure."""
    assert compute_pressure_pa(compute_density(pressure_pa, kelvin), kelvin) == pytest.approx(pressure_pa, rel=1e-9)


@given(st.floats(2e5, 5e6), st.floats(-50.0, 150.0), st.floats(0.5, 2.0))
def test_a_charge_moved_there_and_back_is_the_same(pressure_pa: float, to_c: float, room_ratio: float) -> None:
    """Equivalent and expectation are each other's inverse only if this holds."""
    there_pa = move_charge_pa(pressure_pa, 20.0, to_c, room_ratio)
    assert move_charge_pa(there_pa, to_c, 20.0, 1.0 / room_ratio) == pytest.approx(pressure_pa, rel=1e-9)


def test_atmosphere_is_the_standard_one() -> None:
    """A gauge filled at the coast reads 3 psi more at 2000 m.

    1e-6: the tables' exponent is rounded to seven digits (4e-8 at 500 m, 2e-7 at 2000 m); the other table is of
    geometric altitude, 1e-4 apart by itself.
    """
    table = TABLES["isa_kpa_by_geopotential_m"]
    assert len(table) == 5
    for altitude, kpa in table.items():
        assert compute_atmosphere_pa(float(altitude)) == pytest.approx(kpa * 1e3, rel=1e-6)
    for altitude, kpa in TABLES["atm1976_kpa_by_geometric_m"].items():
        assert compute_atmosphere_pa(float(altitude)) == pytest.approx(kpa * 1e3, rel=1e-4)


def test_atmosphere_falls_all_the_way_up() -> None:
    """No altitude that may be typed gives a figure that can't be."""
    low_m, high_m = ALTITUDES_M
    assert 47_000 < compute_atmosphere_pa(high_m) < 101_325 < compute_atmosphere_pa(low_m) < 107_000


def test_gas_lies_between_air_and_body() -> None:
    """The worse the body says how warm the gas is, the larger the doubt."""
    gas_c, sd_k = estimate_gas_c(80.0, 20.0)
    assert (gas_c, sd_k) == (pytest.approx(62.0), pytest.approx((1.0 + 12.0**2) ** 0.5))
    assert estimate_gas_c(21.0, 20.0)[1] < 1.1
    assert estimate_gas_c(60.0, None) == (60.0, 15.0)

"""Equivalent of a charge at 20 degC and full extension, against published equations of state of nitrogen."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest

from dutylog.domain.gas import OIL_EXPANSION_PER_K, OIL_KG_PER_M3, compute_room_m3
from dutylog.domain.nitrogen import compute_density, compute_pressure_pa
from dutylog.errors import InputError
from dutylog.heat.charge import CAUTION, GasReading, compute_equivalent
from dutylog.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA
from heat.charge_world import BARE, PROFILE

REFERENCE = Path(__file__).parents[1] / "data" / "reference"
WITHIN = 0.001
"""Five times better than asked for (0.5 %); found: 0.033 % by temperature, 0.016 % by travel."""


def rows(name):
    with (REFERENCE / name).open(encoding="utf-8") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def test_equivalent_by_travel_is_that_of_the_equation_of_state():
    """Isothermal: what is read at each travel goes back to the charge at full extension."""
    table = [row for row in rows("02_n2_pressure_vs_shaft.csv") if row["temp_c"] == "20"]
    assert len(table) > 20
    for row in table:
        volume_m3 = float(row["gas_volume_extended_ml"]) * 1e-6
        one = replace(PROFILE, shaft_diameter_m=float(row["shaft_dia_mm"]) * 1e-3, gas_volume_m3=volume_m3)
        read_pa = float(row["p_abs_isothermal_real_kpa"]) * 1e3 - STANDARD_ATMOSPHERE_PA
        found = compute_equivalent(one, GasReading(read_pa, 20.0, 0.0, 20.0, float(row["shaft_inserted_mm"]) * 1e-3))
        charged_pa = float(row["fill_psi_gauge"]) * PA_PER_PSI + STANDARD_ATMOSPHERE_PA
        assert found.gauge_pa + STANDARD_ATMOSPHERE_PA == pytest.approx(charged_pa, rel=WITHIN)
        assert found.is_by_travel


def test_gauge_pressure_is_never_scaled_by_itself():
    """The mistake of the trade: gauge times T/T0 reads 239.6 psi at 80 degC as less than the 200 psi it is."""
    row = next(r for r in rows("02_n2_pressure_vs_temperature.csv") if r["case"] == "sea_200" and r["temp_c"] == "80")
    found = compute_equivalent(BARE, GasReading(float(row["p_gauge_real_kpa"]) * 1e3, 80.0, 0.0, 80.0, None))
    assert found.gauge_pa / PA_PER_PSI == pytest.approx(200.0, rel=WITHIN)
    wrong_psi = float(row["p_gauge_real_psi"]) * 293.15 / 353.15
    assert abs(wrong_psi - 200.0) > 2.0


def test_warm_oil_takes_room_from_the_gas():
    """0.9 kg of oil 60 K warmer grows by 43 ml: the room of the closed form, and the equivalent by it."""
    room_m3 = compute_room_m3(PROFILE, 0.1, 80.0)
    growth_m3 = 0.9 / OIL_KG_PER_M3 * OIL_EXPANSION_PER_K * 60.0
    assert room_m3 == pytest.approx(250e-6 - PROFILE.shaft_area_m2 * 0.1 - growth_m3, rel=1e-12)
    assert growth_m3 == pytest.approx(43.4e-6, rel=0.01)
    density = compute_density(200 * PA_PER_PSI + STANDARD_ATMOSPHERE_PA, 293.15) * 250e-6 / room_m3
    read_pa = compute_pressure_pa(density, 353.15) - STANDARD_ATMOSPHERE_PA
    found = compute_equivalent(PROFILE, GasReading(read_pa, 80.0, 0.0, 80.0, 0.1))
    assert found.gauge_pa == pytest.approx(200 * PA_PER_PSI, rel=1e-9)


def test_without_a_volume_temperature_alone_is_corrected_and_it_says_so():
    reading = GasReading(1.4e6, 50.0, 5.0, 50.0, 0.1)
    bare, full = compute_equivalent(BARE, reading), compute_equivalent(PROFILE, reading)
    assert not bare.is_by_travel
    assert full.gauge_pa < bare.gauge_pa


def test_doubt_of_the_temperature_is_doubt_of_the_charge():
    """10 K of 323 K are 3.1 %, beside the sender's 0.5 % (and nothing by room, where none is known)."""
    found = compute_equivalent(BARE, GasReading(1.4e6, 50.0, 10.0, 50.0, None))
    absolute_pa = found.gauge_pa + STANDARD_ATMOSPHERE_PA
    assert found.sd_pa / absolute_pa == pytest.approx(math.hypot(10.0 / 323.15, 0.005), rel=1e-9)


@pytest.mark.parametrize(
    "values", [(math.nan, 20, 1, 20, None), (-2e5, 20, 1, 20, None), (1e6, -300, 1, 20, None), (1e6, 20, -1, 20, 0.1)]
)
def test_what_cant_be_is_refused(values):
    with pytest.raises(InputError):
        GasReading(*values)


def test_the_caution_names_who_may_work_on_charged_gas():
    for words in ("charged gas", "qualified technician", "maker's manual", "dry nitrogen only"):
        assert words in CAUTION

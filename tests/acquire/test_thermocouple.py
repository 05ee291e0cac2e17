"""Thermocouples against the published functions: every row of the reference tables."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.acquire.thermocouple import KINDS, compute_emf_mv, compute_hot_c, compute_temperature_c, range_c
from dutylog.errors import InputError

REFERENCE = Path(__file__).parents[1] / "data" / "reference"


def rows_of(name: str) -> list[dict[str, str]]:
    lines = (REFERENCE / name).read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


EMF = rows_of("01_thermocouple_emf.csv")
COLD = rows_of("01_thermocouple_cold_junction.csv")


def test_tables_hold_what_the_tests_below_rely_on() -> None:
    """A table that lost its rows would let everything pass."""
    assert len(EMF) == 181
    assert len(COLD) == 72
    assert {row["type"] for row in EMF} == {"K", "T", "J", "N", "E"} == set(KINDS)


@pytest.mark.parametrize("row", EMF, ids=lambda row: f"{row['type']} {row['temp_c']}")
def test_voltage_and_temperature_agree_with_every_row(row: dict[str, str]) -> None:
    """The table has ten digits: 1e-8 mV is its rounding, 1e-6 K what that is in kelvin."""
    kind, at_c, emf_mv = row["type"], float(row["temp_c"]), float(row["emf_mv"])
    assert float(compute_emf_mv(kind, at_c)) == pytest.approx(emf_mv, abs=1e-8)
    assert float(compute_temperature_c(kind, emf_mv)) == pytest.approx(at_c, abs=1e-6)
    assert float(compute_temperature_c(kind, float(row["emf_mv_3dp"]))) == pytest.approx(at_c, abs=0.02)


@pytest.mark.parametrize("row", COLD, ids=lambda row: f"{row['type']} {row['hot_c']} {row['cold_c']}")
def test_cold_end_is_compensated_in_every_row(row: dict[str, str]) -> None:
    """Three decimals of a millivolt are 0.02 K of a type N; from all digits it is exact."""
    kind, hot_c, cold_c = row["type"], float(row["hot_c"]), float(row["cold_c"])
    assert float(compute_hot_c(kind, float(row["measured_emf_mv"]), cold_c)) == pytest.approx(hot_c, abs=1e-6)
    from_printed_c = float(compute_hot_c(kind, float(row["measured_emf_mv_3dp"]), cold_c))
    assert from_printed_c == pytest.approx(float(row["temp_from_3dp_emf_c"]), abs=1e-6)
    wrong_by_k = float(compute_hot_c(kind, float(row["measured_emf_mv"]), cold_c + 1)) - hot_c
    assert wrong_by_k == pytest.approx(float(row["dThot_for_plus1C_cold_error"]), abs=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_voltage_rises_with_temperature(kind: str) -> None:
    """The way back by halving needs it, and a jump where two pieces meet would show here too."""
    low_c, high_c = range_c(kind)
    steps_mv = np.diff(compute_emf_mv(kind, np.linspace(low_c, high_c, 20001)))
    assert steps_mv.min() > 0
    assert steps_mv.max() < 0.1 * (high_c - low_c) / 20000
    # No type of these five gives more than 0.09 mV/K (NIST Monograph 175), so 0.1 leaves no room for a jump.


@given(kind=st.sampled_from(KINDS), share=st.floats(0, 1))
def test_there_and_back_is_the_same_temperature(kind: str, share: float) -> None:
    """Over the whole range, beyond the reference table too; 2e-10 K was measured, 1e-6 is what matters to nobody."""
    low_c, high_c = range_c(kind)
    at_c = low_c + share * (high_c - low_c)
    assert float(compute_temperature_c(kind, compute_emf_mv(kind, at_c))) == pytest.approx(at_c, abs=1e-6)


@pytest.mark.parametrize("kind", KINDS)
def test_what_lies_outside_the_range_is_no_number(kind: str) -> None:
    """A guess beyond the functions would look like a measurement."""
    low_c, high_c = range_c(kind)
    assert np.isnan(compute_emf_mv(kind, [low_c - 0.01, high_c + 0.01, np.nan, np.inf])).all()
    ends_mv = compute_emf_mv(kind, [low_c, high_c])
    assert np.isfinite(ends_mv).all()
    assert np.isnan(compute_temperature_c(kind, [ends_mv[0] - 0.01, ends_mv[1] + 0.01, np.nan])).all()
    assert np.isnan(compute_hot_c(kind, 1.0, [np.nan, high_c + 1])).all()


def test_other_letters_and_shapes_are_refused() -> None:
    """They are the caller's mistakes, not readings."""
    with pytest.raises(InputError, match="thermocouple type 'B', known are K, T, J, N, E"):
        compute_emf_mv("B", 20.0)
    with pytest.raises(InputError, match="don't fit"):
        compute_hot_c("K", [1.0, 2.0], [1.0, 2.0, 3.0])


def test_shape_is_kept() -> None:
    """Rows of eight thermocouples come as they went in."""
    assert compute_temperature_c("K", np.zeros((3, 8))).shape == (3, 8)
    assert compute_hot_c("K", np.zeros((3, 1)), np.zeros(8)).shape == (3, 8)

"""A gauge in psi and one in bar at the same bench: the entry holds one thing, and a slip of the unit is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.bench.findings import Measure
from dutylog.errors import InputError
from dutylog.web.bench.measure_units import measure_text, parse_measure, units_of

GAUGE = Measure("gauge_pa", "gauge", "pressure_pa", "", 0.0, 4e6)
BODY = Measure("body_c", "body", "temperature_c", "", -40.0, 150.0)
RUNOUT = Measure("runout_mm", "runout", "", "mm", 0.0, 5.0)
COUNT = Measure("turns", "turns of play", "", "", 0.0, 10.0)
OIL = Measure("wet", "after 50 strokes", "", "", 0.0, 2.0, "more", ((0.0, "dry"), (1.0, "a dry film"), (2.0, "wet")))
ALL = (GAUGE, BODY, RUNOUT, COUNT, OIL)


@pytest.mark.parametrize(
    ("measure", "text", "unit", "held"),
    [
        (GAUGE, "14", "bar", 1.4e6),
        (GAUGE, "200", "psi", 1_378_951.4586),
        (GAUGE, "13,8", "", 1.38e6),
        (BODY, "68", "degF", 20.0),
        (BODY, "-4", "degF", -20.0),
        (BODY, "\u221220", "degC", -20.0),
        (RUNOUT, "0.1", "in", 2.54),
        (RUNOUT, " 0.05 ", "mm", 0.05),
        (COUNT, "3", "plain", 3.0),
        (OIL, "2", "", 2.0),
    ],
)
def test_a_figure_is_held_in_one_unit(measure: Measure, text: str, unit: str, held: float) -> None:
    """Whatever the gauge is marked in. 1 psi = 6894.757293 Pa, by definition."""
    assert parse_measure(measure, text, unit) == pytest.approx(held, rel=1e-9)


def test_nothing_typed_is_nothing_known() -> None:
    """An empty field is no zero."""
    assert parse_measure(GAUGE, "  ", "bar") is None
    assert measure_text(GAUGE, None) == "–"


@pytest.mark.parametrize(
    ("measure", "text", "unit", "line"),
    [
        (GAUGE, "200", "bar", "gauge: 200 bar, expected 0 to 40 bar"),
        (GAUGE, "700", "psi", "gauge: 700 psi, expected 0 to 580.2 psi"),
        (GAUGE, "14", "mm", "gauge: unit 'mm' is none of bar, psi"),
        (BODY, "hot", "degC", "body: 'hot' is no number; write it as 1.5"),
        (BODY, "nan", "degC", "body: 'nan' is no number; write it as 1.5"),
        (BODY, "9" * 400, "degC", f"body: '{'9' * 39} is no number; write it as 1.5"),
        (RUNOUT, "1e999", "mm", "runout: '1e999' is no number; write it as 1.5"),
        (OIL, "1.5", "", "after 50 strokes: '1.5' is none of dry, a dry film, wet"),
        (RUNOUT, "0.5", "in", "runout: 0.5 in, expected 0 to 0.1969 in"),
    ],
)
def test_what_cannot_be_is_refused_in_its_own_unit(measure: Measure, text: str, unit: str, line: str) -> None:
    """A slip between bar and psi is found where it is made, said in the unit that was typed."""
    with pytest.raises(InputError) as caught:
        parse_measure(measure, text, unit)
    assert str(caught.value) == line


@given(st.sampled_from(ALL), st.text(max_size=30), st.text(max_size=8))
def test_any_text_is_a_figure_or_one_line(measure: Measure, text: str, unit: str) -> None:
    """Whatever is sent ends in a number within its limits, in nothing, or in one line."""
    try:
        held = parse_measure(measure, text, unit)
    except InputError as err:
        said = str(err)
    else:
        said = ""
        assert held is None or measure.least <= held <= measure.most
    assert "\n" not in said


@given(st.sampled_from(ALL[:-1]), st.floats(0.0, 1.0))
def test_typed_and_held_are_each_others_way_back(measure: Measure, share: float) -> None:
    """A figure that is shown again in its field must be the one that was typed."""
    held = measure.least + share * (measure.most - measure.least)
    for unit in units_of(measure):
        assert math.isclose(unit.to_held(unit.to_typed(held)), held, rel_tol=1e-12, abs_tol=1e-9)


def test_lengths_are_said_in_both_units() -> None:
    """A page can't turn a plain figure over, so it says both."""
    assert measure_text(RUNOUT, 2.54) == "2.54 mm (0.1 in)"
    assert measure_text(GAUGE, 1.4e6) == "14.0\u00a0bar"
    assert measure_text(COUNT, 3.0) == "3"
    assert measure_text(OIL, 1.0) == "a dry film"

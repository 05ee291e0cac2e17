"""[import.columns]: what is taken, what is refused, and conversions to the last bit."""

# ruff: noqa: E501  # one row for each mistake reads better than wrapped rows
from __future__ import annotations

from pathlib import Path

import pytest

from dutylog import units
from dutylog.config.columns import ColumnSource, targets_of, units_of
from dutylog.config.loader import parse_settings

HEAD = "[import.columns]\n"
C = "import.columns."


def columns_of(text: str) -> tuple[ColumnSource, ...]:
    return parse_settings(text.encode(), Path("truck.toml")).columns


def test_no_table_maps_nothing(good):
    """Recordings with our names need no word about it."""
    assert columns_of(good) == columns_of(good + HEAD) == ()


def test_text_and_table_forms(good):
    """A text alone is the name of the column."""
    text = HEAD + 't_s = "Time"\nspeed_mps = { column = "v", unit = "mph", scale = 2, offset = 1 }\n'
    assert columns_of(good + text) == (
        ColumnSource("t_s", "Time"),
        ColumnSource("speed_mps", "v", "mph", 2.0, 1.0),
    )
    assert columns_of(good + '[import.columns.t_s]\ncolumn = "T"\nunit = "us"\n') == (ColumnSource("t_s", "T", "us"),)


def test_names_that_change_places_are_good(good):
    """Two plugs swapped at the logger: each name is still read once."""
    text = 'front_left_travel_mm = "rear_left_travel_mm"\nrear_left_travel_mm = "front_left_travel_mm"\n'
    assert len(columns_of(good + HEAD + text)) == 2


@pytest.mark.parametrize(
    ("entry", "expected"),
    [
        ('frnt_left_travel_mm = "a"', C + 'frnt_left_travel_mm: no such column of a recording; did you mean "front_left_travel_mm"? known:'),
        ('wheel = "a"', C + "wheel: no such column of a recording; known: ambient_c, front_left_body_c"),
        ('t_s = { column = "a", unit = "min" }', C + 't_s.unit: "min" is no unit of time; known: ms, s, us'),
        ('front_left_travel_mm = { column = "a", unit = "inch" }', C + 'front_left_travel_mm.unit: "inch" is no unit of length; did you mean "in"? known: cm, in, m, mm'),
        ('front_left_body_c = { column = "a", unit = "mm" }', C + 'front_left_body_c.unit: "mm" is no unit of temperature; known: C, F, K'),
        ('ambient_c = { column = "a", unit = "c" }', C + 'ambient_c.unit: "c" is no unit of temperature'),
        ('speed_mps = { column = "a", unit = "kmh" }', C + 'speed_mps.unit: "kmh" is no unit of speed; did you mean "km/h"? known: km/h, m/s, mph'),
        ('t_s = "a"\nspeed_mps = "a"', C + 'speed_mps.column: "a" is also that of t_s'),
        ('speed_mps = "ambient_c"', C + 'speed_mps.column: "ambient_c" is read as ambient_c too; say where that comes from'),
        ("t_s = 5", C + 't_s: 5 is a number, expected a table; write it as "NAME" or { column = "NAME", unit = "UNIT" }'),
        ("t_s = {}", C + "t_s.column: missing; the column's name in the recording"),
        ('t_s = ""', C + 't_s.column: "" is no column name'),
        ('t_s = { colum = "a" }', C + 't_s.colum: unknown key; did you mean "column"? known: column, offset, scale, unit'),
        ('t_s = { column = "a", scale = 0 }', C + "t_s.scale: 0 makes every value the same"),
        ('t_s = { column = "a", scale = -1 }', C + "t_s.scale: -1 would make time run backwards"),
        ('t_s = { column = "a", scale = "x" }', C + 't_s.scale: "x", expected a number (-1000000 to 1000000)'),
        ('t_s = { column = "a", scale = nan }', C + "t_s.scale: nan is no finite number"),
        ('t_s = { column = "a", offset = 1e10 }', C + "t_s.offset: 10000000000 is outside -1000000000 to 1000000000"),
    ],
)  # fmt: skip
def test_mistakes_are_named(good, problems_of, entry, expected):
    """Place, value seen, remedy."""
    found = problems_of(good + HEAD + entry + "\n")
    assert any(f"truck.toml:{43 + entry.count(chr(10))}: {expected}" in line for line in found), found


def test_all_mistakes_in_one_go(good, problems_of):
    """Columns and the rest of the file together."""
    text = good.replace("254.0\n", "0.254\n") + HEAD + 'a = "x"\nt_s = { column = "x", unit = "h" }\n'
    assert [line.split(": ")[1] for line in problems_of(text)] == [
        "profile.front.stroke_mm", C + "a", C + "t_s.unit", C + "t_s.column",
    ]  # fmt: skip


def test_shared_sensor_is_told(good, problems_of):
    """A damper that reads another's sensor has no column."""
    text = good.replace('"A-2"', '"A-2"\ntravel_from = "front_left"') + HEAD + 'rear_left_travel_mm = "x"\n'
    (line,) = problems_of(text)
    assert line.endswith(C + "rear_left_travel_mm: rear_left has no sensor of its own; name front_left_travel_mm")


@pytest.mark.parametrize(
    ("target", "unit", "value", "ours"),
    [
        ("t_s", "ms", 1.5, 0.0015),
        ("t_s", "us", 3.0, 3e-6),
        ("a_travel_mm", "in", 10.0, 254.0),
        ("a_travel_mm", "cm", 12.3, 123.0),
        ("a_travel_mm", "m", 0.123, 123.0),
        ("a_body_c", "F", 212.0, 100.0),
        ("a_body_c", "K", 273.15, 0.0),
        ("ambient_c", "F", -40.0, -40.0),
        ("speed_mps", "km/h", 36.0, 10.0),
        ("speed_mps", "mph", 100.0, 44.704),
    ],
)
def test_conversions(target, unit, value, ours):
    """Handbook values; equal to the last bit where the figure is decimal."""
    assert ColumnSource(target, "x", unit).convert(value) == ours


def test_conversions_agree_with_the_project():
    """One truth for each constant."""
    assert ColumnSource("a_body_c", "x", "F").convert(98.6) == units.f_to_c(98.6)
    assert units_of("a_travel_mm")[1]["in"].factor == units.MM_PER_INCH


def test_volts_become_millimetres():
    """Scale and offset first, then the unit of their result."""
    assert ColumnSource("a_travel_mm", "x", "in", 2.0, -1.0).convert(1.5) == 50.8


def test_targets_of_a_vehicle():
    """Each position once, travel only where there is a sensor."""
    assert targets_of(["a", "b"], ["a"]) == (
        "t_s", "a_travel_mm", "a_body_c", "b_body_c", "a_pressure_bar", "b_pressure_bar", "ambient_c", "speed_mps",
    )  # fmt: skip

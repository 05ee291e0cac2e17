"""Numbers as people type them, on every page alike."""

from __future__ import annotations

import pytest

from dutylog.bench.findings import Measure
from dutylog.errors import InputError
from dutylog.web.bench.measure_units import parse_measure
from dutylog.web.bench.order_routes import _count
from dutylog.web.bench.statement_form import read_statement
from dutylog.web.bench.typed_number import parse_number


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("", None), (" ", None), ("12", 12.0), ("1.5", 1.5), ("1,5", 1.5), ("0,125", 0.125), ("12 000", 12e3),
        ("12\u202f000,5", 12000.5), ("\u22123.5", -3.5), ("-3", -3.0), ("+4", 4.0), (".5", 0.5), ("12.375", 12.375),
        ("12,0", 12.0), ("1234,567", 1234.567), ("7.", 7.0), ("0012", 12.0),
    ],
)  # fmt: skip
def test_numbers_are_read(text: str, value: float | None) -> None:
    assert parse_number(text, "length") == value


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("12,000", "length: '12,000': write 12000 or 12.0"),
        ("1,234", "length: '1,234': write 1234 or 1.234"),
        ("-12,500", "length: '-12,500': write -12500 or -12.5"),
        ("1,234,567", "length: '1,234,567': write 1234567"),
        ("1,234.5", "length: '1,234.5' is no number; write it as 1.5"),
        ("1.234,5", "length: '1.234,5' is no number; write it as 1.5"),
        ("many", "length: 'many' is no number; write it as 1.5"),
        ("1e5", "length: '1e5' is no number; write it as 1.5"),
        ("nan", "length: 'nan' is no number; write it as 1.5"),
        ("\u0663", "length: '\u0663' is no number; write it as 1.5"),
        ("1_000", "length: '1_000' is no number; write it as 1.5"),
        (",", "length: ',' is no number; write it as 1.5"),
    ],
)
def test_what_two_people_would_read_differently_is_refused(text: str, line: str) -> None:
    """12,000 miles must not become 19 km without a word."""
    with pytest.raises(InputError) as caught:
        parse_number(text, "length")
    assert str(caught.value) == line


def test_of_a_distance_a_point_may_part_thousands_as_well() -> None:
    with pytest.raises(InputError, match=r"write 12000 or 12\.0"):
        parse_number("12.000", "distance", is_coarse=True)
    assert parse_number("12.5", "distance", is_coarse=True) == 12.5


def test_all_forms_refuse_the_same() -> None:
    measure = Measure("x", "gauge", "", "mm", 0.0, 1e6)
    for read in (
        lambda text: parse_measure(measure, text, "mm"),
        _count,
        lambda text: read_statement({"construction": "emulsion", "distance": text}, "B1").distance_m,
        lambda text: read_statement({"construction": "emulsion", "years": text}, "B1").years,
    ):
        with pytest.raises(InputError, match=r"'12,000': write 12000 or 12\.0"):
            read("12,000")
        assert read("0,3") == pytest.approx(read("0.3"))
    with pytest.raises(InputError, match=r"'12\.000': write 12000 or 12\.0"):
        read_statement({"construction": "emulsion", "distance": "12.000"}, "B1")
    assert read_statement({"construction": "emulsion", "shaft": "12.000"}, "B1").shaft_diameter_m == pytest.approx(
        0.012
    )

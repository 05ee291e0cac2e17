"""A price as it is typed: whole minor units inside, so that a sum is a sum; and curves drawn to scale."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.known_unit import PROFILE
from dutylog.bench.money import money_text
from dutylog.bench.order import PRICE_LIMIT_MINOR
from dutylog.errors import InputError
from dutylog.web.bench.curve_view import HEIGHT, LEFT, WIDTH, draw, profile_line
from dutylog.web.bench.pages import money_text as page_text
from dutylog.web.bench.prices import parse_price, price_text


@pytest.mark.parametrize(
    ("text", "currency", "minor"),
    [
        ("149.5", "EUR", 14_950),
        ("149,50", "EUR", 14_950),
        ("0.05", "EUR", 5),
        ("0.5", "EUR", 50),
        (" 1 200 ", "USD", 120_000),
        ("1\u202f200.00", "USD", 120_000),
        ("1200", "JPY", 1200),
        ("1.5", "KWD", 1500),
        ("1.234", "BHD", 1234),
        ("1200", "XPF", 1200),
        ("  ", "EUR", None),
    ],
)
def test_a_price_is_held_in_minor_units(text: str, currency: str, minor: int | None) -> None:
    """One decimal is tenths: 149.5 is no 149.05."""
    assert parse_price(text, currency) == minor


@pytest.mark.parametrize("text", ["-1", "1.234", "1e3", "free", "1.2.3", "99999999999", "1000000.01", "١٢"])
def test_what_is_no_price_is_refused(text: str) -> None:
    """One line that shows how to write it."""
    with pytest.raises(InputError, match="price"):
        parse_price(text, "EUR")


def test_a_currency_without_decimals_takes_none() -> None:
    """Half a yen is a slip."""
    with pytest.raises(InputError, match="write it as 149, in JPY"):
        parse_price("149.50", "JPY")


@given(st.integers(0, PRICE_LIMIT_MINOR), st.sampled_from(["EUR", "JPY", "KWD"]))
def test_a_price_shown_in_its_field_is_the_one_that_was_typed(minor: int, currency: str) -> None:
    """A change of the text of a line leaves its price alone."""
    assert parse_price(price_text(minor, currency), currency) == minor


@pytest.mark.parametrize(("currency", "text"), [("KWD", "1.500"), ("UGX", "1\u202f500"), ("EUR", "15.00")])
def test_pages_and_papers_have_the_decimals_of_a_currency(currency: str, text: str) -> None:
    """One table for typing, pages and paper."""
    assert page_text(1500, currency) == money_text(1500, currency) == f"{text}\u00a0{currency}"
    assert page_text(None, currency) == "–"


@given(st.text(max_size=20))
def test_any_text_is_a_price_or_one_line(text: str) -> None:
    """Nothing that can be typed ends otherwise."""
    found, said = None, ""
    try:
        found = parse_price(text, "EUR")
    except InputError as err:
        said = str(err)
    assert "\n" not in said
    assert found is None or 0 <= found <= PRICE_LIMIT_MINOR


def test_the_profile_is_drawn_as_far_as_the_bench_measured() -> None:
    """Between its points a profile is straight, so its end within them is interpolated; never beyond what it states."""
    assert profile_line(PROFILE, 0.55) == (
        (-0.55, pytest.approx(-2500.0)),
        (-0.1, -1000.0),
        (0.0, 0.0),
        (0.1, 500.0),
        (0.55, pytest.approx(1250.0)),
    )
    assert [speed for speed, _ in profile_line(PROFILE, 9.0)] == [-1.0, -0.1, 0.0, 0.1, 1.0]
    assert profile_line(replace(PROFILE, stroke_m=0.1), 1.0)[-1] == (1.0, 2000.0)


def test_a_picture_is_to_scale() -> None:
    """Twice the force is twice as far from the axis, whichever curve it is of."""
    picture = draw(((-1.0, -2000.0), (1.0, 2000.0)), ((-1.0, -1000.0), (1.0, 1000.0)))
    (_, low), (_, high) = (tuple(map(float, one.split(","))) for one in picture.profile.split())
    (_, found_low), (_, found_high) = (tuple(map(float, one.split(","))) for one in picture.found.split())
    assert picture.zero_y - high == pytest.approx(2.0 * (picture.zero_y - found_high), abs=0.2)
    assert low - picture.zero_y == pytest.approx(2.0 * (found_low - picture.zero_y), abs=0.2)
    assert picture.after == ""
    assert [tick.text for tick in picture.forces] == ["-2000", "-1000", "0", "1000", "2000"]
    assert next(tick.place for tick in picture.speeds if tick.value == 0.0) == picture.zero_x


@given(st.lists(st.tuples(st.floats(-10, 10), st.floats(-1e5, 1e5)), min_size=1, max_size=8))
def test_any_curve_fits_the_picture(points: list[tuple[float, float]]) -> None:
    """Even one point at rest, or one that goes one way alone."""
    picture = draw((), tuple(points))
    for x, y in (map(float, one.split(",")) for one in picture.found.split()):
        assert LEFT <= x <= WIDTH
        assert 0.0 <= y <= HEIGHT
    assert 0 < len(picture.speeds) <= 8
    assert 0 < len(picture.forces) <= 8

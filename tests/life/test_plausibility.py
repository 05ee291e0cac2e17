"""The table of what common practice sees, and that it would notice a coefficient that is wrong by a factor of two."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dutylog.life import doses, reference
from dutylog.life.parts import PARTS, RULES
from dutylog.life.plausibility import CALENDAR, EXPECTED, ROWS, check, make_table, markdown_lines, table_lines

TABLE = make_table()
UNSEEN = {
    "hot_seal_c": "counts and tells events, no dose",
    "unknown_speed_mps": "speeds of the table are known",
    "air_c": "air of the table is known",
    "made_for_mps": "the same, and dampers of like curves are scaled alike",
    "miner_exponent": "shaft and eyelets call for a look, they don't end a service",
    "oil_step_k": "oil is first on the small damper alone, of which practice gives no miles",
    "oil_low_c": "as oil_step_k",
    "oil_cap_c": "as oil_step_k",
    "cool_time_constants": "by then a damper is within 1 % of the air",
    "outer_dirt_ratio": "bands and joints then last longer on the street, of which practice gives the least alone",
}
"""Coefficients of which a factor of two moves no row out of common practice, and why."""


def find(key: str):
    return next(outcome for outcome in TABLE if outcome.row.key == key)


def test_the_table_lands_in_common_practice():
    """What people are told of their dampers rests on it."""
    assert check(TABLE) == []


@pytest.mark.parametrize("key", [one.key for one in RULES.coefficients])
def test_a_coefficient_twice_as_large_is_noticed(key):
    """A check that passes whatever the numbers checks nothing. Those that it can't see are named with their reason."""
    complaints = check(make_table(RULES.scaled(key, 2.0)))
    assert bool(complaints) == (key not in UNSEEN), complaints


@pytest.mark.parametrize("key", ["miner_exponent", "oil_step_k", "oil_low_c", "oil_cap_c", "outer_dirt_ratio"])
def test_what_the_check_does_not_see_still_moves_its_part(key):
    """None of these is a mere factor that the reference cancels: shares by 1000 miles change."""
    other = make_table(RULES.scaled(key, 2.0))
    moved = [
        abs(new.per_1000[part] / old.per_1000[part] - 1.0)
        for new, old in zip(other, TABLE, strict=True)
        for part in old.per_1000
    ]
    assert max(moved) > 0.05


@pytest.mark.parametrize("name", ["AGEING_AT_C", "OIL_HEAT_AT_C"])
def test_temperatures_of_the_units_cancel(monkeypatch, name):
    """Hours `at 60 degC` are a unit: another temperature scales doses and references alike; no coefficient."""
    monkeypatch.setattr(doses, name, 2.0 * getattr(doses, name))
    try:
        for cached in (reference.per_mile_of, reference.reference_doses):
            cached.cache_clear()
        other = make_table()
    finally:
        for cached in (reference.per_mile_of, reference.reference_doses):
            cached.cache_clear()
    for new, old in zip(other, TABLE, strict=True):
        assert dict(new.per_1000) == pytest.approx(dict(old.per_1000), rel=1e-9)


@pytest.mark.parametrize(
    ("key", "mechanism"), [(part.key, mechanism) for part in PARTS for mechanism, _ in part.weights]
)
def test_a_weight_twice_as_large_is_noticed(key, mechanism):
    """Weights add up to 1; only so 10 000 hard miles are one budget."""
    parts = tuple(
        replace(
            part,
            weights=tuple((name, weight * (2.0 if name == mechanism else 1.0)) for name, weight in part.weights),
        )
        if part.key == key
        else part
        for part in PARTS
    )
    complaints = check(make_table(RULES, parts), parts)
    assert any(key in complaint and "weights" in complaint for complaint in complaints)


@pytest.mark.parametrize("key", [part.key for part in PARTS if part.calendar_years.value > 0.0])
def test_twice_the_years_are_noticed(key):
    """Rubber that may sit for fourteen years is nobody's practice. Steel has no calendar limit to double."""
    parts = tuple(
        replace(part, calendar_years=replace(part.calendar_years, value=2.0 * part.calendar_years.value))
        if part.key == key
        else part
        for part in PARTS
    )
    complaints = check(make_table(RULES, parts), parts)
    assert any(complaint.startswith(f"{key}: ") and "calendar" in complaint for complaint in complaints)


@pytest.mark.parametrize("expected", EXPECTED, ids=lambda expected: f"{expected.row}-{expected.of}")
@pytest.mark.parametrize("factor", [0.01, 100.0])
def test_every_range_is_watched_at_both_ends(expected, factor):
    """A range that nothing can leave isn't one; only `pure street` has no upper end."""
    table = [
        replace(outcome, wear_miles=factor * outcome.wear_miles, years=factor * outcome.years)
        if outcome.row.key == expected.row
        else outcome
        for outcome in TABLE
    ]
    is_open = expected.row == "street" and factor > 1.0
    said = [complaint for complaint in check(table) if complaint.startswith(f"{expected.row}: {expected.of}")]
    assert bool(said) != is_open


def test_order_of_rows_is_watched():
    """Harder use must not last longer, a small damper on a fire road not nearly as long as a large one on streets."""
    table = [
        replace(outcome, wear_miles=90_000.0) if outcome.row.key == "heavy_small" else outcome for outcome in TABLE
    ]
    assert any("heavy_small" in complaint for complaint in check(table))
    table = [replace(outcome, wear_miles=50_000.0) if outcome.row.key == "mixed" else outcome for outcome in TABLE]
    assert any("mixed lasts" in complaint for complaint in check(table))
    table = [replace(outcome, ended_by="wear") if outcome.row.key == "street" else outcome for outcome in TABLE]
    assert any("expected the calendar" in complaint for complaint in check(table))


def test_first_to_end_is_the_earlier_of_wear_and_calendar():
    """Whichever comes first: on the street the oil's years, in the desert the first worn part."""
    street, desert = find("street"), find("desert")
    assert (street.ended_by, street.ended_part, street.years) == (CALENDAR, "oil", 5.0)
    assert (desert.ended_by, desert.ended_part) == ("wear", desert.wear_part)
    assert desert.years == pytest.approx(desert.wear_miles / 5_000.0, rel=1e-12)
    assert desert.wear_miles == pytest.approx(1000.0 / desert.per_1000[desert.wear_part], rel=1e-12)


def test_tables_have_a_line_for_each_row():
    """For the terminal and for the document, the same figures."""
    lines, marked = table_lines(), markdown_lines(TABLE)
    assert lines == table_lines(TABLE)
    assert len(lines) == len(ROWS) + 1
    assert len(marked) == len(ROWS) + 2
    assert len({line.count("|") for line in marked}) == 1
    for row, line, mark in zip(ROWS, lines[1:], marked[2:], strict=True):
        assert row.name in line
        assert row.name in mark

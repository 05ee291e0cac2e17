"""shared/CONFIG.md and the schema say the same of every key."""

from __future__ import annotations

import re
from pathlib import Path

from dutylog.config.columns import units_of
from dutylog.config.limits import LIMITS, OIL_J_PER_KG_K, SLUG_LENGTH, TEXT_LENGTH, Limit, show_number
from dutylog.config.loader import LARGEST_BYTES, parse_settings
from dutylog.config.schema import fields_by_pattern

PAGE = Path(__file__).parents[2] / "shared" / "CONFIG.md"
FREE_NAMES = {("profile",): ".NAME", ("import", "columns"): ".TARGET"}


def rows_of(page: str) -> dict[str, list[str]]:
    """Return the cells of the key table by key."""
    section = page[page.index("## Keys") : page.index("## Columns of a recording")]
    rows = [
        [cell.strip() for cell in line.strip().strip("|").split("|")]
        for line in section.splitlines()
        if line.startswith("| `")
    ]
    keys = [row[0].strip("`") for row in rows]
    assert len(keys) == len(set(keys))
    return dict(zip(keys, rows, strict=True))


def name_of(pattern: tuple[str, ...]) -> str:
    """Return a key as the page writes it."""
    text = ""
    for i, part in enumerate(pattern):
        if part == "*":
            text += FREE_NAMES.get(pattern[:i], "[]")
        else:
            text += f".{part}" if text else part
    return text


def differences(page: str) -> list[str]:
    """Return every way in which a page and the schema disagree."""
    rows = rows_of(page)
    fields = {name_of(pattern): (pattern, field) for pattern, field in fields_by_pattern().items()}
    found = [f"{name} has no row" for name in fields.keys() - rows.keys()]
    found += [f"{name} is no key" for name in rows.keys() - fields.keys()]
    for name in rows.keys() & fields.keys():
        pattern, field = fields[name]
        _, kind, unit, default, allowed, meaning = rows[name]
        limit: Limit | None = LIMITS.get(pattern[-1])
        if field.is_required() and default != "required":
            found.append(f"{name} is required")
        elif isinstance(field.default, int | float | str) and default != show(field.default):
            found.append(f"{name} has the default {show(field.default)}")
        if limit is not None and allowed != limit.range_text:
            found.append(f"{name} has the range {limit.range_text}")
        if limit is not None and unit not in (limit.unit, limit.unit.replace("per ", "1/")):
            found.append(f"{name} has the unit {limit.unit}")
        if (limit is not None) != (kind in ("number", "whole number")) and pattern[-1] != "travel_mm":
            found.append(f"{name} is of another type than {kind}")
        if not meaning:
            found.append(f"{name} says nothing")
    return sorted(found)


def show(default: float | str) -> str:
    if isinstance(default, bool):
        return str(default).lower()
    return default if isinstance(default, str) else show_number(default)


def test_every_key_has_its_row_and_every_row_its_key():
    """People configure from the page; the page must be the truth."""
    assert differences(PAGE.read_text(encoding="utf-8")) == []


def test_this_test_can_fail():
    """A key, range and default changed on the page alone are found."""
    page = PAGE.read_text(encoding="utf-8")
    changed = (
        re.sub(r"\| `web\.port`.*\n", "", page).replace("50 to 1000 mm", "50 to 900 mm").replace("| 40 |", "| 20 |")
    )
    changed = changed.replace("| `trip.grace_min`", "| `trip.grace_s`")
    assert differences(changed) == [
        "profile.NAME.reference_c has the default 40",
        "profile.NAME.stroke_mm has the range 50 to 1000 mm",
        "trip.grace_min has no row",
        "trip.grace_s is no key",
        "web.port has no row",
    ]


def test_units_of_columns_on_the_page():
    """People copy the unit from the table."""
    page = PAGE.read_text(encoding="utf-8")
    for target in ("t_s", "front_left_travel_mm", "front_left_body_c", "speed_mps"):
        quantity, units = units_of(target)
        assert f"| {quantity} | {', '.join(f'`{unit}`' for unit in units)} |" in page


def test_example_of_columns_is_good(good):
    """The block on the page, put into a vehicle file."""
    page = PAGE.read_text(encoding="utf-8")
    block = page[page.index("[import.columns]\nt_s") :].split("```")[0]
    columns = parse_settings((good + block).encode(), Path("truck.toml")).columns
    assert [c.target for c in columns] == [
        "t_s", "front_left_travel_mm", "rear_left_travel_mm", "speed_mps", "ambient_c",
    ]  # fmt: skip
    assert columns[2].convert(0.5) == 0.0
    assert columns[1].convert(1.0) == 25.4


def test_figures_in_the_text():
    """Figures outside the table."""
    page = PAGE.read_text(encoding="utf-8")
    assert f"at most {LARGEST_BYTES // 1024} KiB" in page
    assert f"more than {OIL_J_PER_KG_K:.0f} J/(kg K)" in page
    assert f"1 to {SLUG_LENGTH} of a-z 0-9 _" in page
    assert f"1 to {TEXT_LENGTH} characters" in page
    assert "largest speed is 0.05 to 12 m/s, the largest force 20 to 200000 N" in page

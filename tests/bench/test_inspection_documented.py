"""shared/BENCH.md says what the inspection and the triage do: points, measures, values, limits."""

from __future__ import annotations

from pathlib import Path

from dutylog.bench.curve import SPEEDS_MPS
from dutylog.bench.curve_csv import COLUMNS_LIMIT, FORCE_UNITS, POINTS, SPEED_UNITS
from dutylog.bench.inspection import SPEAKS_FOR
from dutylog.bench.inspection_items import ITEMS, STEP_WORDS
from dutylog.bench.items_work import ITEM_WORK
from dutylog.bench.part_needs import NEEDS, is_opened
from dutylog.bench.rule_read import CAUTION_KEYS, DEPTH_LIMIT, PARTS_LIMIT, RULES_LIMIT, Rule
from dutylog.bench.triage_values import VALUES
from dutylog.bench.triage_words import ROW_WORDS

PAGE = (Path(__file__).parents[2] / "shared" / "BENCH.md").read_text(encoding="utf-8")


def section(heading: str) -> str:
    return PAGE.split(f"## {heading}\n")[1].split("\n## ")[0]


def rows_of(heading: str) -> dict[str, list[str]]:
    """Return the rows of a section's tables by their first cell, ticks taken off."""
    lines = [line for line in section(heading).splitlines() if line.startswith("|")]
    rows = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]
    return {row[0].strip("`"): row for row in rows}


def test_every_point_stands_there_with_its_step_measures_and_parts() -> None:
    """Who reads a record of the bench looks up there what was measured, in which unit."""
    rows = rows_of("Inspection")
    for item in ITEMS:
        row = rows[item.key]
        assert row[1:3] == [item.name, str(item.step)]
        for measure in item.measures:
            assert f"`{measure.key}`" in row[4]
            for value, words in measure.choices:
                assert f"{value:g} {words}" in row[4]
            if not measure.choices:
                assert f"{measure.least:g} to {measure.most:g}" in row[4]
        assert [part.strip("`") for part in row[5].split(", ") if part != "–"] == list(item.parts)
        for word in (*item.constructions, *item.reservoirs, *item.joints):
            assert word in row[3] or row[3] == "all but twin_tube"
    for step, words in STEP_WORDS.items():
        assert rows[str(step)][1] == words
    for part, items in SPEAKS_FOR.items():
        assert [one.strip("`") for one in rows[part][1].split(", ")] == list(items)


def test_limits_and_units_of_a_curve_stand_there() -> None:
    text = section("Inspection")
    assert all(f"`{unit}`" in text for unit in (*SPEED_UNITS, *FORCE_UNITS))
    assert f"{COLUMNS_LIMIT} columns" in text
    assert f"more than {POINTS} speeds" in text
    assert ", ".join(f"{one:g}" for one in SPEEDS_MPS[:-1]) + f" and {SPEEDS_MPS[-1]:g} m/s" in text


def test_every_key_condition_and_value_of_a_rule_stands_there() -> None:
    """The table is edited by people who don't read our code."""
    text, rows = section("Triage"), rows_of("Triage")
    for name in Rule.__dataclass_fields__:
        assert f"`{'caution' if name == 'cautions' else name}`" in text
    for key, value in VALUES.items():
        assert rows[key][3] == value.worse
        assert rows[key][2].startswith(value.name)
        assert ("needs `part`" in rows[key][2]) == value.is_of_part
    for row, words in ROW_WORDS.items():
        assert f"`{row}` {words}" in text
    assert all(f"`{caution}`" in text for caution in CAUTION_KEYS)
    assert f"1 to {RULES_LIMIT} tables" in text
    assert f"1 to {PARTS_LIMIT} conditions, or any; at most {DEPTH_LIMIT} within each other" in text


def test_what_each_bad_point_calls_for_stands_there() -> None:
    """The shop sees before it orders what a finding will propose."""
    told = {}
    for line in section("Work order").splitlines():
        cells = [cell.strip() for cell in line.strip("|").split(" | ")]
        if line.startswith("| `") and len(cells) == 4 and cells[3] in ("yes", "no", "by that"):
            lists = [[one.strip("`") for one in cell.split(", ") if one != "-"] for cell in cells[:3]]
            told |= dict.fromkeys(lists[0], (lists[1], lists[2], cells[3]))
    assert set(told) == set(ITEM_WORK)
    for item, work in ITEM_WORK.items():
        opened = "yes" if work.opens else "by that" if is_opened(work.parts) else "no"
        assert told[item] == (list(work.parts), list(work.needs), opened)
    pieces = section("Work order").split("**Pieces**")[1]
    assert all(f"`{need.key}`" in pieces for need in NEEDS)

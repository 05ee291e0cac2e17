"""shared/LIFE.md says what the code does: every coefficient, part, mechanism, field and figure of it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dutylog.domain.wear import DIRTS, GRADES, MARK_KINDS, MIXES, USE_KINDS
from dutylog.ledger.command import COMMANDS
from dutylog.life.dirt import FACTORS
from dutylog.life.marks import RULES as MARK_RULES
from dutylog.life.parts import MECHANISMS, PARTS, RULES
from dutylog.life.plausibility import make_table, markdown_lines
from dutylog.life.to_dict import life_to_json
from dutylog.life.unit_life import Lives
from life.lived import START, TODAY, Lived

PAGE = (Path(__file__).parents[2] / "shared" / "LIFE.md").read_text(encoding="utf-8")


def rows_of(heading: str) -> dict[str, list[str]]:
    """Return the rows of a section's tables by their first cell, ticks taken off."""
    section = PAGE.split(f"## {heading}\n")[1].split("\n## ")[0]
    rows = [[cell.strip() for cell in line.strip("|").split(" | ")] for line in section.splitlines() if line[:1] == "|"]
    return {row[0].split("`")[1] if "`" in row[0] else row[0]: row for row in rows}


def test_every_coefficient_stands_there_with_value_unit_and_source() -> None:
    """Who doubts a figure looks there first."""
    rows = rows_of("Mechanisms")
    for one in RULES.coefficients:
        assert rows[one.key][1:] == [f"{one.value:g}", one.unit, one.source.strip()]
    for mechanism in MECHANISMS.values():
        assert rows[mechanism.key][1:] == [mechanism.formula, mechanism.unit]


def test_every_part_stands_there_with_its_mechanisms_and_years() -> None:
    """A part that nobody lists is a part that nobody replaces."""
    rows = rows_of("Wear parts")
    assert [key for key in rows if key in {part.key for part in PARTS}] == [part.key for part in PARTS]
    for part in PARTS:
        for mechanism, weight in part.weights:
            assert f"{mechanism} {weight:g}" in rows[part.key][3]
        assert part.calendar_years.source in rows[part.key][4]


def test_the_table_is_the_one_the_command_prints() -> None:
    """Figures in a page go stale unless something compares them."""
    assert "\n".join(markdown_lines(make_table())) in PAGE


@pytest.mark.parametrize("kind", ["service", "dirt", "stated_use", "shaft_mark", "withdraw"])
def test_every_field_of_an_entry_stands_there(kind: str) -> None:
    """Other people's tools read the chain."""
    told = rows_of("Entries")[kind][1]
    named = set(re.findall(r"`([a-z_]+)`", told)) | {"by", "note", "on", "unit", "trip"}
    asked = set(COMMANDS[kind]) - {"entry"}
    assert asked <= named, asked - named


def test_every_word_people_may_use_stands_there() -> None:
    """Words are typed; a word that nobody finds is never typed."""
    for word in (*GRADES, *MIXES, *DIRTS, *MARK_KINDS, *USE_KINDS):
        assert word in PAGE
    for what, factor in FACTORS.items():
        assert f"{what} {factor:g}" in PAGE
    rows = rows_of("Marks on the shaft")
    assert [rule.level for rule in MARK_RULES] == [key for key in rows if key in {rule.level for rule in MARK_RULES}]


def test_every_field_of_the_json_stands_there(tmp_path: Path) -> None:
    """Programs of the shop read it."""
    lived = Lived(tmp_path)
    lived.drive(START, 5)
    lived.tell("shaft_mark", unit="SN-1", mark="nick", distance_mm=60.0, size_mm=1.5, is_sharp=True)
    lives = Lives(lived.ledger, TODAY)
    found = life_to_json(lives.read(lives.units()[0]))
    lived.close()
    section = PAGE.split("## JSON of `dutylog life show`\n")[1].split("\n## ")[0]
    named = set(re.findall(r"`([a-z_]+)`", section))
    for fields in (found, found["parts"][0], found["marks"][0]):
        assert set(fields) <= named, set(fields) - named

"""shared/ALERTS.md says what the rules say."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from dutylog.alerts.rules import RULES

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "shared" / "ALERTS.md").read_text(encoding="utf-8")
ROWS = {
    row[0].strip("`"): row
    for line in PAGE.split("## Kinds", 1)[1].split("\n## ", 1)[0].splitlines()
    if line.startswith("| `") and len(row := [cell.strip() for cell in line.strip("|").split(" | ")]) == 7
    if (row[0] != "`kind`")
}


def test_every_kind_has_a_row():
    assert set(ROWS) == set(RULES)


@pytest.mark.parametrize("kind", RULES)
def test_level_and_times_are_those_of_the_rule(kind):
    rule, row = RULES[kind], ROWS[kind]
    assert row[1] == f"`{rule.level}`"
    assert (row[3], row[5]) == (f"{rule.hold_s:g} s", f"{rule.clear_s:g} s")


def test_the_kinds_of_the_broker_are_the_same():
    contract = (ROOT / "shared" / "asyncapi.yaml").read_text(encoding="utf-8")
    kinds = re.search(r"kind:\s+enum: \[([a-z_,\s]+)\]", contract)
    assert kinds is not None
    assert {kind.strip() for kind in kinds.group(1).split(",")} == set(RULES)

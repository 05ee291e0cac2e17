"""shared/REVIEW.md and the code that tells of a trip say the same."""

from __future__ import annotations

import re
from pathlib import Path

from dutylog.ledger.trip_notes import CARE_ITEMS
from dutylog.review.export import DAMPER_COLUMNS, ROW_COLUMNS
from dutylog.review.trip_data import CONTACT_KINDS, ROAD_KINDS
from dutylog.review.verdict_rules import MOST_SENTENCES, RULES
from review.made_trips import made_trip
from review.test_make import review_of

PAGE = (Path(__file__).parents[2] / "shared" / "REVIEW.md").read_text(encoding="utf-8")
WORDS = {8: "eight"}


def section(title):
    return PAGE.split(f"\n## {title}\n", 1)[1].split("\n## ", 1)[0]


def table(text, head):
    """Return the rows of the table with this first heading, split into cells."""
    lines = text[text.index(f"| {head} |") :].split("\n\n", 1)[0].splitlines()[2:]
    return [[cell.strip() for cell in line.strip("| ").split(" | ")] for line in lines if line.startswith("|")]


def names(text, head):
    return [re.findall(r"`([^`]+)`", row[0])[0] for row in table(text, head)]


def shown(value, name):
    """Return a threshold as the table writes it."""
    if name.endswith("_ratio"):
        return f"{value * 100:g} %"
    if name.endswith("_mps"):
        return f"{value:.1f} m/s"
    if name.endswith("_k"):
        return f"{value:g} K"
    return f"{value:g}"


def test_every_rule_has_its_row_in_its_order():
    assert names(section("Verdict"), "rule") == list(RULES)
    assert f"At most {WORDS[MOST_SENTENCES]} short sentences" in section("Verdict")


def test_thresholds_stand_in_the_row_of_their_rule():
    rows = dict(zip(RULES, (" ".join(row) for row in table(section("Verdict"), "rule")), strict=True))
    absent = [
        (rule.key, name)
        for rule in RULES.values()
        for name, value in rule.limits.items()
        if not name.endswith(("_factor", "alike_ratio")) and shown(value, name) not in rows[rule.key]
    ]
    assert absent == []


def test_every_item_of_care_has_its_row():
    assert names(section("Care"), "item") == list(CARE_ITEMS)
    assert [item.key for item in review_of(made_trip()).care] == list(CARE_ITEMS)


def test_roads_and_contacts_have_their_rows():
    assert set(names(section("Kinds of road"), "kind")) == set(ROAD_KINDS)
    assert set(names(section("How a trip is read").split("### Contacts")[1], "kind")) == set(CONTACT_KINDS)


def test_every_column_of_the_export_has_its_row():
    cells = [re.findall(r"`([^`]+)`", row[0]) for row in table(section("Export"), "column")]
    told = {name.removeprefix("<position>_").lstrip("_") for some in cells for name in some}
    assert told == {*ROW_COLUMNS, *DAMPER_COLUMNS}

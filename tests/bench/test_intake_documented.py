"""shared/BENCH.md says what an intake does: every rule, topic, notice and figure of an estimate."""

from __future__ import annotations

from pathlib import Path

from dutylog.bench import look_rules
from dutylog.bench.estimate import DOUBT, LENGTHS, MILES_A_YEAR, REMARKS_LIMIT, TEXT_LIMIT, YEARS_DOUBT, YEARS_LIMIT
from dutylog.bench.intake_notices import OLD_DAYS, TRUST_LEVELS
from dutylog.bench.likes import FINDINGS_KEPT

PAGE = Path(__file__).parents[2] / "shared" / "BENCH.md"


def section() -> str:
    return PAGE.read_text(encoding="utf-8").split("## Intake\n")[1].split("\n## ")[0]


def rows() -> list[list[str]]:
    """Return the cells of all rows of its tables."""
    return [
        [cell.strip() for cell in line.strip("|").split(" | ")] for line in section().splitlines() if line[:1] == "|"
    ]


def test_every_rule_stands_there_with_its_limit_strength_and_source() -> None:
    """Who asks why the page sends him to the seal first looks there."""
    there = {row[0]: row[1:] for row in rows()}
    for one in look_rules.LOOK_RULES.values():
        assert there[f"`{one.key}`"] == [one.name, one.when, one.strength, one.source]


def test_every_topic_stands_there() -> None:
    """Names, what is looked for, and the wear parts behind it."""
    for one in look_rules.TOPICS.values():
        parts = ", ".join(f"`{part}`" for part in one.parts) or "-"
        assert [f"`{one.key}`", one.name, one.how, parts] in rows()


def test_figures_of_notices_and_estimates_stand_there() -> None:
    """A number that moves in the code moves on the page."""
    text = section()
    for code in TRUST_LEVELS:
        assert code == "accepted" or f"`{code}`" in text
    assert f"older than {OLD_DAYS} days" in text
    assert f"less than {look_rules.LEAST_COVERAGE:.0%}".replace("%", " %") in text
    assert f"of the {FINDINGS_KEPT} dampers seen last" in text
    assert f"a factor of {DOUBT:g} either way, 80 % range; {YEARS_DOUBT:g} where only years were told" in text
    for mix, miles in MILES_A_YEAR.items():
        number = f"{miles:,.0f}".replace(",", " ") if miles >= 10_000 else f"{miles:.0f}"
        assert f"{mix} {number}" in text
    assert f"Limits: {YEARS_LIMIT:g} years" in text
    for name, (low, high) in LENGTHS.items():
        assert f"{name.split('_')[0]} {low:g} to {high:g} m" in text
    assert f"names {TEXT_LIMIT} characters, remarks {REMARKS_LIMIT}" in text
    assert f"From {look_rules.LOOK_FIRST:g} on" in text
    assert f"from {look_rules.LOOK_EARLY:g} on" in text

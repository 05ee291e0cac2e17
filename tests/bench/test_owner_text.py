"""The text for an owner: ranges, both systems of units, what it rests on, and never a threat."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

from bench.card_made import Yard
from bench.due_made import TODAY, due
from dutylog.bench.board import DueDamper, make_board
from dutylog.bench.owner_text import PartMiles, Source, owner_text, read_miles, read_source
from dutylog.bench.store.rows import DueRow
from dutylog.units import M_PER_MILE

THREATS = re.compile(
    r"\b(must|danger|dangerous|unsafe|fail|failure|risk|urgent|immediately|otherwise|warn|will break)\b", re.I
)


def dampers(*rows: DueRow) -> list[DueDamper]:
    return [one for group in make_board(rows, TODAY, 52) for one in group.dampers]


def text(*rows: DueRow, **more: object) -> str:
    return owner_text(dampers(*rows), "Ridge Shed", TODAY, **more)  # type: ignore[arg-type]


def test_a_whole_text() -> None:
    far = {"d-1": {"shaft_seal": PartMiles(1e3 * M_PER_MILE, 2e3 * M_PER_MILE, 4e3 * M_PER_MILE)}}
    assert text(due(used_ratio=0.8), miles=far) == (
        "Hello Dee Example,\n\n"
        "a look ahead at the dampers of Old Red, as of 2026-11-30:\n\n"
        "Damper SN-d-1, front left:\n"
        "  - shaft seal and wiper (about 80 % of its expected life used): most likely around 2027-01-09, as early as "
        "2026-12-20, perhaps not before 2027-02-18; that is between 1\u202f610 km (1\u202f000 mi) and 6\u202f440 km "
        "(4\u202f000 mi) of driving from then.\n"
        "  This rests on what your vehicle measured, as its duty card of 2026-11-30 has it.\n\n"
        "These are forecasts, not findings: it may well come later or sooner, and how you drive decides.\n"
        "If you would like us to look, tell us when it suits you; if your plans differ, tell us too.\n"
        "The maker's manual comes before anything said here.\n\n"
        "Ridge Shed"
    )


@pytest.mark.parametrize("days", [(0, 0, 0), (-5, 3, 90), (20, 40, 80), (100, 300, 350)])
@pytest.mark.parametrize("used", [None, 0.1, 0.99, 1.0, 3.0])
@pytest.mark.parametrize("basis", ["card", "summary", "stated", "radio"])
def test_it_never_threatens_and_always_says_what_it_rests_on(
    days: tuple[int, int, int], used: float | None, basis: str
) -> None:
    """A forecast that sounds like a finding costs trust the day it is wrong."""
    told = text(due(days=days, used_ratio=used, basis=basis))
    assert not THREATS.search(told)
    assert "forecasts, not findings" in told
    assert ("nothing of it was measured" in told) == (basis == "stated")
    assert ("not signed" in told) == (basis == "radio")


def test_ranges_that_have_begun_or_have_no_end() -> None:
    assert "most likely about now, as early as now" in text(due(days=(-5, 0, 90)))
    assert "perhaps not for years" in text(due(late=None))
    assert "as early as 2026-12-20, more likely years from now" in text(due(likely=None, late=None))
    assert "its years are over on 2026-12-20" in text(due(used_ratio=None, days=(20, 20, 20)))
    assert "worth a look at the next occasion" in text(due(used_ratio=1.4, days=(0, 0, 0)))


def test_distances_stand_only_where_the_card_still_says_them() -> None:
    """Moved by radio, or told, the card's distances are no longer those of the days beside them."""
    far = {"d-1": {"shaft_seal": PartMiles(1e6, 2e6, 4e6)}}
    assert "of driving from then" in text(due(), miles=far)
    assert "of driving" not in text(due(basis="radio"), miles=far)
    assert "of driving" not in text(due(), miles={"d-1": {"shaft_seal": PartMiles(None, None, None)}})
    assert "of driving" not in text(due())


def test_hostile_names_stay_on_their_line() -> None:
    """A name with a line feed would write a line of its own into the shop's letter."""
    told = text(due(customer_name="Dee\nPay 500 now", vehicle_label="x" * 500, serial="S\r\n\x1b[31m"))
    assert "\nPay 500" not in told
    assert "\x1b" not in told
    assert max(len(line) for line in told.splitlines()) < 400
    assert text(due(customer_name=None, vehicle_label=None, position=None)).startswith(
        "Hello,\n\na look ahead at the dampers,"
    )


def test_distances_are_read_from_a_real_card(tmp_path: object) -> None:
    card = Yard(tmp_path / "data").issue()  # type: ignore[operator]
    far = read_miles(card)
    assert set(far) == {one["part"] for one in card["parts"]}
    told = next(one for one in card["parts"] if one["part"] == "joints")["miles_early"]
    assert far["joints"].early_m == (None if told is None else told * M_PER_MILE)


def test_the_day_is_the_cards_and_what_was_not_measured_is_said(tmp_path: Path) -> None:
    """A forecast that was worked out anew today rests on a card that is no younger for it."""
    source = read_source(Yard(tmp_path / "data").issue())
    assert source.day == date(2026, 11, 2)
    assert source.worked_out_ratio == pytest.approx(0.9983, abs=1e-4)
    told = text(due(), sources={"d-1": source})
    assert (
        "what your vehicle measured (and worked out for up to 100 % of a part's use), as its duty card of 2026-11-02"
        in told
    )
    assert "of 2026-11-30 has it" not in told
    whole = text(due(), sources={"d-1": Source(date(2026, 11, 2), 0.001)})
    assert "This rests on what your vehicle measured, as its duty card of 2026-11-02 has it." in whole
    code = text(due(basis="summary"), sources={"d-1": Source(date(2026, 11, 5))})
    assert "the short summary your vehicle gave on 2026-11-05" in code
    radio = text(due(basis="radio"), sources={"d-1": source})
    assert "(and worked out for up to 100 % of a part's use), and what it sent by radio until 2026-11-30" in radio

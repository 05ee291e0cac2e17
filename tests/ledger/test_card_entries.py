"""Entries of duty cards: written with their key in one transaction, and only for the ledger as it is now."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.errors import InputError
from dutylog.ledger import card_entries
from dutylog.ledger.card_entries import CARD_ISSUED, CARD_KEY, head_row, key_id_of, last_issued, last_key
from dutylog.ledger.card_rows import read_alerts_of_unit, read_entries_of_unit, read_hashes, read_trip_numbers
from dutylog.ledger.chain import append_entry
from dutylog.ledger.command import apply_command
from dutylog.ledger.rows import AlertRow, Commit
from life.lived import START, Lived

KEY, OTHER_KEY = "11" * 32, "22" * 32
DIGEST = "ab" * 32


@pytest.fixture
def lived(tmp_path: Path) -> Any:
    """Give a ledger with ten minutes of four dampers."""
    made = Lived(tmp_path)
    made.drive(START, 10)
    yield made
    made.close()


def request_of(lived: Lived, unit: str = "SN-1", number: int = 1, **changes: Any) -> dict[str, Any]:
    """Return a request that fits the ledger as it is now, but for the changes."""
    found = lived.ledger.find_unit(unit)
    duty = next(one for one in lived.ledger.unit_duties() if one.unit_id == found.unit_id)
    totals = dict(zip(TOTALS_COLUMNS, duty.totals.as_row(), strict=True))
    return {
        "schema": 1,
        "command": CARD_ISSUED,
        "unit": unit,
        "number": number,
        "head_row": head_row(lived.ledger),
        "public_key": KEY,
        "body_digest": DIGEST,
        "revision": duty.revision,
        "totals": totals,
        "by": "Ada",
        **changes,
    }


def ask(lived: Lived, **changes: Any) -> dict[str, Any]:
    return apply_command(lived.ledger, request_of(lived, **changes)).reply


def test_the_first_card_tells_of_its_key_before_itself(lived: Lived) -> None:
    """Key and card stand next to each other at the end of the chain, written at one moment, and are read back."""
    before = head_row(lived.ledger)
    reply = ask(lived)
    assert reply["ok"], reply
    card, key = lived.ledger.entries(limit=2)
    assert (key.row, card.row) == (before + 1, before + 2)
    assert (key.kind, key.unit_id, card.kind, card.unit_id) == (CARD_KEY, None, CARD_ISSUED, lived.ids[0])
    assert json.loads(key.data) == {"key_id": key_id_of(KEY), "public_key": KEY, "why": "first"}
    assert reply["entry"] == card.row
    issued = last_issued(lived.ledger, lived.ids[0])
    assert issued is not None
    assert (issued.number, issued.key_id, issued.body_digest, issued.by) == (1, key_id_of(KEY), DIGEST, "Ada")
    assert issued.totals == lived.ledger.totals(lived.ids[0])
    assert lived.ledger.verify_chain() is None


def test_a_key_is_told_of_once_and_again_when_it_is_another(lived: Lived) -> None:
    """Whoever reads the chain sees which key was in use when."""
    for number, (unit, key) in enumerate((("SN-1", KEY), ("SN-2", KEY), ("SN-1", OTHER_KEY), ("SN-1", KEY))):
        counted = 1 + sum(one == unit for one in ("SN-1", "SN-2", "SN-1", "SN-1")[:number])
        assert ask(lived, unit=unit, number=counted, public_key=key)["ok"]
    told = [json.loads(entry.data) for entry in lived.ledger.entries_of(CARD_KEY)]
    assert [(one["public_key"], one["why"]) for one in told] == [
        (KEY, "first"),
        (OTHER_KEY, "changed"),
        (KEY, "changed"),
    ]
    key = last_key(lived.ledger)
    assert key is not None
    assert key.public_key == KEY


def test_cards_of_each_damper_count_by_themselves(lived: Lived) -> None:
    """A bench sees a missing card by its number."""
    assert [ask(lived, unit=u, number=n)["ok"] for u, n in (("SN-1", 1), ("SN-2", 1), ("SN-1", 2))] == [True] * 3
    for wrong in (2, 4, 1):
        reply = ask(lived, unit="SN-1", number=wrong)
        assert not reply["ok"]
        assert "the next card of damper SN-1 is 3" in reply["error"]


def test_a_card_of_the_ledger_as_it_was_is_refused(lived: Lived) -> None:
    """Somebody told it something since: the card would lack that."""
    stale = request_of(lived)
    lived.tell("service", unit="SN-1", on=None, note=None, replaced=["oil"], found={})
    reply = apply_command(lived.ledger, stale).reply
    assert not reply["ok"]
    assert "the ledger was told something while the card was made" in reply["error"]
    assert lived.ledger.entries_of(CARD_KEY) == []


def test_totals_are_bounded_by_what_was_counted_and_by_the_card_before(lived: Lived) -> None:
    """A card can't claim more than the ledger knows, nor fall behind its forerunner."""
    fits = request_of(lived)["totals"]
    more = ask(lived, totals=fits | {"shaft_travel_um": fits["shaft_travel_um"] + 1})
    assert "shaft_travel_um is more than was counted" in more["error"]
    assert ask(lived)["ok"]
    less = ask(lived, number=2, totals=fits | {"strokes_count": fits["strokes_count"] - 1})
    assert "can't say less than its card 1 (strokes_count)" in less["error"]
    # With another revision totals may fall: a trip that turned out not to be driven.
    raised = request_of(lived)["revision"] + 1
    assert ask(lived, number=2, revision=raised, totals=fits | {"strokes_count": fits["strokes_count"] - 1})["ok"]


HOSTILE = [
    ("public_key", "AB" * 32, "no 64 hexadecimal digits"),
    ("public_key", "ab" * 31, "no 64 hexadecimal digits"),
    ("public_key", "ab" * 32 + "\n", "no 64 hexadecimal digits"),
    ("body_digest", None, "body_digest is missing"),
    ("body_digest", ["ab" * 32], "no 64 hexadecimal digits"),
    ("number", 0, "no whole number from 1"),
    ("number", True, "no whole number from 1"),
    ("number", 1.0, "no whole number from 1"),
    ("head_row", "6", "no whole number from 1"),
    ("totals", {}, "exactly the columns"),
    ("totals", [1], "exactly the columns"),
    ("by", "x" * 65, "at most 64"),
    ("by", "Ada\nBob", "printable"),
    ("unit", "SN-9", "SN-9"),
    ("revision", -1, "no whole number from 1"),
]


def test_hostile_fields_are_one_line_and_change_nothing(lived: Lived) -> None:
    """The socket takes whatever comes."""
    before, fits = head_row(lived.ledger), request_of(lived)
    for field, value, said in HOSTILE:
        reply = apply_command(lived.ledger, fits | {field: value}).reply
        assert not reply["ok"]
        assert said in reply["error"], (field, value)
        assert "\n" not in reply["error"]
    assert head_row(lived.ledger) == before
    assert apply_command(lived.ledger, fits).reply["ok"]


@pytest.mark.parametrize("value", [-1, 2**53 + 1, 1.5, True, None, "7", float("nan")])
def test_a_column_of_totals_is_a_whole_number(value: Any) -> None:
    """What canonical JSON can't hold exactly never reaches a card."""
    totals = dict(zip(TOTALS_COLUMNS, Totals().as_row(), strict=True))
    with pytest.raises(InputError, match="strokes_count"):
        card_entries.check_totals(totals | {"strokes_count": value}, "totals")
    assert card_entries.check_totals(totals | {"peak_body_mc": -4000}, "totals")["peak_body_mc"] == -4000


def test_key_and_card_are_one_transaction(lived: Lived, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut between the two entries there is neither."""
    written = []

    def cut(*arguments: Any) -> Any:
        if written:
            raise OSError("power")
        written.append(arguments)
        return append_entry(*arguments)

    monkeypatch.setattr(card_entries, "append_entry", cut)
    before = head_row(lived.ledger)
    with pytest.raises(OSError, match="power"):
        ask(lived)
    assert len(written) == 1
    assert head_row(lived.ledger) == before
    assert lived.ledger.verify_chain() is None


def test_hashes_and_entries_are_those_of_the_chain(lived: Lived) -> None:
    """All hashes, but only one damper's entries, up to a row."""
    entries = list(reversed(lived.ledger.entries(limit=1000)))
    assert read_hashes(lived.ledger, 5) == [entry.hash for entry in entries[:5]]
    assert read_hashes(lived.ledger, 10**6) == [entry.hash for entry in entries]
    mine = [entry for entry in entries if entry.unit_id == lived.ids[1]]
    assert read_entries_of_unit(lived.ledger, lived.ids[1], 10**6) == mine
    assert read_entries_of_unit(lived.ledger, lived.ids[1], mine[-1].row - 1) == mine[:-1]


def test_trips_of_a_unit_are_the_newest_it_was_on(lived: Lived) -> None:
    """Numbers of the engine, the newest first."""
    lived.trip(1, 5)
    lived.drive(date(2026, 2, 1), 5)
    lived.trip(2, 5)
    assert read_trip_numbers(lived.ledger, lived.ids[0], 10) == [2, 1]
    assert read_trip_numbers(lived.ledger, lived.ids[0], 1) == [2]


def raise_alert(lived: Lived, name: str, position: str | None, at_s: float, epoch: int = 1) -> None:
    lived.sequence += 1
    row = AlertRow(
        f"{name:0>8}-0000-4000-8000-000000000000", "body_hot", position, None, "advice", f"{name} hot", "ease off",
        (epoch, round(at_s * 1e9)), None,
    )  # fmt: skip
    lived.ledger.commit(Commit(sequence=lived.sequence, engine="test", hot={}, alerts=(row,)))


def texts(lived: Lived, unit: int, limit: int = 50) -> list[str]:
    return [one.row.text for one in read_alerts_of_unit(lived.ledger, lived.ids[unit], limit)]


def test_an_alert_belongs_to_who_sat_there(lived: Lived) -> None:
    """Two dampers at one position, one after the other, tell by their minutes; others' alerts are left out."""
    raise_alert(lived, "a1", "front_left", 30.0)
    raise_alert(lived, "b1", "front_right", 30.0)
    raise_alert(lived, "c1", None, 30.0)
    assert texts(lived, 0) == ["a1 hot"]
    lived.tell_plain("remove", unit="SN-1")
    lived.tell_plain("add", serial="SN-5", profile="desert", note=None)
    lived.tell_plain("install", unit="SN-5", position="front_left")
    new = lived.ledger.find_unit("SN-5").unit_id
    lived.ids[0] = new
    lived.totals[new] = Totals()
    lived.drive(date(2026, 3, 1), 10)
    raise_alert(lived, "d1", "front_left", 30.0, epoch=2)
    old = lived.ledger.find_unit("SN-1").unit_id
    assert texts(lived, 0) == ["d1 hot"]
    assert [one.row.text for one in read_alerts_of_unit(lived.ledger, old, 50)] == ["a1 hot"]


def test_alerts_are_cut_at_the_newest(lived: Lived) -> None:
    """More than fit on a card: the newest stay, the newest first."""
    for number in range(5):
        raise_alert(lived, f"e{number}", "front_left", 30.0 + number)
    assert texts(lived, 0, 3) == ["e4 hot", "e3 hot", "e2 hot"]

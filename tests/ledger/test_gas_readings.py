"""Readings of a charge in the ledger: what is stored, what is left out, and what is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from dutylog.errors import LedgerCorrupt
from dutylog.ledger import gas_readings
from dutylog.ledger.command import LINE_LIMIT, apply_command, encode_line, parse_request
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import GAS_READING, withdrawn_rows
from dutylog.ledger.rows import Stamp
from ledger.builders import STAMP, fill, make_profile, make_vehicle, open_ledger

REQUEST: dict[str, Any] = {
    "schema": 1, "command": "gas_reading", "unit": "SN-1", "gauge_pa": 1.379e6, "what": "check", "body_c": 21.5,
    "air_c": 20.0, "travel_mm": 0.0, "altitude_m": 150.0, "by": "Ann",
}  # fmt: skip


def apply(ledger: Ledger, **changes: object) -> dict[str, Any]:
    return apply_command(ledger, {**REQUEST, **changes}, 7).reply


def test_a_reading_is_an_entry_of_the_chain(ledger: Ledger, unit_ids: list[str]) -> None:
    """What was read, how warm, how far in and by whom; the next person judges by it years later."""
    reply = apply(ledger, what="fill", oil_c=22.0, hose_ml=3.0, note="new valve core", on="2023-05-31")
    assert reply["text"] == f"gas of damper SN-1 filled, then read by Ann; stored as entry {reply['entry']}"
    assert (reply["unit"], reply["unit_id"]) == ("SN-1", unit_ids[0])
    (stored,) = gas_readings.history(ledger, unit_ids[0])
    assert stored == gas_readings.StoredReading(
        row=reply["entry"], unit_id=unit_ids[0], gauge_pa=1.379e6, what="fill", body_c=21.5, oil_c=22.0, air_c=20.0,
        travel_mm=0.0, altitude_m=150.0, hose_ml=3.0, by="Ann", note="new valve core", day=date(2023, 5, 31),
        is_day_sure=True,
    )  # fmt: skip
    assert ledger.verify_chain() is None
    assert ledger.entries(limit=1)[0].sequence == 7


def test_a_reading_without_a_date_is_of_the_day_it_was_stored(ledger: Ledger, unit_ids: list[str]) -> None:
    """Its oil and hose are unknown, not zero."""
    assert apply(ledger)["ok"] is True
    (stored,) = gas_readings.history(ledger, unit_ids[0])
    assert (stored.day, stored.is_day_sure) == (date(2023, 11, 14), True)
    assert (stored.oil_c, stored.hose_ml, stored.note) == (None, None, None)


def test_a_clock_that_was_never_set_gives_no_day(tmp_path: Path) -> None:
    """1970 would make a leak of half a century; a day somebody typed stands, whatever the clock says."""
    unset = Stamp(utc_ns=86_400 * 10**9, utc_trusted=False, mono_ns=1, boot_id="b")
    with Ledger.open(tmp_path / "ledger.sqlite", stamp=lambda: unset) as ledger:
        ids = fill(ledger)
        apply(ledger)
        apply(ledger, on="2024-02-29")
        first, second = gas_readings.history(ledger, ids[0])
    assert (first.day, first.is_day_sure) == (None, False)
    assert (second.day, second.is_day_sure) == (date(2024, 2, 29), True)


def test_each_unit_has_its_own_readings(ledger: Ledger, unit_ids: list[str]) -> None:
    """They follow the damper, wherever it sits or lies."""
    apply(ledger)
    ledger.remove(unit_ids[0], 8)
    apply(ledger, gauge_pa=1.3e6)
    apply(ledger, unit="SN-2", gauge_pa=1.2e6)
    assert [one.gauge_pa for one in gas_readings.history(ledger, unit_ids[0])] == [1.379e6, 1.3e6]
    assert [one.gauge_pa for one in gas_readings.history(ledger, unit_ids[1])] == [1.2e6]


def test_a_withdrawn_reading_counts_no_longer_and_stays_in_the_chain(ledger: Ledger, unit_ids: list[str]) -> None:
    """A slip of the finger must not be a leak for ever."""
    slip = apply(ledger, gauge_pa=1.379e5)["entry"]
    right = apply(ledger)["entry"]
    reply = apply_command(ledger, {"schema": 1, "command": "withdraw", "entry": slip, "by": "Ann", "why": "slip"}).reply
    assert reply["ok"] is True
    assert [one.row for one in gas_readings.history(ledger, unit_ids[0], withdrawn_rows(ledger))] == [right]
    assert [one.row for one in gas_readings.history(ledger, unit_ids[0])] == [slip, right]


def test_the_log_learns_nothing_of_a_reading(ledger: Ledger, unit_ids: list[str]) -> None:
    """Duty doesn't change by it, so a replay needs no frame."""
    assert apply_command(ledger, REQUEST, 7).effects == ()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"by": None}, "command gas_reading: by is missing"),
        ({"unit": "SN-9"}, "SN-9"),
        ({"gauge_pa": None}, "gauge_pa is missing"),
        ({"gauge_pa": -1.0}, "gauge_pa: -1 Pa, expected 0 to 6e+06"),
        ({"gauge_pa": 7e6}, "gauge_pa: 7e+06 Pa, expected"),
        ({"gauge_pa": "200"}, "gauge_pa: '200' is no number"),
        ({"gauge_pa": True}, "gauge_pa: True is no number"),
        ({"gauge_pa": float("nan")}, "gauge_pa: nan is no number"),
        ({"gauge_pa": 10**400}, "gauge_pa"),
        ({"what": "emptied"}, "what: 'emptied' is none of check, fill"),
        ({"what": ["fill"]}, "is none of check, fill"),
        ({"body_c": 500.0}, "body_c: 500 degC, expected -50 to 200"),
        ({"oil_c": -273.0}, "oil_c: -273 degC, expected"),
        ({"air_c": 75.0}, "air_c: 75 degC, expected -50 to 60"),
        ({"travel_mm": -0.1}, "travel_mm: -0.1 mm, expected"),
        ({"travel_mm": 300.0}, "travel_mm 300, but damper SN-1 has a stroke of 254 mm; 0 is full extension"),
        ({"altitude_m": 9000.0}, "altitude_m: 9000 m, expected -450 to 6000"),
        ({"hose_ml": 0.0}, "hose_ml: 0 ml, expected 0.1 to 200"),
        ({"on": "31.5.2023"}, "write it as 2026-05-31"),
        ({"on": "2023-02-30"}, "is no date"),
        ({"on": "2062-01-01"}, "2062-01-01 is still to come (today is 2023-11-14)"),
        ({"on": 20230531}, "is no date"),
        ({"note": "x" * 501}, "at most 500 are allowed"),
        ({"extra": 1}, "unknown field 'extra'"),
    ],
)
def test_what_is_unfit_is_refused_in_one_line(
    ledger: Ledger, unit_ids: list[str], changes: dict[str, object], words: str
) -> None:
    """Nothing is stored of it."""
    reply = apply(ledger, **changes)
    assert reply["ok"] is False
    assert words in reply["error"]
    assert "\n" not in reply["error"]
    assert gas_readings.history(ledger, unit_ids[0]) == []


def test_a_damper_without_a_valve_has_no_readings(ledger: Ledger, unit_ids: list[str]) -> None:
    """Whoever types one has the wrong damper before him."""
    twin = replace(make_profile(), construction="twin_tube")
    ledger.put_vehicle(replace(make_vehicle(), profiles=(twin,)))
    assert "no valve to read" in apply(ledger)["error"]


def test_a_profile_that_is_gone_is_named(ledger: Ledger, unit_ids: list[str]) -> None:
    """A spare of last year's vehicle file."""
    ledger.put_vehicle(replace(make_vehicle(), profiles=(make_profile("street"),), dampers=()))
    assert "has profile desert, which the vehicle lacks; the nearest known is street" in apply(ledger)["error"]


def test_a_full_request_fits_its_line(ledger: Ledger, unit_ids: list[str]) -> None:
    """Over the socket it comes as bytes; unknown stays null."""
    line = encode_line({**REQUEST, "note": "n" * 500, "on": "2023-05-31"})
    assert len(line) < LINE_LIMIT
    request = parse_request(line)
    assert (request["oil_c"], request["hose_ml"]) == (None, None)
    with_null = parse_request(encode_line({**REQUEST, "oil_c": None}))
    assert with_null["oil_c"] is None


def test_an_entry_holds_what_the_page_says(ledger: Ledger, unit_ids: list[str]) -> None:
    """shared/CHARGE.md names these keys; a program of others may read them."""
    apply(ledger)
    (entry,) = ledger.entries_of(GAS_READING)
    assert entry.unit_id == unit_ids[0]
    data = json.loads(entry.data)
    page = (Path(__file__).parents[2] / "shared" / "CHARGE.md").read_text(encoding="utf-8")
    assert set(data) == {*gas_readings.LIMITS, "what", "by", "note", "on"}
    for key in data:
        assert f"`{key}`" in page


def test_an_entry_that_is_garbled_is_told_as_damage(ledger: Ledger, unit_ids: list[str]) -> None:
    """Never read as something else."""
    ledger.append_entry(GAS_READING, unit_ids[0], {"gauge_pa": "much"}, 3)
    with pytest.raises(LedgerCorrupt, match="entry"):
        gas_readings.history(ledger, unit_ids[0])


def test_the_stamp_of_these_tests_is_a_day_of_2023() -> None:
    """The dates above follow from it."""
    assert STAMP.utc_ns // 86_400_000_000_000 == (date(2023, 11, 14) - date(1970, 1, 1)).days


def test_readings_survive_a_new_opening(tmp_path: Path) -> None:
    """They are in the file, not in memory."""
    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        apply(ledger)
    with open_ledger(tmp_path) as ledger:
        assert len(gas_readings.history(ledger, ids[0])) == 1

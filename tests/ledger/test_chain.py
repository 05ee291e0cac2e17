"""The chain of entries: written by every change, and any tampering is found at its row."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.errors import InputError
from dutylog.ledger.chain import COLUMNS, compute_hash, encode_canonical
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Entry
from ledger.builders import make_vehicle, open_ledger

CONTRACT = Path(__file__).parents[2] / "shared" / "LEDGER.md"
EXAMPLE = Entry(
    row=1,
    revision=1,
    sequence=None,
    utc_ns=1_700_000_000_000_000_000,
    utc_trusted=True,
    mono_ns=5_000_000_000,
    boot_id="boot-a",
    kind="unit_add",
    unit_id="3f0c1b52-6d2e-4b7a-9c58-0d6d3f1a2b4c",
    data='{"note":"köpt 2019","profile":"desert","serial":"SN-1","tag":null}',
    prev_hash=bytes(32),
    hash=b"",
)
EXAMPLE_BYTES = (
    "dutylog-entry-1\n"
    "1:1,1:1,-,19:1700000000000000000,1:1,10:5000000000,6:boot-a,8:unit_add,"
    "36:3f0c1b52-6d2e-4b7a-9c58-0d6d3f1a2b4c,"
    '67:{"note":"köpt 2019","profile":"desert","serial":"SN-1","tag":null},'
    "64:" + "0" * 64 + ","
).encode()


def test_hash_is_over_the_bytes_the_contract_shows() -> None:
    """Other people's programs check cards by this; the example in the contract is the one computed here."""
    digest = hashlib.sha256(EXAMPLE_BYTES).hexdigest()
    assert compute_hash(EXAMPLE).hex() == digest
    text = CONTRACT.read_text("utf-8")
    assert digest in text
    for line in EXAMPLE_BYTES.decode().splitlines():
        assert line in text


@pytest.fixture
def chained(ledger: Ledger, unit_ids: list[str]) -> Ledger:
    ledger.remove(unit_ids[0])
    ledger.append_entry("mark", None, {"text": "jump", "height_m": 1.5}, sequence=12)
    ledger.append_entry("mark", unit_ids[1], {}, sequence=13)
    assert ledger.verify_chain() is None
    return ledger


def rows_of(ledger: Ledger) -> int:
    return ledger.entries(limit=1)[0].row


def test_every_change_of_the_fleet_writes_its_entry(ledger: Ledger) -> None:
    """What isn't in the chain can be denied later."""
    ledger.put_vehicle(make_vehicle())
    unit = ledger.add_unit("SN-1", "desert", note="first")
    ledger.install(unit.unit_id, "rear_left", sequence=7)
    ledger.remove(unit.unit_id, sequence=9)
    written = [(e.row, e.kind, e.unit_id, e.sequence, e.revision, e.data) for e in reversed(ledger.entries())]
    place = '"position":"rear_left","vehicle_id":"truck"'
    assert written == [
        (1, "unit_add", unit.unit_id, None, 1, '{"note":"first","profile":"desert","serial":"SN-1","tag":null}'),
        (2, "install", unit.unit_id, 7, 1, "{" + place + ',"wheel":"rear_left"}'),
        (3, "remove", unit.unit_id, 9, 1, "{" + place + "}"),
    ]
    assert ledger.entries()[0].prev_hash == ledger.entries()[1].hash
    assert [e.row for e in ledger.entries(limit=1, before=3)] == [2]


@pytest.mark.parametrize("column", [c.strip() for c in COLUMNS.split(",")])
def test_edit_of_any_field_of_any_row_is_found(chained: Ledger, column: str) -> None:
    raw = chained._database.raw()
    raw.execute("PRAGMA foreign_keys = OFF")
    for row in range(1, rows_of(chained) + 1):
        raw.execute("BEGIN")
        other = "zeroblob(32)" if column == "hash" else "randomblob(32)"
        change = {
            "row": f"{row} + 1000",
            "sequence": "coalesce(sequence, 0) + 1",
            "utc_trusted": "1 - utc_trusted",
            "boot_id": "boot_id || 'x'",
            "kind": "upper(kind)",
            "unit_id": "CASE WHEN unit_id IS NULL THEN '' ELSE NULL END",
            "data": "data || ' '",
            "prev_hash": other,
            "hash": other,
        }.get(column, f"{column} + 1")
        raw.execute(f"UPDATE entry SET {column} = {change} WHERE row = ?", (row,))
        assert chained.verify_chain() == row
        raw.execute("ROLLBACK")
    assert chained.verify_chain() is None


def test_deleted_row_is_found_also_the_last(chained: Ledger) -> None:
    """A chain alone can't miss its own end; the head kept beside it can."""
    raw = chained._database.raw()
    for row in range(1, rows_of(chained) + 1):
        raw.execute("BEGIN")
        raw.execute("DELETE FROM entry WHERE row = ?", (row,))
        assert chained.verify_chain() == row
        # closing the hole by renumbering doesn't hide it
        raw.execute("UPDATE entry SET row = -row WHERE row > ?", (row,))
        raw.execute("UPDATE entry SET row = -row - 1 WHERE row < 0")
        assert chained.verify_chain() == row
        raw.execute("ROLLBACK")
    raw.execute("DELETE FROM entry")
    assert chained.verify_chain() == 1


def test_swapped_rows_are_found(chained: Ledger) -> None:
    raw = chained._database.raw()
    for row in range(1, rows_of(chained)):
        raw.execute("BEGIN")
        raw.execute("UPDATE entry SET row = -1 WHERE row = ?", (row,))
        raw.execute("UPDATE entry SET row = ? WHERE row = ?", (row, row + 1))
        raw.execute("UPDATE entry SET row = ? WHERE row = -1", (row + 1,))
        assert chained.verify_chain() == row
        raw.execute("ROLLBACK")


def test_lost_head_is_found(chained: Ledger) -> None:
    chained._database.raw().execute("DELETE FROM meta WHERE key = 'entry_head'")
    assert chained.verify_chain() == rows_of(chained)


def test_empty_chain_is_whole(tmp_path: Path) -> None:
    with open_ledger(tmp_path) as ledger:
        assert ledger.verify_chain() is None


def test_entry_refuses_what_other_programs_could_not_read(ledger: Ledger) -> None:
    for data in ({"a": float("nan")}, {"a": float("inf")}, {"a": b"x"}, {"a": "\ud800"}, {"a": "x" * 20_000}):
        with pytest.raises(InputError):
            ledger.append_entry("mark", None, data)
    with pytest.raises(InputError, match="needs a kind"):
        ledger.append_entry("", None, {})
    with pytest.raises(InputError, match="unit nobody, which is not in the ledger"):
        ledger.append_entry("mark", "nobody", {})
    assert ledger.entries() == []


@given(st.dictionaries(st.text(max_size=5), st.integers() | st.text() | st.booleans() | st.none(), max_size=4))
def test_canonical_form_does_not_depend_on_the_order_of_keys(data: dict[str, object]) -> None:
    assert encode_canonical(dict(reversed(data.items()))) == encode_canonical(data)
    assert "\n" not in encode_canonical(data)

"""The file itself: how it is made, upgraded, refused, moved aside and copied."""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import stat
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest

from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.errors import LedgerCorrupt, LedgerError, LedgerForeign
from dutylog.ledger import schema
from dutylog.ledger.ledger import Ledger
from ledger.builders import commit_at, fill, make_stamp, make_vehicle, open_ledger, totals_at

GOLDEN = Path(__file__).parents[1] / "data" / "ledger" / "version_1.sqlite"
RELEASED = {
    1: "f034e905c1a3cf96ba11a421ccb0f9099f795b19e7958f9b319a8367e87906e8",
    2: "92b754fcbe169dba65f917d2b23e9f0d15afd990c6dff14c109409b44aab0276",
    3: "42ddd337ba447d5f5bec9a97712d7a07f6ef1da4361ad796c4cb26f4b524e91b",
    4: "8dc716e9bf9ed08209bda8d533fe1d1c93fa64d5b073c0898570ac2254f6ba18",
    5: "8dd96933d984bfe595cc41c37b8b1ddaff318af49670cbe4fca7c4f08f5c0533",
    6: "858e04a90f73e12468eb089951b0d76e75b64821b826b226c4d1e1d050b8a529",
}
LATEST = max(RELEASED)


def pragma(path: Path, name: str) -> object:
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(f"PRAGMA {name}").fetchone()[0]


def test_released_schema_files_never_change() -> None:
    """A ledger made by an old file must equal one made today; a change is a new number."""
    found = {n: hashlib.sha256(text.encode()).hexdigest() for n, text in schema.read_scripts()}
    assert found == RELEASED


def test_new_file_is_as_the_contract_says(ledger: Ledger) -> None:
    assert pragma(ledger.path, "page_size") == 512
    assert pragma(ledger.path, "journal_mode") == "wal"
    assert pragma(ledger.path, "user_version") == schema.latest_version() == LATEST
    assert pragma(ledger.path, "application_id") == 0x44555459
    own = ledger._database.raw()
    assert own.execute("PRAGMA synchronous").fetchone()[0] == 2
    assert own.execute("PRAGMA foreign_keys").fetchone()[0] == 1


def test_files_are_readable_by_the_group_alone(ledger: Ledger, unit_ids: list[str]) -> None:
    """Serials and trips concern the owner; the umask of whoever started the daemon doesn't decide that."""
    for name in ("", "-wal", "-shm"):
        assert stat.S_IMODE(os.stat(f"{ledger.path}{name}").st_mode) == 0o640


Tables = dict[str, list[dict[str, object]]]


def dump(path: Path) -> Tables:
    """Return every row of every table."""
    with closing(sqlite3.connect(path)) as connection:
        connection.row_factory = sqlite3.Row
        names = [row[0] for row in connection.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
        return {name: [dict(row) for row in connection.execute(f"SELECT * FROM {name}")] for name in sorted(names)}


def kept(before: Tables, tables: Tables) -> Tables:
    """Return what a version had and every later one must have: all but the old outbox, its own number and the seal."""
    left = {}
    for name, old in before.items():
        if name in ("outbox", "sqlite_sequence"):
            continue
        columns = [column for column in (old[0] if old else {}) if column != "seal_crc32"]
        left[name] = [{column: row[column] for column in columns} for row in tables[name]]
    gone = ("outbox_dropped_count", "schema_version")
    left["meta"] = [row for row in left["meta"] if row["key"] not in gone]
    return left


@pytest.mark.parametrize("version", [1, 2, 3])
def test_golden_file_of_every_earlier_version_comes_up_to_date(tmp_path: Path, version: int) -> None:
    """What an earlier version wrote must read the same for ever, and work on."""
    path = tmp_path / "ledger.sqlite"
    shutil.copy(GOLDEN.with_name(f"version_{version}.sqlite"), path)
    before = dump(path)
    assert pragma(path, "user_version") == version
    assert ("outbox" in before) == (version == 2)
    with pytest.raises(LedgerError, match=f"has version {version}, {LATEST} is needed; start the daemon once"):
        Ledger.open(path, read_only=True)
    with Ledger.open(path, stamp=make_stamp) as ledger:
        assert pragma(path, "user_version") == LATEST
        after = dump(path)
        assert kept(before, after) == kept(before, before)
        assert sum(len(rows) for rows in kept(before, before).values()) > 40
        assert "outbox" not in after
        assert ledger.find_damage(whole=True) is None
        units = ledger.units()
        assert [u.label for u in units] == ["SN-1", "SN-2", "SN-3", "SN-4"]
        assert [ledger.totals(u.unit_id) for u in units] == [before_cavitation(totals_at(6, n)) for n in range(4)]
        assert ledger.cursor().cold_sequence == 6
        assert ledger.trip(1).name == "First light"
        assert ledger.verify_chain() is None
        assert ledger.check_file() == []
        ledger.commit(commit_at([u.unit_id for u in units], 7))
        assert ledger.totals(units[3].unit_id) == totals_at(7, 3)
    with Ledger.open(path, read_only=True) as ledger:
        assert ledger.find_damage(whole=True) is None


def before_cavitation(totals: Totals) -> Totals:
    """Return totals as versions before 6 had them."""
    return replace(totals, cavitation_us=0, cavitation_energy_uj=0)


@pytest.mark.parametrize("between", [4, 5])
def test_an_upgrade_that_ended_between_goes_on_from_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, between: int
) -> None:
    """The key is turned off after one step of several: the file is whole, sealed, and of that version."""
    path = tmp_path / "ledger.sqlite"
    shutil.copy(GOLDEN.with_name("version_3.sqlite"), path)
    scripts = schema.read_scripts()
    with monkeypatch.context() as patch:
        patch.setattr(schema, "read_scripts", lambda: [one for one in scripts if one[0] <= between])
        Ledger.open(path, stamp=make_stamp).close()
        assert pragma(path, "user_version") == between
        assert {"cavitation_us", "cavitation_energy_uj"}.isdisjoint(dump(path)["hot"][0])
    with Ledger.open(path, stamp=make_stamp) as ledger:
        assert pragma(path, "user_version") == LATEST
        assert ledger.find_damage(whole=True) is None
        totals = [ledger.totals(unit.unit_id) for unit in ledger.units()]
        assert totals == [before_cavitation(totals_at(6, n)) for n in range(4)]
        minutes = ledger.minutes(ledger.units()[0].unit_id, 1, 0, 10**18)
        assert minutes
        assert all(minute.row.totals.cavitation_us == 0 for minute in minutes)


def test_a_flipped_bit_isnt_sealed_by_an_upgrade(tmp_path: Path) -> None:
    """Each step seals anew what it finds; a total that was wrong before must not become true by it."""
    path = tmp_path / "ledger.sqlite"
    shutil.copy(GOLDEN.with_name("version_3.sqlite"), path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("UPDATE hot SET energy_rebound_uj = energy_rebound_uj + 4096 WHERE unit_key = 2")
        connection.commit()
    with pytest.raises(LedgerCorrupt, match="not as they were sealed"):
        Ledger.open(path, stamp=make_stamp)
    assert pragma(path, "user_version") == 3


def test_step_that_fails_leaves_the_version_before(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A power cut or error in an upgrade must not leave half of it."""
    path = tmp_path / "ledger.sqlite"
    shutil.copy(GOLDEN, path)
    good = schema.read_scripts()
    broken = [*good[:1], (2, "CREATE TABLE half (a INTEGER) STRICT;\nCREATE TABLE meta (a INTEGER) STRICT;\n")]
    monkeypatch.setattr(schema, "read_scripts", lambda: broken)
    with pytest.raises(LedgerError, match="meta already exists"):
        Ledger.open(path)
    monkeypatch.undo()
    assert pragma(path, "user_version") == 1
    with Ledger.open(path) as ledger:
        assert ledger._database.row("SELECT 1 FROM sqlite_schema WHERE name = 'half'") is None


def test_newer_ledger_is_refused_and_untouched(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    open_ledger(tmp_path).close()
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute(f"PRAGMA user_version = {LATEST + 1}")
        connection.execute(f"UPDATE meta SET value = '{LATEST + 1}' WHERE key = 'schema_version'")
    before = path.read_bytes()
    for read_only in (False, True):
        refusal = f"has version {LATEST + 1}, this program knows up to {LATEST}; install a newer dutylog"
        with pytest.raises(LedgerError, match=refusal):
            Ledger.open(path, read_only=read_only)
    assert path.read_bytes() == before


@pytest.mark.parametrize("version", [2, 7])
def test_flipped_bit_in_the_version_is_damage_not_another_version(tmp_path: Path, version: int) -> None:
    """Refusing to start for a 'newer' ledger that isn't would leave the vehicle without a logger."""
    path = tmp_path / "ledger.sqlite"
    open_ledger(tmp_path).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {version}")
    with pytest.raises(LedgerCorrupt, match=f"its header says version {version}, its tables say {LATEST}"):
        Ledger.open(path)


def test_lost_mark_of_our_own_file_is_damage_not_another_program(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    open_ledger(tmp_path).close()
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA application_id = 17")
    with pytest.raises(LedgerCorrupt, match="lost the mark of a ledger"):
        Ledger.open(path)


def test_database_of_another_program_is_refused_and_untouched(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE photos (name TEXT)")
    with pytest.raises(LedgerForeign, match="database of another program"):
        Ledger.open(path)
    assert pragma(path, "user_version") == 0
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT name FROM sqlite_schema").fetchall() == [("photos",)]


def test_foreign_file_is_corrupt_and_can_be_moved_aside(tmp_path: Path) -> None:
    """The daemon starts anyway: damaged file aside, new ledger in its place, nothing deleted."""
    path = tmp_path / "ledger.sqlite"
    path.write_bytes(b"this is no database at all, but long enough to look at" * 30)
    with pytest.raises(LedgerCorrupt, match="takes the last good backup and the raw log"):
        Ledger.open(path)
    first = Ledger.quarantine(path)
    assert first.read_bytes().startswith(b"this is no database")
    assert not path.exists()
    path.write_bytes(b"again")
    second = Ledger.quarantine(path)
    assert second != first
    with open_ledger(tmp_path) as ledger:
        assert ledger.units() == []


def test_damaged_pages_are_told(tmp_path: Path) -> None:
    """A worn card returns rubbish: that is an error with a remedy, never numbers."""
    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        for sequence in range(1, 40):
            ledger.commit(commit_at(ids, sequence))
    path = tmp_path / "ledger.sqlite"
    content = bytearray(path.read_bytes())
    content[512 * 8 :] = b"\xa5" * (len(content) - 512 * 8)
    path.write_bytes(content)

    def read_all() -> None:
        with Ledger.open(path, read_only=True) as damaged:
            damaged.all_totals()
            damaged.minutes(ids[0], 1)
            damaged.trips()

    with pytest.raises(LedgerCorrupt, match="takes the last good backup"):
        read_all()


def test_check_finds_what_reading_would_not(tmp_path: Path) -> None:
    """A broken index answers wrongly without an error; the check is there to find that."""
    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        ledger.commit(commit_at(ids, 5))
        assert ledger.check_file() == []
        raw = ledger._database.raw()
        raw.execute("PRAGMA foreign_keys = OFF")
        ones = ", 1" * len(TOTALS_COLUMNS)
        raw.execute(f"INSERT INTO trip_damper SELECT 999, 77, unit_key, position{ones} FROM trip_damper LIMIT 1")
        assert ledger.check_file() == ["row 999 of table trip_damper names a row of trip that isn't there"]


def test_a_column_that_lost_its_name_is_damage(tmp_path: Path) -> None:
    """All pages are sound and the seal holds, but the first commit would fail, and so would that after each restart."""
    with open_ledger(tmp_path) as ledger:
        fill(ledger)
        ledger._database.raw().executescript(
            "PRAGMA writable_schema = ON; UPDATE sqlite_schema SET sql = replace(sql, 'stroke_travel_um', "
            "'stroke_travel_em') WHERE name = 'minute'; PRAGMA writable_schema = RESET;"
        )
    with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as ledger:
        assert [row[0] for row in ledger._database.rows("PRAGMA integrity_check")] == ["ok"]
        assert ledger.is_sealed()
        assert ledger.find_damage(whole=False) == "table or index 'minute' is not laid out as it was made"
        assert set(ledger.check_file()) == {"table or index 'minute' is not laid out as it was made"}


def test_a_view_somebody_added_is_no_damage(tmp_path: Path) -> None:
    with open_ledger(tmp_path) as ledger:
        fill(ledger)
        ledger._database.raw().execute("CREATE VIEW mine AS SELECT * FROM trip")
        assert ledger.check_file() == []
        assert ledger.find_damage(whole=True) is None


@pytest.mark.parametrize("read_only", [False, True])
def test_missing_folder_and_folder_as_file_are_told(tmp_path: Path, read_only: bool) -> None:
    with pytest.raises(LedgerError, match="there is no folder"):
        Ledger.open(tmp_path / "nowhere" / "ledger.sqlite", read_only=read_only)
    with pytest.raises(LedgerError, match="is a folder"):
        Ledger.open(tmp_path, read_only=read_only)
    assert list(tmp_path.iterdir()) == []


def test_reading_never_makes_a_ledger(tmp_path: Path) -> None:
    with pytest.raises(LedgerError, match="there is no ledger"):
        Ledger.open(tmp_path / "ledger.sqlite", read_only=True)
    assert list(tmp_path.iterdir()) == []


def test_ledger_knows_its_vehicle(ledger: Ledger, unit_ids: list[str]) -> None:
    """A data folder mounted in the wrong vehicle must not mix two lives."""
    assert ledger.vehicle() == make_vehicle()
    with pytest.raises(LedgerError, match="belongs to vehicle truck, not buggy"):
        ledger.put_vehicle(make_vehicle("buggy"))


def test_close_twice_and_use_after(tmp_path: Path) -> None:
    ledger = open_ledger(tmp_path)
    ledger.close()
    ledger.close()
    with pytest.raises(LedgerError, match="is closed"):
        ledger.units()


def test_backup_of_a_ledger_in_use_is_one_sound_file(ledger: Ledger, unit_ids: list[str], tmp_path: Path) -> None:
    """Copying a live file loses what is in the WAL; this call is the way, and its copy is complete."""
    for sequence in range(1, 30):
        ledger.commit(commit_at(unit_ids, sequence))
    target = tmp_path / "copy" / "backup.sqlite"
    target.parent.mkdir()
    seen: list[tuple[int, int]] = []
    with Ledger.open(ledger.path, read_only=True) as reader:
        reader.backup(target, lambda left, total: seen.append((left, total)))
    assert [p.name for p in target.parent.iterdir()] == ["backup.sqlite"]
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
    assert seen[-1][0] == 0
    with Ledger.open(target, stamp=make_stamp) as copy:
        assert copy.all_totals() == ledger.all_totals()
        assert copy.verify_chain() is None
        assert pragma(target, "page_size") == 512
    with pytest.raises(LedgerError, match="exists already"):
        ledger.backup(target)
    with pytest.raises(LedgerError, match="can't be written"):
        ledger.backup(tmp_path / "nowhere" / "b.sqlite")


def test_opening_often_leaks_no_file(tmp_path: Path) -> None:
    open_ledger(tmp_path).close()
    before = len(os.listdir("/proc/self/fd"))
    for _ in range(50):
        with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as ledger:
            ledger.units()
    assert len(os.listdir("/proc/self/fd")) == before

"""Files damaged between two starts: one line with what to do, or on with what is left; never a traceback."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace

import pytest

from daemon.oracle import fallen_totals, integrate_log, read_side_log
from daemon.processes import CoreChild, make_demo_settings, wait_until
from dutylog.daemon.core_settings import CoreSettings
from dutylog.engine.engine import is_named
from dutylog.ledger.backup import find_backups
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.reader import LogReader
from dutylog.recording.scan import find_segments
from faults.conftest import FAST, assert_one_line, run_core


class Worn:
    """A data folder after two drives, and what its ledger had promised."""

    def __init__(self, settings, side, start_core):
        self.settings, self.side, self._start = settings, side, start_core
        self.folder = settings.data_dir
        self.ledger_file = self.folder / LEDGER_NAME

    def drive(self, commits=8, how="stop", **options):
        """Run core for some commits and end it: (status, lines said, errors)."""
        before = len(read_side_log(self.side)[1]) if self.side.exists() else 0
        child = self._start(self.settings, self.side, **FAST, **options)
        wait_until(
            lambda: (
                child.process.poll() is not None
                or (self.side.exists() and len(read_side_log(self.side)[1]) > before + commits)
            ),
            "some commits",
        )
        child.process.kill() if how == "kill" else child.process.terminate()
        status, out, errors = child.finish()
        return status, out.splitlines(), errors

    def totals(self):
        """Return the stored totals."""
        with Ledger.open(self.ledger_file, read_only=True) as ledger:
            assert ledger.check_file() == []
            assert ledger.verify_chain() is None
            return ledger.all_totals()

    def by_position(self):
        """Return the stored totals by where the damper sits: names are random."""
        totals = self.totals()
        with Ledger.open(self.ledger_file, read_only=True) as ledger:
            return {position: totals[unit.unit_id] for position, unit in ledger.installed().items()}

    def entries(self, kind):
        """Return the data of the entries of a kind, oldest first."""
        with Ledger.open(self.ledger_file, read_only=True) as ledger:
            return [json.loads(entry.data) for entry in reversed(ledger.entries()) if entry.kind == kind]

    def sequences(self):
        """Return the numbers of all frames in the log."""
        return [frame.sequence for frame in LogReader(self.folder / "log").frames()]


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A data folder after a drive that was stopped and one that was killed, with its side log."""
    base = tmp_path_factory.mktemp("whole")
    settings = make_demo_settings(base / "data")
    started = []

    def start(*arguments, **options):
        started.append(CoreChild(*arguments, **options))
        return started[-1]

    folder = Worn(settings, base / "side.log", start)
    try:
        assert folder.drive()[0] == 0
        assert folder.drive(how="kill")[0] == -9
    finally:
        for child in started:
            if child.process.poll() is None:
                child.process.kill()
                child.process.communicate()
    return folder


@pytest.fixture
def worn(whole, start_core, tmp_path):
    """A copy of that folder, to be damaged."""
    shutil.copytree(whole.folder, tmp_path / "data", ignore=shutil.ignore_patterns("*.sock"))
    shutil.copy(whole.side, tmp_path / "side.log")
    return Worn(replace(whole.settings, data_dir=tmp_path / "data"), tmp_path / "side.log", start_core)


def checkpointed(file):
    """Put all of a ledger into its main file, so that damage there counts."""
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def drop_backups(worn):
    """Leave no kept copy of the ledger."""
    for file in find_backups(worn.ledger_file):
        file.unlink()


def assert_equal_to_the_log(worn):
    """Stored totals are those of a fresh integration of all that the log holds."""
    fresh = integrate_log(worn.folder / "log", worn.settings.vehicle).totals()
    assert worn.totals() == {unit: value for unit, value in fresh.items() if is_named(unit)}


def assert_put_right(worn, before, source, **drive):
    """Core starts, says once where the ledger came from, and nothing that was counted is missing."""
    status, lines, errors = worn.drive(**drive)
    assert (status, errors) == (0, ""), lines
    assert len([line for line in lines if "the ledger was put right" in line and source in line]) == 1, lines
    assert fallen_totals([before], worn.totals()) == []
    assert_equal_to_the_log(worn)
    tale = worn.entries("recovered")[-1]
    assert tale["lost_sequences"] is None
    assert before.keys() == worn.totals().keys()
    return tale


def write_text(file):
    file.write_bytes(b"no database at all\n" * 100)


def write_picture(file):
    file.write_bytes(b"\x89PNG\r\n" + bytes(3000))


def write_nothing(file):
    file.write_bytes(b"")


def remove(file):
    file.unlink()


def write_other_database(file):
    file.unlink()
    for suffix in ("-wal", "-shm"):
        file.with_name(LEDGER_NAME + suffix).unlink(missing_ok=True)
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("CREATE TABLE other (x)")


def long_forms(*values):
    return [pytest.param(value, marks=pytest.mark.slow) for value in values]


@pytest.mark.parametrize(
    "damage", [write_text, remove, *long_forms(write_other_database, write_picture, write_nothing)]
)
def test_ledger_replaced_or_gone_is_taken_from_a_backup(worn, damage):
    before, octets = worn.totals(), worn.ledger_file.read_bytes()
    damage(worn.ledger_file)
    assert not worn.ledger_file.exists() or worn.ledger_file.read_bytes() != octets
    tale = assert_put_right(worn, before, "ledger.backup-1.sqlite")
    kept = [
        file.name for file in worn.folder.glob("ledger.sqlite.damaged-*") if not file.name.endswith(("-wal", "-shm"))
    ]
    assert [tale["damaged_file"]] == (kept or [None])
    assert not any("put right" in line for line in worn.drive(commits=2)[1])
    assert len(worn.entries("recovered")) == 1


@pytest.mark.parametrize("keep", [0.97, *long_forms(0.02, 0.3, 0.7)])
def test_truncated_ledger_is_taken_from_a_backup(worn, keep):
    before = worn.totals()
    checkpointed(worn.ledger_file)
    with worn.ledger_file.open("r+b") as file:
        file.truncate(int(worn.ledger_file.stat().st_size * keep))
    assert_put_right(worn, before, "ledger.backup-1.sqlite")


def test_without_any_backup_the_ledger_comes_from_the_log(worn):
    before = worn.totals()
    drop_backups(worn)
    write_text(worn.ledger_file)
    assert_put_right(worn, before, "begun anew")


def test_damaged_backups_are_passed_over(worn):
    before = worn.totals()
    assert worn.drive(commits=3)[0] == 0
    newest, older = find_backups(worn.ledger_file)[:2]
    newest.write_bytes(older.read_bytes()[:3000])
    write_text(worn.ledger_file)
    assert_put_right(worn, before, older.name)


def test_another_programs_file_outside_our_folder_stays_untouched(demo_settings):
    """Renaming it would break that program; the likelier mistake is a wrong data folder."""
    file = demo_settings.data_dir / LEDGER_NAME
    file.parent.mkdir()
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("CREATE TABLE other (x)")
    octets = file.read_bytes()
    assert_one_line(*run_core(demo_settings), "another program", "name the data folder")
    assert file.read_bytes() == octets
    assert {path.name for path in file.parent.iterdir()} <= {LEDGER_NAME, "lock"}


SEEDS = [*range(3), 28, *long_forms(*range(3, 28), *range(29, 60))]


@pytest.mark.parametrize("seed", SEEDS)
def test_flipped_bits_anywhere_end_in_the_totals_of_the_log(worn, seed):
    """SQLite takes a flipped bit in a total for a total; whatever is hit, what comes out is what the log says."""
    rng = random.Random(seed)
    before = worn.totals()
    checkpointed(worn.ledger_file)
    octets = bytearray(worn.ledger_file.read_bytes())
    whole = bytes(octets)
    for _ in range(rng.choice([1, 3, 30])):
        octets[rng.randrange(len(octets))] ^= 1 << rng.randrange(8)
    assert octets != whole
    worn.ledger_file.write_bytes(octets)
    status, lines, errors = worn.drive(commits=3)
    assert (status, errors) == (0, ""), (lines, errors)
    assert fallen_totals([before], worn.totals()) == []
    assert_equal_to_the_log(worn)


@pytest.mark.parametrize("seed", [1, 2])
def test_flipped_bits_in_the_wal_end_in_the_totals_of_the_log(worn, seed):
    """SQLite leaves out what comes after a bad frame of the WAL, so the ledger is older than it was."""
    rng = random.Random(seed)
    before = worn.totals()
    wal = worn.ledger_file.with_name(LEDGER_NAME + "-wal")
    octets = bytearray(wal.read_bytes())
    octets[rng.randrange(32, len(octets) // 2)] ^= 1 << rng.randrange(8)
    assert octets != wal.read_bytes()
    wal.write_bytes(octets)
    status, lines, errors = worn.drive(commits=3)
    assert (status, errors) == (0, ""), (lines, errors)
    assert fallen_totals([before], worn.totals()) == []
    assert_equal_to_the_log(worn)


@pytest.mark.parametrize("what", ["hot", "install", *long_forms("cursor", "unit")])
def test_changed_number_that_sqlite_takes_for_good_is_found(worn, what):
    """Every page is sound here; only the seal tells."""
    before = worn.totals()
    change = {
        "hot": "UPDATE hot SET energy_rebound_uj = energy_rebound_uj + 1099511627776",
        "cursor": "UPDATE cursor SET hot_sequence = hot_sequence + 4096",
        "unit": "UPDATE unit SET profile = 'dfsert'",
        "install": "UPDATE install SET from_sequence = from_sequence + 64",
    }[what]
    with closing(sqlite3.connect(worn.ledger_file, isolation_level=None)) as connection:
        assert connection.execute(change).rowcount >= 1
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    assert_put_right(worn, before, "ledger.backup-1.sqlite")


def truncate_log(worn, rng):
    """Cut the newest segments at a random byte behind the cursor; returns the last number that is left."""
    files = find_segments(worn.folder / "log")
    for file in files[2:]:
        file.unlink()
    newest = files[1]
    with newest.open("r+b") as file:
        file.truncate(rng.randrange(newest.stat().st_size // 3, newest.stat().st_size * 2 // 3))
    return worn.sequences()[-1]


@pytest.mark.parametrize("seed", [1, *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(2, 12))])
def test_truncated_log_keeps_totals_and_says_the_loss_once(worn, seed):
    before = worn.totals()
    with Ledger.open(worn.ledger_file, read_only=True) as ledger:
        counted_to = ledger.cursor().hot_sequence
    last = truncate_log(worn, random.Random(seed))
    assert last < counted_to
    status, lines, errors = worn.drive()
    assert (status, errors) == (0, "")
    assert len([line for line in lines if "the raw log ends at" in line]) == 1
    assert len(worn.entries("raw_loss")) == 1
    assert worn.entries("raw_loss")[0]["log_end_sequence"] == last
    assert not any("the raw log ends at" in line for line in worn.drive()[1])
    assert len(worn.entries("raw_loss")) == 1
    judge_after_loss(worn, before, last, counted_to)


def judge_after_loss(worn, before, last, counted_to):
    """Totals stood and went on; numbers are new; the log alone gives no more than the ledger."""
    after = worn.totals()
    assert fallen_totals([before], after) == []
    assert any(after[unit].strokes_count > value.strokes_count for unit, value in before.items())
    new = [sequence for sequence in worn.sequences() if sequence > last]
    assert new
    assert min(new) > counted_to
    fresh = integrate_log(worn.folder / "log", worn.settings.vehicle).totals()
    assert all(after[unit].reaches(value) for unit, value in fresh.items() if is_named(unit))


def test_garbage_in_the_middle_of_the_newest_segment_is_passed_over(worn):
    """The last frame that was counted may be the very one that is gone."""
    rng = random.Random(9)
    for _ in range(2):
        assert worn.drive(how="kill")[0] == -9
        before = worn.totals()
        newest = [file for file in find_segments(worn.folder / "log") if file.stat().st_size][-1]
        size = newest.stat().st_size
        with newest.open("r+b") as file:
            file.seek(rng.randrange(size // 2, size - 600))
            file.write(rng.randbytes(500))
        status, lines, errors = worn.drive()
        assert (status, errors) == (0, ""), lines
        assert any("passed over" in line or "the raw log ends at" in line for line in lines), lines
        assert fallen_totals([before], worn.totals()) == []


def test_lost_last_counted_frame_with_frames_after_it_does_not_stop_core(demo_settings, start_core, tmp_path):
    """Killed between log and ledger, then a bad block right where the ledger had come to."""
    settings = replace(demo_settings, pace=40.0)
    worn = Worn(settings, tmp_path / "side.log", start_core)
    worn.drive()
    death = {"after": 9, "stage": "before_ledger"}
    start_core(settings, worn.side, die=death, commit_ns=100_000_000, cold_ns=10**12).finish()
    with Ledger.open(worn.ledger_file, read_only=True) as ledger:
        cursor, before = ledger.cursor(), ledger.all_totals()
    assert cursor.cold_sequence < cursor.hot_sequence < worn.sequences()[-1]
    wipe_frames(worn.folder / "log", range(cursor.cold_sequence + 1, cursor.hot_sequence + 1))
    status, lines, errors = worn.drive()
    assert (status, errors) == (0, ""), lines
    assert any("larger ones stand" in line for line in lines)
    assert worn.entries("replay_differs")
    assert fallen_totals([before], worn.totals()) == []
    assert worn.drive()[0] == 0


def wipe_frames(folder, sequences):
    """Overwrite whole frames by number, wherever they lie."""
    for file in find_segments(folder):
        octets = bytearray(file.read_bytes())
        at = 0
        while at < len(octets):
            length = 72 + int.from_bytes(octets[at + 56 : at + 60], "little")
            if int.from_bytes(octets[at + 16 : at + 24], "little") in sequences:
                octets[at : at + length] = bytes(length)
            at += length
        file.write_bytes(octets)


def test_log_that_is_gone_does_not_overwrite_what_the_ledger_kept_of_it(worn):
    """Epochs number minute rows and trips: a new log must not use the old one's numbers again."""
    before, minutes_before, trips_before = worn.totals(), kept_minutes(worn), kept_trips(worn)
    shutil.rmtree(worn.folder / "log")
    status, lines, errors = worn.drive()
    assert (status, errors) == (0, ""), lines
    assert fallen_totals([before], worn.totals()) == []
    assert minutes_before.items() <= kept_minutes(worn).items()
    assert len(kept_minutes(worn)) > len(minutes_before)
    assert set(trips_before) <= set(kept_trips(worn))


def kept_minutes(worn):
    with Ledger.open(worn.ledger_file, read_only=True) as ledger:
        rows = ledger._database.rows("SELECT unit_key, epoch, minute, start_ns, duration_us FROM minute")
    return {row[:3]: row[3:] for row in rows}


def kept_trips(worn):
    with Ledger.open(worn.ledger_file, read_only=True) as ledger:
        return [(trip.number, trip.row.epoch, trip.row.start_ns) for trip in ledger.trips()]


def test_ledger_moved_aside_is_built_anew_from_the_log(worn):
    """The remedy that every line names must work: same dampers, same totals, as far as the log reaches."""
    assert worn.drive()[0] == 0
    before = worn.totals()
    Ledger.quarantine(worn.ledger_file)
    status, lines, errors = worn.drive()
    assert (status, errors) == (0, ""), lines
    after = worn.totals()
    assert before.keys() == after.keys()
    assert fallen_totals([before], after) == []
    fresh = integrate_log(worn.folder / "log", worn.settings.vehicle).totals()
    assert {unit: value for unit, value in fresh.items() if is_named(unit)} == after


def test_older_ledger_put_back_catches_up_from_the_log(worn, tmp_path):
    """Restoring a backup: what came after it is in the log."""
    with Ledger.open(worn.ledger_file, read_only=True) as ledger:
        ledger.backup(tmp_path / "backup")
    assert worn.drive()[0] == 0
    before = worn.totals()
    Ledger.quarantine(worn.ledger_file)
    shutil.copy(tmp_path / "backup", worn.ledger_file)
    status, lines, errors = worn.drive()
    assert (status, errors) == (0, ""), lines
    assert fallen_totals([before], worn.totals()) == []


def test_recording_is_taken_up_again_where_a_truncated_log_ends(recording, start_core, tmp_path):
    """A source that hands the lost rows out once more brings them back: nothing is missing, nothing twice."""
    file, vehicle = recording
    settings = CoreSettings(vehicle, tmp_path / "plain", "recording", file=file, pace=0, exit_at_end=True)
    plain = Worn(settings, tmp_path / "plain.log", start_core)
    assert start_core(settings, plain.side, **FAST).finish()[0] == 0
    settings = replace(settings, data_dir=tmp_path / "data", pace=12.0, exit_at_end=False)
    worn = Worn(settings, tmp_path / "side.log", start_core)
    worn.drive(how="kill")
    newest = find_segments(worn.folder / "log")[-1]
    with newest.open("r+b") as stream:
        stream.truncate(newest.stat().st_size // 2)
    before = worn.totals()
    worn.settings = replace(settings, pace=0.0, exit_at_end=True)
    status, out, errors = start_core(worn.settings, worn.side, **FAST).finish()
    assert (status, errors) == (0, ""), out
    assert fallen_totals([before], worn.totals()) == []
    fresh = integrate_log(worn.folder / "log", vehicle).totals()
    assert {unit: value for unit, value in fresh.items() if is_named(unit)} == worn.totals()
    assert worn.by_position() == plain.by_position()


def test_recording_is_not_counted_again_by_a_ledger_built_anew(recording, start_core, tmp_path):
    """Whether a recording was counted is known by its epoch; a new ledger must learn it from the log."""
    file, vehicle = recording
    settings = CoreSettings(vehicle, tmp_path / "data", "recording", file=file, pace=0, exit_at_end=True)
    worn = Worn(settings, tmp_path / "side.log", start_core)
    assert start_core(settings, worn.side, **FAST).finish()[0] == 0
    before = worn.totals()
    Ledger.quarantine(worn.ledger_file)
    status, out, errors = start_core(settings, worn.side, **FAST).finish()
    assert (status, errors) == (0, ""), out
    assert "isn't counted twice" in out
    assert worn.totals() == before


def test_recording_is_not_counted_again_when_its_log_is_gone(recording, start_core, tmp_path):
    file, vehicle = recording
    settings = CoreSettings(vehicle, tmp_path / "data", "recording", file=file, pace=0, exit_at_end=True)
    worn = Worn(settings, tmp_path / "side.log", start_core)
    assert start_core(settings, worn.side, **FAST).finish()[0] == 0
    before = worn.totals()
    shutil.rmtree(worn.folder / "log")
    status, out, errors = start_core(settings, worn.side, **FAST).finish()
    assert (status, errors) == (0, ""), out
    assert "isn't counted twice" in out
    assert worn.totals() == before

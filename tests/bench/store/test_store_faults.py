"""Two benches at once, a process killed at its worst, a full disk, a damaged file: nothing lost, nothing half."""

from __future__ import annotations

import contextlib
import random
import signal
import subprocess
import sys

import pytest

from bench.store.store_on import MANAGER, TECHNICIAN, Cluster, needs_postgres, sqlite_store
from bench.store.story import dump, tell_story
from dutylog.bench.store import Store, StoreCorrupt, StoreError
from dutylog.bench.store.check import verify
from faults.conftest import needs
from faults.small_disk import SmallDisk

APPEND = """
import sys
from dutylog.bench.store import Store, Who
store, name = Store.open(sys.argv[1]), sys.argv[2]
print("ready", flush=True)
sys.stdin.readline()
for number in range(int(sys.argv[3])):
    with store.write(Who(name, "technician")) as tx:
        tx.append("stock_change", {"part_no": "K-7", "change": 1, "why": f"{name} {number}"})
        tx.append("job_opened", {"basis": "stated"}, "d-2")
    print(number, flush=True)
"""
HANG = """
import sys, time
from dutylog.bench.store import Store, Who
store = Store.open(sys.argv[1])
with store.write(Who("Cy", "technician")) as tx:
    tx.append("stock_change", {"part_no": "K-7", "change": 100, "why": "never"})
    print("inside", flush=True)
    time.sleep(600)
"""


def start(script, *words):
    return subprocess.Popen(
        [sys.executable, "-c", script, *map(str, words)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )


def kill(child):
    child.send_signal(signal.SIGKILL)
    child.communicate()


def test_two_processes_append_at_once(store, url):
    """Several benches share one database: one chain, no row lost, every job its own number."""
    tell_story(store)
    before = store.read().head()[0]
    count = 25
    children = [start(APPEND, url, name, count) for name in ("one", "two")]
    assert [child.stdout.readline() for child in children] == ["ready\n"] * 2
    said = [child.communicate("go\n", timeout=120)[0].split() for child in children]
    assert said == [[str(number) for number in range(count)]] * 2
    assert [child.returncode for child in children] == [0, 0]
    assert store.read().head()[0] == before + 4 * count
    assert store.read().stock_row("K-7").count == 5 + 2 * count
    jobs = [one.job_id for one in store.read().jobs_of("d-2")]
    assert jobs == list(range(2 + 2 * count, 1, -1))
    written = [entry.who for entry in store.read().entries(kind="stock_change") if entry.who in ("one", "two")]
    assert len(written) == 2 * count
    assert store.verify().is_good
    made = dump(store)
    store.rebuild()
    assert dump(store) == made


def test_a_process_killed_within_a_transaction_leaves_nothing(store, url):
    """And it holds nobody up: the next one writes at once."""
    tell_story(store)
    before = dump(store)
    child = start(HANG, url)
    assert child.stdout.readline() == "inside\n"
    kill(child)
    assert dump(store) == before
    with store.write(MANAGER) as tx:
        assert tx.append("signed_in", {"address": "::1"}).row == len(before["entry"]) + 1
    assert store.verify().is_good


@pytest.mark.parametrize("kills", [1, pytest.param(30, marks=pytest.mark.slow)])
def test_what_was_told_to_be_kept_is_there_after_a_kill(store, url, kills):
    """Killed anywhere while it appends: every number it printed is in the chain, at most one more."""
    tell_story(store)
    draw = random.Random(9)
    told = 0
    for turn in range(kills):
        child = start(APPEND, url, f"turn{turn}", 1000)
        child.stdout.readline()
        child.stdin.write("go\n")
        child.stdin.flush()
        for _ in range(draw.randrange(1, 12)):
            last = int(child.stdout.readline())
        child.send_signal(signal.SIGKILL)
        rest = child.communicate()[0].split("\n")[:-1]
        last = int(rest[-1]) if rest else last
        kept = sum(entry.who == f"turn{turn}" for entry in store.read().entries(kind="stock_change"))
        assert last + 1 <= kept <= last + 2
        told += kept
        assert store.verify().is_good
    assert store.read().stock_row("K-7").count == 5 + told


@needs("unshare", "nsenter", "mount")
def test_a_full_disk_gets_a_line_and_heals(tmp_path):
    """Nothing of the transaction stays; with room again it goes on."""
    try:
        disk = SmallDisk(tmp_path / "disk", "6m")
    except OSError as err:
        pytest.skip(str(err))
    script = """
import sys
from dutylog.bench.store import Store, StoreFull, Who
store = Store.open(sys.argv[1])
photo = b"\\xff\\xd8\\xff" + bytes(60_000)
for line in sys.stdin:
    try:
        with store.write(Who("Cy", "technician")) as tx:
            tx.put_photo(photo + line.encode(), "image/jpeg")
            tx.append("card_refused", {"reasons": ["x" * 60_000]})
        print("kept", flush=True)
    except StoreFull as err:
        print(err, flush=True)
"""
    words = [*disk.prefix, sys.executable, "-c", script, f"sqlite:///{disk.path / 'bench.sqlite'}"]
    child = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def tell(number):
        child.stdin.write(f"{number}\n")
        child.stdin.flush()
        return child.stdout.readline().strip()

    try:
        assert tell(0) == "kept"
        disk.fill(400_000)
        said = [tell(number) for number in range(1, 12)]
        full = [text for text in said if text != "kept"]
        assert full
        assert set(full) == {f"store {disk.path}/bench.sqlite: no room left on the disk; free some space"}
        disk.make_room()
        assert tell(99) == "kept"
        kept = 2 + len(said) - len(full)
        child.stdin.close()
        child.wait(60)
        copy = disk.copy_out(tmp_path / "copy")
    finally:
        child.kill()
        child.wait()
        child.stdout.close()
        disk.close()
    with Store.open(copy / "bench.sqlite") as store:
        found = store.verify()
        assert (found.is_good, found.entries_count, found.photos_count) == (True, kept, kept)


def test_a_damaged_file_gets_a_line(tmp_path):
    """Any byte may be another; never a traceback, and never silence where the chain was hit."""
    with sqlite_store(tmp_path) as store:
        tell_story(store)
    path = tmp_path / "bench.sqlite"
    good = path.read_bytes()
    draw = random.Random(5)
    lines = set()
    for damage in ("start", "pages", "cut", "text"):
        for _ in range(4):
            body = bytearray(good)
            if damage == "start":
                body[: draw.randrange(1, 100)] = b"\xff" * 50
            elif damage == "pages":
                place = 4096 * draw.randrange(1, len(body) // 4096)
                body[place : place + 4096] = draw.randbytes(4096)
            elif damage == "cut":
                del body[draw.randrange(1, len(body)) :]
            else:
                for _ in range(200):
                    body[draw.randrange(100, len(body))] ^= 0xFF
            path.write_bytes(body)
            lines.add(what_happens(path))
    assert lines - {"good"}
    assert all("\n" not in line for line in lines)


def what_happens(path):
    """Return what is said of a file when all of it is read, 'good' when nothing was noticed."""
    try:
        with Store.open(path) as store:
            found = store.verify()
            store.rebuild()
            return "good" if found.is_good else found.text
    except (StoreError, StoreCorrupt) as err:
        return str(err)


def test_a_file_that_is_no_database_gets_a_line(tmp_path):
    """Somebody names the wrong file; it must stay as it was."""
    path = tmp_path / "letter.txt"
    path.write_text("Dear customer, " * 100)
    with pytest.raises(StoreCorrupt, match="is damaged"):
        Store.open(path)
    assert path.read_text() == "Dear customer, " * 100


@needs_postgres
def test_a_server_that_stops_gets_a_line_and_comes_back():
    """The shop's server is started anew while benches are open."""
    own = Cluster()
    try:
        with Store.open(own.new_url()) as store:
            tell_story(store)
            before = store.read().head()
            own.stop()
            for act in (store.read().head, lambda: store.write(MANAGER).__enter__()):
                with pytest.raises(StoreError, match="can't be reached"):
                    act()
            own.start()
            assert store.read().head() == before
            with store.write(TECHNICIAN) as tx:
                tx.append("signed_in", {"address": "::1"})
            assert store.verify().is_good
    finally:
        own.remove()


CHANGES = {
    "who": "UPDATE entry SET who = 'Eve' WHERE row = 7",
    "role": "UPDATE entry SET role = 'manager ' WHERE row = 7",
    "utc": "UPDATE entry SET utc = '2026-11-30T09:15:03Z' WHERE row = 7",
    "kind": "UPDATE entry SET kind = 'signed_out' WHERE row = 7",
    "data": "UPDATE entry SET data = replace(data, '\"', ' \"') WHERE row = 7",
    "no JSON": "UPDATE entry SET data = '{' WHERE row = 7",
    "no object": "UPDATE entry SET data = '[]' WHERE row = 7",
    "damper": "UPDATE entry SET damper_id = 'd-2' WHERE row = 7",
    "job": "UPDATE entry SET job_id = 3 WHERE row = 7",
    "hash": "UPDATE entry SET hash = prev_hash WHERE row = 7",
    "prev_hash": "UPDATE entry SET prev_hash = hash WHERE row = 7",
    "gone": "DELETE FROM entry WHERE row = 7",
}


def test_every_change_of_the_chain_is_found(store):
    """By its row, so that one knows what to ask about."""
    tell_story(store)
    for name, statement in CHANGES.items():
        assert bad_row_after(store, statement) == 7, name
    last = store.read().head()[0]
    assert bad_row_after(store, f"DELETE FROM entry WHERE row = {last}") == last
    assert bad_row_after(store, "DELETE FROM entry") == 1
    assert bad_row_after(store, "UPDATE chain_head SET row = row - 1") == last
    assert bad_row_after(store, "UPDATE chain_head SET hash = (SELECT hash FROM entry WHERE row = 1)") == last
    assert bad_row_after(store, "DELETE FROM chain_head") == last + 1
    swap = "UPDATE entry SET row = CASE row WHEN 5 THEN -6 ELSE -5 END WHERE row IN (5, 6)"
    assert bad_row_after(store, swap, "UPDATE entry SET row = -row WHERE row < 0") == 5
    assert store.verify().is_good


def bad_row_after(store, *statements):
    """Return the row that is bad after a change, which is undone."""
    with contextlib.suppress(LookupError), store.connect_to_write() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement)
        found = verify(connection)
        raise LookupError("undo it")
    assert not found.is_good
    assert str(found.bad_row) in found.text
    return found.bad_row


def test_columns_of_another_type_are_damage(bench_store):
    """SQLite keeps anything anywhere: a hash that is text, data that is bytes."""
    tell_story(bench_store)
    for value in ("hash = 'abc'", "hash = 5", "data = x'7b7d'", "data = 5", "who = x'00'", "row = 7.5"):
        assert bad_row_after(bench_store, f"UPDATE entry SET {value} WHERE row = 7") == 7, value


def test_a_changed_photo_is_found(store):
    """A photo is evidence as well."""
    tell_story(store)
    assert store.verify().photos_count == 1
    with store.connect_to_write() as connection:
        connection.exec_driver_sql("UPDATE photo SET media_type = 'image/jpeg'")
    assert store.verify().is_good
    value = "x'ffd8ff'" if "sqlite" in type(connection.dialect).__module__ else "'\\xffd8ff'"
    with store.connect_to_write() as connection:
        connection.exec_driver_sql(f"UPDATE photo SET body = {value}")
    found = store.verify()
    assert (found.is_good, found.bad_row) == (False, None)
    assert found.bad_photo in found.text


def test_a_table_that_was_taken_out_is_damage(store):
    """Somebody tidied the database up: a line with the remedy."""
    with store.connect_to_write() as connection:
        connection.exec_driver_sql("DROP TABLE part_look")
    with pytest.raises(StoreCorrupt, match="is damaged"):
        store.read().like_units("desert")


def test_a_head_that_is_missing_is_damage(store):
    """Without it two benches could append the same row."""
    with store.connect_to_write() as connection:
        connection.exec_driver_sql("DELETE FROM chain_head")
    with pytest.raises(StoreCorrupt, match="no head of its chain"), store.write(MANAGER):
        pass

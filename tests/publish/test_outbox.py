"""The outbox: what is put in comes out once in order, is bounded, dated once, and survives damage and kills."""

from __future__ import annotations

import os
import signal
import sqlite3
import stat
import subprocess
import sys
import threading

import pytest

from dutylog.errors import ConfigError, InputError, OutputError
from dutylog.publish.outbox import ALERT, DUTY, LIVE, REJECTED_LIMIT, TRIP, Draft, Outbox

BOOT = "boot-1"


def draft(number, kind=LIVE, boot_id=BOOT, utc_ns=1_700_000_000_000_000_000, size=40):
    return Draft(kind, boot_id, number * 1_000_000_000, utc_ns, f"{number:08d}".encode().ljust(size, b"."))


@pytest.fixture
def path(tmp_path):
    return tmp_path / "outbox.sqlite"


@pytest.fixture
def outbox(path):
    box = Outbox(path)
    yield box
    box.close()


def numbers(items):
    return [int(item.payload[:8]) for item in items]


def test_items_come_out_in_order_and_stay_until_acknowledged(outbox):
    outbox.put("mqtt", [draft(n) for n in range(5)])
    outbox.put("influxdb", [draft(9)])
    assert numbers(outbox.peek("mqtt", 3)) == [0, 1, 2]
    assert numbers(outbox.peek("mqtt", 3)) == [0, 1, 2]
    outbox.ack([item.id for item in outbox.peek("mqtt", 3)])
    assert numbers(outbox.peek("mqtt", 3)) == [3, 4]
    assert outbox.counts("mqtt").acked == 3
    assert outbox.counts("mqtt").waiting == {LIVE: 2}
    assert numbers(outbox.peek("influxdb", 3)) == [9]


def test_acknowledging_twice_does_no_harm(outbox):
    outbox.put("mqtt", [draft(n) for n in range(3)])
    first = outbox.peek("mqtt", 1)[0].id
    for _ in range(3):
        outbox.ack([first])
    assert outbox.counts("mqtt").acked == 1
    assert outbox.counts("mqtt").waiting_count == 2


def test_a_number_is_never_used_twice(path):
    """An acknowledgement that comes late must not hit another item."""
    box = Outbox(path)
    box.put("mqtt", [draft(1)])
    first = box.peek("mqtt", 1)[0].id
    box.ack([first])
    box.close()
    box = Outbox(path)
    box.put("mqtt", [draft(2)])
    assert box.peek("mqtt", 1)[0].id > first
    box.close()


def test_file_is_closed_to_others_and_has_its_pragmas(outbox, path):
    outbox.put("mqtt", [draft(1)])
    for file in path.parent.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600, file
    with sqlite3.connect(path) as other:
        assert other.execute("PRAGMA page_size").fetchone() == (512,)
        assert other.execute("PRAGMA journal_mode").fetchone() == ("wal",)
        assert other.execute("PRAGMA application_id").fetchone() != (0x44555459,)
    other.close()


def test_counts_are_the_same_after_reopening(path):
    """They are kept in memory while open, so both must agree."""
    box = Outbox(path)
    box.put("mqtt", [draft(n, kind) for n, kind in enumerate((LIVE, DUTY, TRIP, ALERT, LIVE))])
    box.ack([box.peek("mqtt", 1)[0].id])
    box.set_aside([box.peek("mqtt", 1)[0].id], "bad")
    before = box.counts("mqtt")
    box.close()
    box = Outbox(path)
    assert box.counts("mqtt") == before
    assert before.waiting == {TRIP: 1, ALERT: 1, LIVE: 1}
    assert (before.acked, before.rejected) == (1, 1)
    box.close()


def test_undated_items_wait_and_get_their_time_once(outbox):
    outbox.put("influxdb", [draft(1, utc_ns=None), draft(2, utc_ns=None), draft(3, utc_ns=77)])
    assert numbers(outbox.peek("influxdb", 9)) == [3]
    assert outbox.date(BOOT, 1000) == 2
    dated = outbox.peek("influxdb", 9)
    assert [(item.mono_ns, item.utc_ns) for item in dated] == [
        (1_000_000_000, 1_000_001_000), (2_000_000_000, 2_000_001_000), (3_000_000_000, 77),
    ]  # fmt: skip
    assert outbox.date(BOOT, 999_999) == 0
    assert outbox.peek("influxdb", 9) == dated


def test_items_of_a_boot_without_time_go_and_are_counted(outbox):
    """Nobody will ever know when they were; totals are sent again anyway."""
    outbox.put("influxdb", [draft(1, LIVE, "old", None), draft(2, DUTY, "old", None), draft(3, TRIP, "old", 5)])
    outbox.put("mqtt", [draft(4, ALERT, "old", None)])
    outbox.date(BOOT, 0)
    assert numbers(outbox.peek("influxdb", 9)) == [3]
    assert outbox.counts("influxdb").undated == {LIVE: 1, DUTY: 1}
    assert outbox.counts("influxdb").dropped_count == 2
    assert numbers(outbox.peek("mqtt", 9)) == [4]


def test_an_alert_needs_no_date(outbox):
    outbox.put("mqtt", [draft(1, ALERT, utc_ns=None), draft(2, LIVE, utc_ns=None)])
    (alert,) = outbox.peek("mqtt", 9)
    assert (alert.kind, alert.utc_ns) == (ALERT, None)


def test_when_full_the_oldest_live_goes_first_then_alerts_and_duty_never(path):
    limit = 256 * 1024
    box = Outbox(path, limit_bytes=limit)
    for start in range(0, 400, 20):
        box.put("influxdb", [draft(n, DUTY if n % 20 == 0 else LIVE, size=1000) for n in range(start, start + 20)])
    box.put("mqtt", [draft(n, ALERT, size=1000) for n in range(1000, 1010)])
    counts = box.counts("influxdb")
    left = box.peek("influxdb", 1000)
    live = numbers(item for item in left if item.kind == LIVE)
    assert counts.waiting == {LIVE: len(live), DUTY: 20}
    assert counts.dropped == {LIVE: 380 - len(live)}
    assert 100 < len(live) < 300
    assert live == sorted(live)
    assert live[-1] == 399  # the newest stay
    assert box.counts("mqtt").dropped == {}
    # Now nothing but duty comes: live goes, then alerts, and duty stays whatever the limit says.
    box.put("influxdb", [draft(n, DUTY, size=1000) for n in range(2000, 2400)])
    assert box.counts("influxdb").waiting == {DUTY: 420}
    assert box.counts("influxdb").dropped == {LIVE: 380}
    assert box.counts("mqtt").dropped == {ALERT: 10}
    box.close()


def test_file_stays_near_its_limit_through_long_outages(path):
    """Bounded on disk, whatever is put in."""
    limit = 256 * 1024
    box = Outbox(path, limit_bytes=limit)
    for n in range(0, 4000, 20):
        box.put("influxdb", [draft(i, size=300) for i in range(n, n + 20)])
    assert path.stat().st_size < 1.2 * limit
    assert box.counts("influxdb").dropped[LIVE] > 3000
    waiting = box.counts("influxdb").waiting_count
    assert waiting + box.counts("influxdb").dropped[LIVE] == 4000
    box.close()


def test_refused_items_are_kept_with_the_reason_up_to_a_number(outbox):
    outbox.put("influxdb", [draft(n, DUTY) for n in range(REJECTED_LIMIT + 30)])
    ids = [item.id for item in outbox.peek("influxdb", 5000)]
    outbox.set_aside(ids[:10], "bad field")
    outbox.set_aside(ids[10:], "worse " + "x" * 999)
    assert outbox.counts("influxdb").rejected == REJECTED_LIMIT + 30
    assert outbox.counts("influxdb").waiting == {}
    kept = outbox.rejected("influxdb", 5000)
    assert len(kept) == REJECTED_LIMIT
    kind, payload, reason = kept[0]
    assert (kind, int(payload[:8]), len(reason)) == (DUTY, REJECTED_LIMIT + 29, 300)


def test_notes_of_outputs_are_kept(path):
    box = Outbox(path)
    box.put("mqtt", (), {"mqtt:duty:x": "1 2", "trip": "7"})
    box.put("mqtt", (), {"trip": "8"})
    box.close()
    box = Outbox(path)
    assert (box.cursor("mqtt:duty:x"), box.cursor("trip"), box.cursor("none")) == ("1 2", "8", None)
    assert box.counts("mqtt").dropped_count == 0
    box.close()


def test_items_and_the_note_of_them_are_stored_together_or_not_at_all(outbox, monkeypatch):
    """A kill between the two would have the next start tell the same once more."""
    outbox.put("influxdb", [draft(1, DUTY)], {"told": "1"})
    outbox.put("influxdb", [], {"told": "2"})
    assert (outbox.cursor("told"), outbox.counts("influxdb").waiting) == ("2", {DUTY: 1})

    def breaks(self, connection):
        raise OutputError("no room")

    monkeypatch.setattr(Outbox, "_make_room", breaks)
    with pytest.raises(OutputError):
        outbox.put("influxdb", [draft(2, DUTY)], {"told": "3"})
    assert (outbox.cursor("told"), outbox.counts("influxdb").waiting) == ("2", {DUTY: 1})
    assert len(outbox.peek("influxdb", 9)) == 1


@pytest.mark.parametrize("damage", ["garbage", "flipped", "cut", "ledger", "table gone"])
def test_a_damaged_file_is_kept_aside_and_a_new_one_begun(path, damage):
    box = Outbox(path)
    box.put("mqtt", [draft(n, DUTY, size=500) for n in range(200)])
    box.close()
    data = bytearray(path.read_bytes())
    if damage == "garbage":
        path.write_bytes(b"\xa5" * len(data))
    elif damage == "flipped":
        data[4096 : 3 * 4096] = bytes(255 - b for b in data[4096 : 3 * 4096])
        path.write_bytes(data)
    elif damage == "cut":
        path.write_bytes(data[: len(data) // 2])
    else:
        other = sqlite3.connect(path)
        other.execute("PRAGMA application_id = 7" if damage == "ledger" else "DROP TABLE item")
        other.commit()
        other.close()
    said = []
    box = Outbox(path, say=said.append)
    (line,) = said
    assert "damaged" in line
    assert box.damaged_count == 1
    kept = [p for p in path.parent.iterdir() if ".damaged-" in p.name]
    assert [p for p in kept if p.name in line]
    assert "\n" not in line
    assert box.counts("mqtt").waiting == {}
    box.put("mqtt", [draft(1)])
    assert numbers(box.peek("mqtt", 9)) == [1]
    box.close()


def test_damage_while_open_is_found_and_the_item_still_stored(path):
    box = Outbox(path, say=(said := []).append)
    box.put("mqtt", [draft(n, size=1500) for n in range(400)])
    other = sqlite3.connect(path)
    other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    other.close()
    with path.open("r+b") as file:  # every page after the first
        file.seek(4096)
        file.write(b"\xff" * (path.stat().st_size - 4096))
    other = sqlite3.connect(path)  # a change by another connection makes ours forget its cache
    other.execute("PRAGMA user_version = 1")
    other.close()
    box.put("mqtt", [draft(7)])
    assert len(said) == 1
    assert numbers(box.peek("mqtt", 9)) == [7]
    box.close()


def test_a_full_disk_is_said_loses_nothing_and_recovers(outbox):
    """SQLite's own answer to a full disk, brought about by the most pages the file may have."""
    outbox.put("mqtt", [draft(1)])
    pages = outbox._connection.execute("PRAGMA page_count").fetchone()[0]
    outbox._connection.execute(f"PRAGMA max_page_count = {pages + 1}")
    with pytest.raises(OutputError, match="no room left on the disk; free some space"):
        outbox.put("mqtt", [draft(n, size=2000) for n in range(2, 20)])
    assert numbers(outbox.peek("mqtt", 99)) == [1]
    assert outbox.counts("mqtt").waiting == {LIVE: 1}
    outbox._connection.execute("PRAGMA max_page_count = 100000")
    outbox.put("mqtt", [draft(n, size=2000) for n in range(2, 20)])
    assert numbers(outbox.peek("mqtt", 99)) == list(range(1, 20))
    assert outbox.damaged_count == 0


def test_a_newer_file_is_refused_and_left_alone(path):
    box = Outbox(path)
    box.put("mqtt", [draft(1)])
    box.close()
    other = sqlite3.connect(path)
    other.execute("PRAGMA user_version = 2")
    other.close()
    with pytest.raises(ConfigError, match="version 2"):
        Outbox(path)
    assert [p.name for p in path.parent.iterdir() if "damaged" in p.name] == []


def test_folder_that_is_not_there_and_a_closed_outbox_say_so(tmp_path, outbox):
    with pytest.raises(OutputError, match="can't be made"):
        Outbox(tmp_path / "none" / "outbox.sqlite")
    outbox.close()
    with pytest.raises(OutputError, match="closed"):
        outbox.put("mqtt", [draft(1)])


def test_unknown_kind_is_the_callers_bug(outbox):
    with pytest.raises(InputError, match="kind"):
        outbox.put("mqtt", [draft(1, "noise")])


def test_peeking_uses_its_index(outbox, path):
    """Days of undated rows before a dated one must not be walked each second."""
    with sqlite3.connect(path) as other:
        sql = "SELECT id FROM item WHERE output = ? AND (utc_ns IS NOT NULL OR kind = 'alert') ORDER BY id LIMIT 5"
        plan = " ".join(str(row[3]) for row in other.execute("EXPLAIN QUERY PLAN " + sql, ("mqtt",)))
    other.close()
    assert "item_ready" in plan


def test_threads_share_it(outbox):
    """Each output has a thread, and the intake one more."""

    def fill(name):
        for n in range(50):
            outbox.put(name, [draft(n)])
            outbox.ack([item.id for item in outbox.peek(name, 1)])

    threads = [threading.Thread(target=fill, args=(name,)) for name in ("a", "b", "c")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [outbox.counts(name).acked for name in ("a", "b", "c")] == [50, 50, 50]
    assert [outbox.counts(name).waiting_count for name in ("a", "b", "c")] == [0, 0, 0]


CHILD = """
import sys
from pathlib import Path
from dutylog.publish.outbox import Draft, Outbox
box = Outbox(Path(sys.argv[1]))
for n in range(100_000):
    box.put("mqtt", [Draft("duty", "b", n, n, b"%08d" % n)])
    print(n, flush=True)
"""


def test_what_was_put_before_a_kill_is_there_after_it(path):
    """Nothing that `put` returned from is lost by a process that dies."""
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE, text=True)
    last = -1
    for line in child.stdout:
        last = int(line)
        if last >= 200:
            os.kill(child.pid, signal.SIGKILL)
            break
    child.stdout.close()
    assert child.wait() == -signal.SIGKILL
    box = Outbox(path)
    found = numbers(box.peek("mqtt", 200_000))
    assert found == list(range(len(found)))
    assert len(found) > last
    assert box.damaged_count == 0
    box.close()

"""Dies by SIGKILL at every step of a recovery or a rotation in turn, and looks what the next start makes of it.

Started by test_heal.py as `python heal_child.py recovery|rotation FOLDER`; prints one JSON object. Each try
is a process of its own, forked from this one, which has no threads.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import signal
import sys
import traceback
import zlib
from dataclasses import replace
from pathlib import Path

from dutylog.daemon.heal import Folder, open_ledger
from dutylog.ledger.backup import find_backups
from dutylog.ledger.database import Database
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from ledger.builders import commit_at, fill, make_stamp

STEPS = {"os.rename", "os.remove", "os.chmod", "os.truncate", "open", "sqlite3.connect", "shutil.copyfile"}


def folder_of(data_dir):
    return Folder(data_dir, data_dir / "log", make_stamp, lambda _: None)


def kill_at(number):
    """Die before the step of this number: whatever touches a name, a file or the end of a transaction."""
    left = number

    def step():
        nonlocal left
        left -= 1
        if left == 0:
            os.kill(os.getpid(), signal.SIGKILL)

    def audit(event, arguments):
        if event in STEPS and not (event == "open" and str(arguments[1]) == "r"):
            step()

    plain_fsync, plain_write = os.fsync, Database.write

    def fsync(descriptor):
        step()
        plain_fsync(descriptor)

    @contextlib.contextmanager
    def write(self):
        with plain_write(self) as connection:
            yield connection
            step()
        step()

    os.fsync, Database.write = fsync, write
    sys.addaudithook(audit)


def attempt(work, kill=None):
    """Do something in a child process: its status, negative for the signal that killed it."""
    child = os.fork()
    if child == 0:
        try:
            if kill is not None:
                kill_at(kill)
            work()
        except BaseException as err:  # noqa: BLE001 - told by the status
            traceback.print_exception(err)
            os._exit(1)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def packed(change):
    """Return a commit whose states can be unpacked, as the engine's can."""
    if change.cold is None:
        return change
    cold = {unit_id: zlib.compress(state) for unit_id, state in change.cold.items()}
    return replace(change, cold=cold, checkpoint=zlib.compress(change.checkpoint))


def make_template(folder):
    """A ledger with three copies of different age."""
    folder.mkdir()
    with Ledger.open(folder / LEDGER_NAME, stamp=make_stamp) as ledger:
        ids = fill(ledger)
        for sequence in range(1, 13):
            ledger.commit(packed(commit_at(ids, sequence)))
            if sequence % 3 == 0:
                ledger.rotate_backup()
    return ids


def recover(folder):
    with open_ledger(folder_of(folder)) as ledger:
        assert ledger.find_damage(whole=True) is None


def rotate(folder):
    with Ledger.open(folder / LEDGER_NAME, stamp=make_stamp) as ledger:
        ledger.rotate_backup()


def sequences(folder):
    """How far each sound copy had counted, newest first."""
    found = []
    for file in find_backups(folder / LEDGER_NAME):
        with Ledger.open(file, read_only=True) as ledger:
            assert ledger.find_damage(whole=True) is None
            found.append(ledger.cursor().hot_sequence)
    return found


def judge_recovery(folder, damaged):
    with open_ledger(folder_of(folder)) as ledger:
        assert ledger.find_damage(whole=True) is None
        assert ledger.cursor().hot_sequence == 12, ledger.cursor().hot_sequence
        assert ledger.is_recovering()
        assert len([entry for entry in ledger.entries() if entry.kind == "recovered"]) == 1
    names = {file.name for file in folder.iterdir()}
    kept = [folder / name for name in names if ".damaged-" in name and not name.endswith(("-wal", "-shm"))]
    assert [file.read_bytes() for file in kept] == [damaged], names
    assert sequences(folder) == [12, 9, 6]
    assert not [name for name in names if ".part" in name], names


def judge_rotation(folder, _damaged):
    # Killed anywhere, no copy was lost before a newer one stood in its place.
    found = sequences(folder)
    assert found in ([12, 9, 6], [12, 12, 9], [12, 9]), found
    assert len(found) == 3 or len(list(folder.glob("*.part"))) == 1
    rotate(folder)
    assert sequences(folder) == [12, 12, 9 if found[:2] == [12, 9] else 12], sequences(folder)
    assert not list(folder.glob("*.part*"))


def main():
    what, base = sys.argv[1], Path(sys.argv[2])
    template, folder = base / "template", base / "data"
    make_template(template)
    damaged = b""
    if what == "recovery":
        file = template / LEDGER_NAME
        octets = bytearray(file.read_bytes())
        octets[2000:9000] = b"\xa5" * 7000
        damaged = bytes(octets)
        file.write_bytes(damaged)
    work, judge = (recover, judge_recovery) if what == "recovery" else (rotate, judge_rotation)
    kills, wrong = 0, []
    while True:
        shutil.rmtree(folder, ignore_errors=True)
        shutil.copytree(template, folder)
        status = attempt(lambda: work(folder), kills + 1)
        if status != -signal.SIGKILL:
            break
        kills += 1
        if attempt(lambda: judge(folder, damaged)) != 0:
            wrong.append(kills)
    print(json.dumps({"kills": kills, "status": status, "wrong": wrong}))


if __name__ == "__main__":
    main()

"""kill -9 again and again, in between files cut at random bytes, and after each start what must then hold.

The truth is the raw log as it stood before the harm: integrated anew from the epochs behind the last loss,
on top of what stood in the ledger there.
"""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import time
from contextlib import closing
from dataclasses import dataclass, field

from dutylog.duty.totals import SUMS, Totals
from dutylog.engine.engine import is_named
from dutylog.engine.report import Integration
from dutylog.errors import DutylogError
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.reader import LogReader

HARMS = ("none", "none", "raw", "wal", "both")
OPTIONS = {"commit_ns": 100_000_000, "cold_ns": 700_000_000, "note_epochs": True}


@dataclass(slots=True)
class Tally:
    """What was done and found; every list must stay empty."""

    kills: int = 0
    cuts: dict[str, int] = field(default_factory=lambda: {"raw": 0, "wal": 0})
    cut_bytes: int = 0
    losses: int = 0
    judged: int = 0
    doubled: list = field(default_factory=list)
    fallen: list = field(default_factory=list)
    wrong: list = field(default_factory=list)
    untold: list = field(default_factory=list)
    starts_s: list = field(default_factory=list)


class KillCampaign:
    """Rounds on one data folder. start: starts a child (`start_core`) with settings and side log."""

    def __init__(self, settings, start, side, seed):
        self._settings, self._start, self._side = settings, start, side
        self._random = random.Random(seed)
        self._base: dict[str, Totals] = {}
        self._base_epoch = 0
        self._read = 0
        # Whether the ledger had counted past the end that a cut left of the log: only that can be noticed.
        self._is_ahead = False
        # By the latest commit of which the witness knows.
        self._acknowledged: dict[str, Totals] = {}
        self.tally = Tally()

    def run(self, kills):
        """Kill so often, then let one run end cleanly; return what was found."""
        harm, truth, stored = "none", {}, {}
        for number in range(kills + 1):
            began_s = time.monotonic()
            child = self._start(self._settings, self._side, **OPTIONS)
            child.wait_for("running")
            self.tally.starts_s.append(time.monotonic() - began_s)
            time.sleep(self._random.uniform(0.05, 1.2))
            if number < kills:
                child.process.kill()
                child.finish()
                self.tally.kills += 1
            else:
                child.process.terminate()
                status, _, errors = child.finish()
                if status:
                    self.tally.wrong.append(("status", status, errors))
            began = self._follow()
            if began is not None:
                self._judge(number, harm, truth, stored, *began)
                harm, truth, self._is_ahead = "none", {}, False
            if number < kills:
                now = self._random.choice(HARMS)
                # Nobody began to count since the last harm: its truth stands, cut once more.
                truth = truth or self._truth()
                self._hurt(now)
                harm = now if harm == "none" else harm if now in ("none", harm) else "both"
                stored, counted_to = self._stored()
                self._is_ahead |= counted_to > self._log_end()
        return self.tally

    # what must hold

    def _judge(self, number, harm, truth, stored, epoch, totals, acknowledged):
        """Hold the totals at the begin of an epoch against what was there before."""
        tally = self.tally
        tally.judged += 1
        is_same = all(_same(totals.get(unit), value) for unit, value in truth.items())
        for unit, value in totals.items():
            if truth and not truth.get(unit, Totals()).reaches(value):
                tally.doubled.append((number, harm, unit))
            if unit in stored and not value.reaches(stored[unit]):
                tally.fallen.append((number, harm, unit))
            if harm in ("none", "raw") and unit in acknowledged and not value.reaches(acknowledged[unit]):
                tally.fallen.append((number, harm, unit, "acknowledged"))
        if truth and not is_same:
            if harm in ("none", "wal"):
                tally.wrong.append((number, harm))
            tally.losses += 1
            if harm == "raw" and self._is_ahead and not self._loss_entries():
                tally.untold.append(number)
        if truth:
            self._base, self._base_epoch = (self._base, self._base_epoch) if is_same else (totals, epoch)

    def _truth(self):
        """Return the totals that everything durable makes."""
        work = None
        for frame in LogReader(self._settings.data_dir / "log").frames():
            if frame.epoch >= self._base_epoch:
                if work is None:
                    work = Integration(self._settings.vehicle, keep_vehicle=False)
                work.feed(frame)
        made = {}
        if work is not None:
            work.finish()
            made = {unit: value for unit, value in work.engine.totals().items() if is_named(unit)}
        whole = {}
        for unit in self._base.keys() | made.keys():
            whole[unit] = self._base.get(unit, Totals()).copy()
            whole[unit].merge(made.get(unit, Totals()))
        return whole

    def _stored(self):
        """Return the totals in the ledger as it lies there and the last frame in them, looked at in a copy.

        Where it can't be read there are none.
        """
        copy = self._settings.data_dir.with_name("copy")
        copy.mkdir(exist_ok=True)
        for ending in ("", "-wal"):
            source = self._settings.data_dir / (LEDGER_NAME + ending)
            if source.exists():
                shutil.copy(source, copy / source.name)
        try:
            with closing(sqlite3.connect(copy / LEDGER_NAME)) as connection:
                if connection.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
                    return {}, 0
            with Ledger.open(copy / LEDGER_NAME, read_only=True) as ledger:
                if ledger.verify_chain() is not None:
                    return {}, 0
                return ledger.all_totals(), ledger.cursor().hot_sequence
        except (DutylogError, sqlite3.Error):
            return {}, 0
        finally:
            shutil.rmtree(copy)

    def _log_end(self):
        """Return the number of the last frame that can be read, 0 for none."""
        last = 0
        try:
            for frame in LogReader(self._settings.data_dir / "log").frames():
                last = frame.sequence
        except DutylogError:
            return last
        return last

    def _loss_entries(self):
        with Ledger.open(self._settings.data_dir / LEDGER_NAME, read_only=True) as ledger:
            return [entry for entry in ledger.entries() if entry.kind in ("raw_loss", "recovered")]

    # harm

    def _hurt(self, harm):
        if harm in ("raw", "both"):
            self._cut(max((self._settings.data_dir / "log").glob("*.dlg")), "raw")
        if harm in ("wal", "both"):
            self._cut(self._settings.data_dir / (LEDGER_NAME + "-wal"), "wal")
            # What was acknowledged stood in that file.
            self._acknowledged = {}

    def _cut(self, file, what):
        """Truncate a file at any of its bytes."""
        size = file.stat().st_size if file.exists() else 0
        if not size:
            return
        left = self._random.randrange(size)
        with file.open("r+b") as stream:
            stream.truncate(left)
        if file.stat().st_size != left:
            raise AssertionError(f"{file} was not cut")
        self.tally.cuts[what] += 1
        self.tally.cut_bytes += size - left

    # the witness

    def _follow(self):
        """Read what the witness noted since: (epoch, totals at its begin, acknowledged before) of a start, or None."""
        began = None
        lines = self._side.read_text().splitlines() if self._side.exists() else []
        for line in lines[self._read :]:
            record = json.loads(line)
            if "began" in record:
                made = {u: Totals(*row) for u, row in record["made"].items() if is_named(u)}
                began = (record["began"], made, self._acknowledged)
            if "totals" in record:
                self._acknowledged = {u: Totals(*row) for u, row in record["totals"].items()}
        self._read = len(lines)
        return began


def _same(first, second):
    return first is not None and all(getattr(first, name) == getattr(second, name) for name in SUMS)

"""Core in a process of its own, with a side log of what was made durable and ways to die on purpose.

Started by the tests as `python core_child.py OPTIONS_JSON`; nothing of this is in the program itself.
The side log is written by this file alone: it is the tests' own witness.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
import zlib

from dutylog.clock import SystemClock
from dutylog.daemon import alert_keeper as keeper_module
from dutylog.daemon import bookkeeper as books_module
from dutylog.daemon import core as core_module
from dutylog.daemon import counting as counting_module
from dutylog.daemon import restore as restore_module
from dutylog.daemon import upkeep as upkeep_module
from dutylog.daemon.core_settings import CoreSettings
from dutylog.errors import DutylogError
from dutylog.recording import log as log_module
from dutylog.recording import segment_files as files_module
from dutylog.recording.codec import encode_frame
from dutylog.recording.frame import FrameType


class SideLog:
    """One JSON line for each thing that was acknowledged, before anything else happens."""

    def __init__(self, path):
        self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def write(self, record):
        # Without fsync: a kill takes nothing from the kernel, and a disk made slow must not slow the witness.
        os.write(self._fd, json.dumps(record).encode() + b"\n")


class Reaper:
    """Kills this very process at a chosen stage of a chosen commit."""

    def __init__(self, after, stage):
        self._left, self._stage = after, stage

    def pass_stage(self, stage):
        if stage != self._stage:
            return
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


class SelectClock(SystemClock):
    """Sleeps by a relative timeout: libfaketime bends the absolute one of time.sleep, monotonic or not."""

    def sleep(self, seconds):
        select.select([], [], [], max(0.0, seconds))


def watch(core_class, books_class, side, reaper):
    """Wrap the two durable steps of every round; the second runs in the ledger's thread."""
    plain_feed, plain_write = core_class._feed, books_class._write

    def feed(self, frames):
        # What LogWriter says is durable; the witness notes it down.
        side.write({"frames": [[f.sequence, zlib.crc32(encode_frame(f))] for f in frames]})
        reaper.pass_stage("raw_durable")
        plain_feed(self, frames)

    def write(self, change, epochs):
        reaper.pass_stage("before_ledger")
        if change.alerts:
            reaper.pass_stage("before_alerts")
        written = plain_write(self, change, epochs)
        if change.alerts:
            reaper.pass_stage("after_alerts")
        totals = {unit: value.as_row() for unit, value in self._ledger.all_totals().items()}
        side.write({"totals": totals})
        reaper.pass_stage("after_ledger")
        return written

    core_class._feed, books_class._write = feed, write


def store_now(core):
    """See all that the log holds counted and stored before anything else happens."""
    core._writer.wait(60.0)
    core._finish_log()
    core._counting.count_all()
    core._books._errand.wait(60.0)
    core._books.finish()
    core._books.store(core._counting.pack(core._books.wanted()))
    core._books._errand.wait(60.0)
    core._books.finish()


def work_in_step(core_class):
    """Let every round wait for its commits, so that a short recording has many of them."""
    plain = core_class._write

    def write(self):
        plain(self)
        store_now(self)

    core_class._write = write


def note_lateness(core_class, path):
    """Note for each batch how long after its last sample's instant core had it in hand [ns]; pace 1 only."""
    plain = core_class._take
    file = open(path, "w", buffering=1)  # noqa: SIM115 - as long as the process

    def take(self, batch):
        plain(self, batch)
        if batch is not None and batch.blocks:
            last = batch.blocks[0]
            file.write(f"{self._clock.mono_ns() - last.time_ns(last.end_index)}\n")

    core_class._take = take


def note_epochs(core_class, side):
    """Note the totals at the moment the engine has ended what came before a new epoch."""
    plain = core_class._restore

    def restore(self):
        restored = plain(self)
        engine = restored.engine
        feed = engine.feed

        def feed_and_note(frame, **options):
            step = feed(frame, **options)
            if frame.type == FrameType.SEGMENT_HEAD:
                made = {unit: value.as_row() for unit, value in engine.totals().items()}
                side.write({"began": frame.epoch, "made": made})
            return step

        engine.feed = feed_and_note
        return restored

    core_class._restore = restore


def break_replay(how):
    """Switch replay off, or do it twice: the tests must notice."""
    plain = restore_module._replay
    if how == "off":
        restore_module._replay = lambda *_: None
        restore_module._compare = lambda *_: None
    elif how == "double":

        def twice(restored, folder, needed_from, ledger):
            # The engine knows rows by their index and won't take them twice, so what they brought is added again.
            before = {unit: totals.copy() for unit, totals in restored.engine.totals().items()}
            plain(restored, folder, needed_from, ledger)
            for unit, duty in restored.engine.duties().items():
                if unit in before:
                    duty.sums.merge(duty.totals().since(before[unit]))

        restore_module._replay = twice


def main():
    options = json.loads(sys.argv[1])
    core_module.COMMIT_NS = options.get("commit_ns", core_module.COMMIT_NS)
    counting_module.HOT_NS = options.get("commit_ns", counting_module.HOT_NS)
    core_module.AHEAD_S = options.get("ahead_s", core_module.AHEAD_S)
    books_module.COLD_NS = options.get("cold_ns", books_module.COLD_NS)
    keeper_module.SHOWN_NS = options.get("shown_ns", keeper_module.SHOWN_NS)
    log_module.MAX_PENDING_BYTES = options.get("max_pending_bytes", log_module.MAX_PENDING_BYTES)
    upkeep_module.FIRST_NS = options.get("upkeep_first_ns", upkeep_module.FIRST_NS)
    upkeep_module.EVERY_NS = options.get("upkeep_every_ns", upkeep_module.EVERY_NS)
    files_module.RESERVE_SHARE = options.get("reserve_share", files_module.RESERVE_SHARE)
    side = SideLog(options["side_log"])
    die = options.get("die") or {"after": 0, "stage": ""}
    watch(core_module.Core, books_module.Bookkeeper, side, Reaper(die["after"], die["stage"]))
    if options.get("note_epochs"):
        note_epochs(core_module.Core, side)
    if lateness := options.get("lateness"):
        note_lateness(core_module.Core, lateness)
    if options.get("in_step"):
        work_in_step(core_module.Core)
    if trusted_file := options.get("trusted_file"):
        core_module.is_utc_trusted = lambda: os.path.exists(trusted_file)
    break_replay(options.get("replay", "normal"))
    clock = SelectClock() if options.get("sleep_by_select") else SystemClock()
    settings = CoreSettings.from_json(json.dumps(options["settings"]))
    core = core_module.Core(settings, clock, lambda line: print(line, flush=True))
    signal.signal(signal.SIGTERM, lambda *_: core.stop())
    stop_after = options.get("stop_after_batches")
    if stop_after is not None:
        plain_take = core._take
        count = 0

        def take(batch):
            nonlocal count
            plain_take(batch)
            count += 1
            if count >= stop_after:
                core.stop()

        core._take = take
    try:
        core.run()
    except DutylogError as err:
        print(f"dutylog: {err}", file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""Core in a process of its own, with a side log of what was made durable and ways to die on purpose.

Started by the tests as `python core_child.py OPTIONS_JSON`; nothing of this is in the program itself.
The side log is written and fsynced by this file alone: it is the tests' own witness.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import sys
import zlib

from dutylog.clock import SystemClock
from dutylog.daemon import core as core_module
from dutylog.daemon import restore as restore_module
from dutylog.daemon.core_settings import CoreSettings
from dutylog.errors import DutylogError
from dutylog.recording import log as log_module
from dutylog.recording.codec import encode_frame


class SideLog:
    """One JSON line for each thing that was acknowledged, fsynced before anything else happens."""

    def __init__(self, path):
        self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)

    def write(self, record):
        os.write(self._fd, json.dumps(record).encode() + b"\n")
        # Tests that make every fsync fail mean the program's, not that of its witness; kills don't need it.
        with contextlib.suppress(OSError):
            os.fsync(self._fd)


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


def watch(core_class, side, reaper):
    """Wrap the two durable steps of every round."""
    plain_feed, plain_store = core_class._feed, core_class._store

    def feed(self, frames):
        # What LogWriter.commit returned is durable by its word; the witness notes it down.
        side.write({"frames": [[f.sequence, zlib.crc32(encode_frame(f))] for f in frames]})
        reaper.pass_stage("raw_durable")
        plain_feed(self, frames)

    def store(self, *, store_all):
        reaper.pass_stage("before_ledger")
        plain_store(self, store_all=store_all)
        totals = {unit: value.as_row() for unit, value in self._ledger.all_totals().items()}
        side.write({"totals": totals})
        reaper.pass_stage("after_ledger")

    core_class._feed, core_class._store = feed, store


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
    core_module.COLD_NS = options.get("cold_ns", core_module.COLD_NS)
    log_module.MAX_PENDING_BYTES = options.get("max_pending_bytes", log_module.MAX_PENDING_BYTES)
    side = SideLog(options["side_log"])
    die = options.get("die") or {"after": 0, "stage": ""}
    watch(core_module.Core, side, Reaper(die["after"], die["stage"]))
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

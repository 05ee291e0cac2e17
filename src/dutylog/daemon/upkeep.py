"""What core does for its files beside sampling: copies of the ledger, and a raw log within its limits.

All of it runs in a thread of its own with a connection of its own: sampling waits for none of it, and
whatever fails is said and tried again later.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dutylog.clock import Clock
from dutylog.config.settings import LogSettings
from dutylog.daemon.heal import Folder, find_damage
from dutylog.daemon.pruning import keep_within
from dutylog.daemon.wall_time import is_utc_trusted
from dutylog.errors import DutylogError, LedgerCorrupt, LedgerError
from dutylog.ledger.backup import backup_path
from dutylog.ledger.database import corrupt
from dutylog.ledger.ledger import Ledger
from dutylog.memory import give_back
from dutylog.recording.errand import Errand
from dutylog.recording.retention import KeepRule, read_room
from dutylog.units import NS_PER_S

FIRST_NS = 60 * NS_PER_S
"""So long after its start core looks for the first time: then the start itself is long over."""
EVERY_NS = 300 * NS_PER_S
BACKUP_EVERY_S = 3600.0
"""Running time between two copies. What comes after the newest has to be counted again from the log when it is
needed; an hour of it takes seconds (shared/LEDGER.md). Judgement."""
BACKUP_BYTES_PER_HOUR = 4_000_000
"""The most that copies write while running; a larger ledger is copied less often. Judgement: below the log's 6 MB."""


@dataclass(frozen=True, slots=True)
class _Report:
    """What a round did. lines: for people. trouble: what failed, None where nothing did."""

    lines: tuple[str, ...] = ()
    trouble: str | None = None


class Upkeep:
    """Looks every few minutes whether a copy is due or the log over its limits, and sees to it.

    clock: monotonic and wall time. folder: the data folder; its `say` takes lines for people. rule:
    what is kept of the raw log.
    """

    def __init__(self, folder: Folder, clock: Clock, rule: KeepRule) -> None:
        self._folder, self._clock, self._rule = folder, clock, rule
        self._errand: Errand[_Report] = Errand("upkeep", clock)
        self._next_ns = clock.mono_ns() + FIRST_NS
        self._trouble: str | None = None

    def poll(self) -> None:
        """See to a round that has ended, begin one that is due; never waits.

        Raises:
            LedgerCorrupt: the ledger itself is damaged.
        """
        self._see_to_it()
        if not self._errand.is_open and self._clock.mono_ns() >= self._next_ns:
            self._next_ns = self._clock.mono_ns() + EVERY_NS
            self._errand.start(self._round)

    def close(self, until_ns: int) -> None:
        """Make the copy of an orderly stop, once the last totals are stored; waits until an instant at most.

        Raises:
            LedgerCorrupt: the ledger itself is damaged.
        """
        if self._errand.wait(self._left_s(until_ns)):
            self._see_to_it()
            self._errand.start(lambda: self._copy_at_stop(self._left_s(until_ns)))
            if self._errand.wait(self._left_s(until_ns)):
                self._see_to_it()
        self._errand.close()

    def _left_s(self, until_ns: int) -> float:
        return max(0.0, (until_ns - self._clock.mono_ns()) / NS_PER_S)

    def _see_to_it(self) -> None:
        report = self._errand.take()
        if report is None:
            return
        for line in report.lines:
            self._folder.say(line)
        if report.trouble is not None and report.trouble != self._trouble:
            self._folder.say(f"{report.trouble}; tried again later, sampling goes on")
        self._trouble = report.trouble

    # In the thread.

    def _round(self) -> _Report:
        lines: list[str] = []
        try:
            with Ledger.open(self._folder.ledger, stamp=self._folder.stamp) as ledger:
                if is_backup_due(ledger):
                    _copy(ledger, None)
                now_utc_ns = self._clock.utc_ns() if is_utc_trusted() else None
                if line := keep_within(ledger, self._folder.log, self._rule, now_utc_ns):
                    lines.append(line)
        except LedgerCorrupt:
            raise
        except DutylogError as err:
            return _Report(tuple(lines), str(err))
        finally:
            give_back()
        return _Report(tuple(lines))

    def _copy_at_stop(self, limit_s: float) -> _Report:
        try:
            with Ledger.open(self._folder.ledger, stamp=self._folder.stamp) as ledger:
                if has_changed(ledger):
                    _copy(ledger, limit_s)
        except LedgerCorrupt:
            raise
        except DutylogError as err:
            return _Report(trouble=str(err))
        return _Report()


def make_rule(settings: LogSettings) -> KeepRule:
    """Return what a configuration says about keeping the raw log."""
    return KeepRule(round(settings.keep_s * NS_PER_S), settings.keep_bytes)


def is_backup_due(ledger: Ledger) -> bool:
    """Tell whether enough was counted since the newest copy for another one."""
    newest = _totals_of(backup_path(ledger.path, 1))
    if newest is None:
        return True
    running_us = (
        value.measured_us + value.unmeasured_us - (0 if (old := newest.get(unit)) is None else sum(old))
        for unit, value in ledger.all_counted().items()
    )
    every_s = max(BACKUP_EVERY_S, ledger.path.stat().st_size / BACKUP_BYTES_PER_HOUR * 3600.0)
    return max(running_us, default=0) >= every_s * 1e6


def has_changed(ledger: Ledger) -> bool:
    """Tell whether the newest copy lacks anything of the ledger."""
    try:
        with Ledger.open(backup_path(ledger.path, 1), read_only=True) as copy:
            return _mark(copy) != _mark(ledger)
    except DutylogError:
        return True


def _mark(ledger: Ledger) -> tuple[object, ...]:
    newest, cursor = ledger.entries(1), ledger.cursor()
    return cursor.hot_sequence, cursor.cold_sequence, newest[0].hash if newest else b"", ledger.vehicle()


def _totals_of(copy: Path) -> dict[str, tuple[int, int]] | None:
    """Return measured and unmeasured time [us] of each damper in a copy, None where there is no readable one."""
    try:
        with Ledger.open(copy, read_only=True) as ledger:
            return {unit: (value.measured_us, value.unmeasured_us) for unit, value in ledger.all_counted().items()}
    except DutylogError:
        return None


def _copy(ledger: Ledger, limit_s: float | None) -> None:
    """Make a copy, unless the disk is too full for one; a copy that isn't sound may be the card's fault alone."""
    room = read_room(ledger.path.parent)
    size_bytes = ledger.path.stat().st_size
    if room.free_bytes - size_bytes < room.min_free_bytes // 2:
        raise LedgerError(
            f"{room.free_bytes / 1e6:.0f} MB free, too little for a backup of the ledger; free some space"
        )
    try:
        ledger.rotate_backup(limit_s)
    except LedgerCorrupt as err:
        if (damage := find_damage(ledger, whole=True)) is not None:
            raise corrupt(ledger.path, damage) from err
        raise LedgerError(
            f"a backup of {ledger.path} came out damaged, the ledger itself is sound; look at the card"
        ) from err

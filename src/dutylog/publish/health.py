"""How publishing is doing, in words and counts (shared/TOPICS.md)."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from dutylog import ENGINE, __version__
from dutylog.errors import OutputError
from dutylog.publish.intake import Intake
from dutylog.publish.outbox import Counts, Outbox
from dutylog.publish.output import OutputHealth
from dutylog.publish.outputs import OutputThread

SCHEMA = 1
WELL = "well"
LATE = "late"
REFUSED = "refused"
PENDING = "pending"


def state_of(health: OutputHealth) -> str:
    """Return the word for an output: `well`, `late` (nothing acknowledged for three periods) or `refused`.

    `pending`: nothing was acknowledged yet although something is due or was tried and failed, and three periods
    haven't passed.
    """
    if health.is_refused:
        return REFUSED
    if not health.is_well:
        return LATE
    is_tried = health.is_due or bool(health.problem)
    return PENDING if is_tried and not health.was_acked else WELL


class HealthView:
    """Reads the parts of the process; never waits for a receiver."""

    def __init__(self, intake: Intake, outbox: Outbox, threads: Sequence[OutputThread], rss: Callable[[], int]) -> None:
        """rss: memory of this process [B]."""
        self._intake = intake
        self._outbox = outbox
        self._threads = threads
        self._rss = rss

    def object(self) -> dict[str, Any]:
        """Return all of it; shared/TOPICS.md has a row for each field."""
        intake = self._intake
        return {
            "schema": SCHEMA,
            "engine": ENGINE,
            "version": __version__,
            "link": intake.link(),
            "core_connected": intake.connected,
            "last_problem": intake.last_problem or None,
            "ledger_problem": intake.ledger_problem or None,
            "dropped_count": intake.dropped_count,
            "outbox_damaged_count": self._outbox.damaged_count,
            "memory_bytes": self._rss(),
            "outputs": [self._output(thread) for thread in self._threads],
        }

    def _output(self, thread: OutputThread) -> dict[str, Any]:
        health = thread.output.health()
        counts = self._counts(health.name)
        return {
            "name": health.name,
            "state": state_of(health) if thread.is_alive() else LATE,
            "period_s": health.period_s,
            "acked_age_s": round(health.acked_age_s, 1) if health.was_acked else None,
            "problem": health.problem or thread.last_failure or None,
            "waiting": counts.waiting,
            "dropped": counts.dropped,
            "undated": counts.undated,
            "rejected_count": counts.rejected,
            "acked_count": counts.acked,
            "restarts_count": thread.restarts_count,
        }

    def _counts(self, name: str) -> Counts:
        try:
            return self._outbox.counts(name)
        except OutputError:
            return Counts()


def resident_bytes(path: Path = Path("/proc/self/statm")) -> int:
    """Return this process's resident memory [B], 0 where the system doesn't say. Source: Linux proc(5), statm."""
    try:
        return int(path.read_text(encoding="ascii").split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except (OSError, ValueError, IndexError):
        return 0

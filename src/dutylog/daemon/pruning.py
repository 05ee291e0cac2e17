"""The raw log kept within its limits: what may go, the entry that says so, and its going."""

from __future__ import annotations

import json
import zlib
from pathlib import Path

from dutylog.errors import DutylogError
from dutylog.ledger.backup import find_backups
from dutylog.ledger.ledger import PRUNED, Ledger
from dutylog.recording.bounds import SegmentStart
from dutylog.recording.retention import AGE, ROOM, SIZE, KeepRule, Needed, Pruning, plan_pruning, prune, read_room

_WHY = {AGE: "older than the limit", SIZE: "over the limit of size", ROOM: "the disk is running out of room"}


def keep_within(ledger: Ledger, log: Path, rule: KeepRule, now_utc_ns: int | None) -> str | None:
    """Remove what is over the limits, one step of it; return the line that tells so, None where nothing went.

    The entry comes first: killed before the files are gone, the next step takes them.

    Args:
        now_utc_ns: None while wall time isn't trusted.
    Raises:
        DutylogError: the log can't be read, or a file can't be removed.
    """
    if ledger.is_recovering() or not log.is_dir():
        return None
    pruning = plan_pruning(
        log,
        rule,
        lambda: _find_needed(ledger),
        room=read_room(log),
        now_utc_ns=now_utc_ns,
        utc_of=lambda start: _utc_of(ledger, start),
    )
    if pruning is None:
        return None
    trips = ledger.trips_between((pruning.first.epoch, pruning.first.t0_ns), (pruning.kept.epoch, pruning.kept.t0_ns))
    ledger.append_entry(PRUNED, None, _to_dict(pruning, trips))
    prune(pruning)
    names = ", ".join(map(str, trips)) or "none"
    return (
        f"raw log: segments {pruning.segments[0]} to {pruning.segments[1]} removed, "
        f"{pruning.byte_count / 1e6:.1f} MB ({_WHY[pruning.reason]}); trips without all their raw samples now: {names}"
    )


def read_needed_from(checkpoint: bytes | None) -> int:
    """Return the first frame that an engine restored from a checkpoint reads again; 1 where that can't be told."""
    try:
        return int(json.loads(zlib.decompress(checkpoint or b""))["needed_from"])
    except (zlib.error, ValueError, KeyError, TypeError):
        return 1


def _find_needed(ledger: Ledger) -> Needed:
    """Return what the ledger, and each backup that may have to take its place, still needs of the log."""
    sequence = read_needed_from(ledger.cursor().checkpoint)
    for backup in find_backups(ledger.path):
        try:
            with Ledger.open(backup, read_only=True) as copy:
                sequence = min(sequence, read_needed_from(copy.cursor().checkpoint))
        except DutylogError:
            continue  # of an earlier version or damaged: the others stand in for it
    open_trips = [trip.row for trip in ledger.trips(1) if trip.row.is_open]
    return Needed(sequence, (open_trips[0].epoch, open_trips[0].start_ns) if open_trips else None)


def _utc_of(ledger: Ledger, start: SegmentStart) -> int | None:
    epoch = ledger.epoch(start.epoch)
    if epoch is not None and epoch.utc_trusted:
        return max(epoch.utc_ns, epoch.utc_at_ns(start.t0_ns))
    return start.created_utc_ns if start.utc_trusted else None


def _to_dict(pruning: Pruning, trips: list[int]) -> dict[str, object]:
    return {
        "reason": pruning.reason,
        "segments": list(pruning.segments),
        "sequences": [pruning.first.sequence, pruning.kept.sequence - 1],
        "bytes": pruning.byte_count,
        "trips": trips,
    }

"""The parts of a bundle that come from the data folder and the log: each stands alone and may fail alone."""

from __future__ import annotations

import json
import os
import shutil
import stat
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import asdict
from itertools import islice
from pathlib import Path
from typing import Any

from dutylog.config.limits import one_line
from dutylog.errors import DutylogError, RecordingError
from dutylog.ledger.backup import find_backups
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.scan import find_segments
from dutylog.recording.segments import read_segment_info
from dutylog.units import NS_PER_S

UNIT = "dutylog.service"
LOG_LINES = 2000
LOG_BYTES = 1 << 20
LOG_S = 5.0
NEWEST_ENTRIES = 50
MOST_NAMES = 2000
LAST_SEGMENTS = 200
"""Segments that are described one by one; of older ones only number and size are told."""
RECORDING_NS = 300 * NS_PER_S
RECORDING_BYTES = 32 << 20
QUERY_LIMIT_S = 5.0
NO_LOG = "dutylog itself keeps no log: what it says goes to standard error, and from there to the journal of systemd"


def read_log(environment: dict[str, str]) -> str:
    """Return the service's newest lines in the journal.

    Raises:
        RecordingError: there is no journal, or it doesn't answer in time; with the reason.
    """
    program = shutil.which("journalctl", path=environment.get("PATH"))
    if program is None:
        raise RecordingError(f"no journalctl on this machine; {NO_LOG}")
    words = [program, "--unit", UNIT, "--lines", str(LOG_LINES), "--no-pager", "--no-hostname", "--output", "short-iso"]
    try:
        done = subprocess.run(
            words, capture_output=True, timeout=LOG_S, stdin=subprocess.DEVNULL, env=environment, check=False
        )
    except subprocess.TimeoutExpired:
        raise RecordingError(f"journalctl didn't answer within {LOG_S:g} s; {NO_LOG}") from None
    if done.returncode or not done.stdout:
        reason = done.stderr[-200:].decode("utf-8", "replace").strip() or "it has no lines of it"
        raise RecordingError(f"journalctl tells nothing of {UNIT} ({reason}); {NO_LOG}")
    if done.stdout.startswith(b"-- No entries --"):
        raise RecordingError(f"the journal has no lines of {UNIT}; {NO_LOG}")
    lines = done.stdout[-LOG_BYTES:].decode("utf-8", "replace").splitlines()
    return "\n".join(one_line(line) for line in lines) + "\n"


def list_folder(folder: Path) -> list[dict[str, Any]]:
    """Return name, kind, size, mode, owner and age of what lies in a data folder; hostile names are escaped."""
    found = []
    with os.scandir(folder) as entries:
        for entry in islice(entries, MOST_NAMES):
            status = entry.stat(follow_symlinks=False)
            found.append(
                {
                    "name": one_line(entry.name),
                    "mode": stat.filemode(status.st_mode),
                    "bytes": status.st_size,
                    "owner": status.st_uid,
                    "changed_utc_ns": status.st_mtime_ns,
                }
            )
    return sorted(found, key=lambda one: str(one["name"]))


def list_segments(log: Path) -> dict[str, Any]:
    """Return the segments of a raw log with sizes, the newest ones described; without the text of their source."""
    files = find_segments(log)
    listed = []
    for number, file in enumerate(files):
        one: dict[str, Any] = {"name": file.name, "bytes": file.lstat().st_size}
        if number >= len(files) - LAST_SEGMENTS:
            one |= _describe(file)
        listed.append(one)
    return {"count": len(files), "bytes": sum(one["bytes"] for one in listed), "segments": listed}


def _describe(file: Path) -> dict[str, Any]:
    if not is_plain(file):
        return {"problem": "is no plain file"}
    try:
        info = read_segment_info(file)
    except DutylogError as err:
        return {"problem": str(err)}
    if info is None:
        return {"problem": "its head can't be read"}
    keys = ("epoch", "first_sequence", "last_sequence", "frame_count", "row_count", "start_ns", "end_ns", "closed")
    told = {key: getattr(info, key) for key in (*keys, "source_kind", "created_utc_ns", "utc_trusted", "software")}
    return told | {"streams": [stream.name for stream in info.streams]}


def last_recording(log: Path) -> Iterator[tuple[str, bytes]]:
    """Yield name and bytes of the newest whole segments that together span five minutes, newest first.

    Links and devices under a segment's name are passed over: what they lead to isn't ours to hand on.

    Raises:
        RecordingError: the log can't be read.
    """
    span_ns, byte_count = 0, 0
    for file in reversed([file for file in find_segments(log) if is_plain(file)]):
        descriptor = os.open(file, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC)
        with os.fdopen(descriptor, "rb") as stream:
            octets = stream.read(RECORDING_BYTES - byte_count + 1)
        if byte_count + len(octets) > RECORDING_BYTES:
            return
        yield file.name, octets
        byte_count += len(octets)
        told = _describe(file)
        if isinstance(told.get("start_ns"), int):
            span_ns += told["end_ns"] - told["start_ns"]
        if span_ns >= RECORDING_NS:
            return


def is_plain(file: Path) -> bool:
    """Return whether a name is a file itself, no link or device."""
    return stat.S_ISREG(file.lstat().st_mode)


def summarise_ledger(data_dir: Path) -> dict[str, Any]:
    """Return what a ledger holds in brief; a question that fails is answered with its reason.

    Raises:
        LedgerError: it can't be opened at all.
    """
    path = data_dir / LEDGER_NAME
    with Ledger.open(path, read_only=True, query_limit_s=QUERY_LIMIT_S) as ledger:
        questions: dict[str, Callable[[Ledger], Any]] = {
            "damage": lambda one: one.find_damage(whole=False),
            "entries_count": lambda one: entries[0].row if (entries := one.entries(1)) else 0,
            "newest_entries": _newest_entries,
            "units": _units,
            "cursor": _cursor,
            "last_epoch": lambda one: one.last_epoch(),
            "last_trip": lambda one: trips[0].number if (trips := one.trips(1)) else None,
            "is_recovering": lambda one: one.is_recovering(),
        }
        told = {name: _ask(ledger, question) for name, question in questions.items()}
    told["bytes"] = path.stat().st_size
    told["backups"] = [{"name": copy.name, "bytes": copy.stat().st_size} for copy in find_backups(path)]
    return told


def _ask(ledger: Ledger, question: Callable[[Ledger], Any]) -> Any:
    try:
        return question(ledger)
    except (DutylogError, ValueError, TypeError, KeyError) as err:
        return {"problem": f"{type(err).__name__}: {err}"}


def _newest_entries(ledger: Ledger) -> list[dict[str, Any]]:
    keys = ("row", "kind", "revision", "sequence", "utc_ns", "utc_trusted")
    return [{key: getattr(entry, key) for key in keys} for entry in ledger.entries(NEWEST_ENTRIES)]


def _units(ledger: Ledger) -> list[dict[str, Any]]:
    """Return each damper's life totals in the ledger's own units; notes stay where they are."""
    return [
        {
            "unit_id": duty.unit_id,
            "label": duty.label,
            "serial": duty.serial,
            "position": duty.position,
            "revision": duty.revision,
            "sequence": duty.sequence,
            "totals": asdict(duty.totals),
        }
        for duty in ledger.unit_duties()
    ]


def _cursor(ledger: Ledger) -> dict[str, Any]:
    cursor = ledger.cursor()
    keys = ("hot_sequence", "cold_sequence", "engine", "boot_id", "updated_utc_ns")
    told: dict[str, Any] = {key: getattr(cursor, key) for key in keys}
    return told | {"checkpoint_bytes": None if cursor.checkpoint is None else len(cursor.checkpoint)}


def to_json(value: Any) -> bytes:
    """Return JSON for people and programs; text that is no Unicode is replaced."""
    return (json.dumps(value, ensure_ascii=False, indent=1) + "\n").encode("utf-8", "backslashreplace")

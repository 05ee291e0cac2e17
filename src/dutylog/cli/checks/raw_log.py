"""Can the end of the raw log be read, and how much of it is there?"""

from __future__ import annotations

import stat
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, failed_by, look, passed
from dutylog.cli.checks.scene import Scene
from dutylog.errors import DutylogError, RecordingError
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.bounds import read_start
from dutylog.recording.codec import Envelope
from dutylog.recording.scan import TORN, Damage, find_segments, scan_segment
from dutylog.recording.segments import LOG_FOLDER
from dutylog.units import NS_PER_S

SUBJECT = "raw log"
_REMEDY = "`dutylog recording check` tells all of it; look at the card"


def check_raw_log(scene: Scene) -> list[Finding]:
    """Return size, oldest part and the state of the newest segment."""
    if scene.data_dir is None or not scene.data_dir.is_dir():
        return []
    folder = scene.data_dir / LOG_FOLDER
    if not folder.is_dir():
        return [_absent(folder)]
    try:
        named = find_segments(folder)
        files = [file for file in named if stat.S_ISREG(file.lstat().st_mode)]
        odd = [fail(SUBJECT, f"{file} is no plain file", "take it away") for file in named if file not in files]
        if not files:
            return odd or [_absent(folder)]
        total_bytes = sum(file.stat().st_size for file in files)
        count = "1 segment" if len(files) == 1 else f"{len(files)} segments"
        seen = f"{count}, {total_bytes / 1e6:.2f} MB, {_oldest(files)}"
        return [*odd, *_tail(files, seen), *_against_ledger(scene.data_dir, files)]
    except RecordingError as err:
        return [failed_by(SUBJECT, err, "check card and rights")]
    except OSError as err:
        return [failed_by(SUBJECT, RecordingError(f"{folder}: {err.strerror}"), "check card and rights")]


def _absent(folder: Path) -> Finding:
    return look(SUBJECT, f"nothing recorded in {folder} yet", "nothing: `dutylog run` fills it")


def _oldest(files: Sequence[Path]) -> str:
    start = read_start(files[0])
    if start is None:
        return "its begin can't be read"
    if not start.utc_trusted:
        return f"from {files[0].name} on, whose date isn't known"
    return f"from {datetime.fromtimestamp(start.created_utc_ns / NS_PER_S, UTC):%Y-%m-%d} on"


def _tail(files: Sequence[Path], seen: str) -> list[Finding]:
    """Read the newest segment through; the one before where a cut left nothing in it yet."""
    newest = files[-1]
    if newest.stat().st_size == 0 and len(files) > 1:
        newest = files[-2]
    pieces = list(scan_segment(newest))
    good_count = sum(isinstance(piece, Envelope) for piece in pieces)
    damaged = [piece for piece in pieces if isinstance(piece, Damage) and piece.kind != TORN]
    torn = [piece for piece in pieces if isinstance(piece, Damage) and piece.kind == TORN]
    if not good_count:
        return [look(SUBJECT, f"{seen}; not one good frame in {newest.name}", _REMEDY)]
    if damaged:
        text = f"{seen}; {newest.name} is damaged in {len(damaged)} places, {good_count} frames are good"
        return [look(SUBJECT, text, _REMEDY)]
    end = "; its end is torn as by a power cut, nothing that was durable is in it" if torn else ""
    return [passed(SUBJECT, f"{seen}; {good_count} frames of {newest.name} are good{end}")]


def _against_ledger(data_dir: Path, files: Sequence[Path]) -> list[Finding]:
    """Return a finding where the log ends before what the ledger has counted."""
    try:
        with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as ledger:
            counted = ledger.cursor().hot_sequence
    except DutylogError:
        return []  # the ledger's own subject tells
    last = max((p.header.sequence for f in files[-2:] for p in scan_segment(f) if isinstance(p, Envelope)), default=0)
    if last >= counted:
        return []
    text = f"ends with frame {last}, the ledger has counted up to {counted}: {counted - last} frames are lost"
    return [look(SUBJECT, text, "totals stay as counted; look at the card, and at how the power is cut")]

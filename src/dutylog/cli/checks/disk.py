"""Has the disk room for the raw log, and does it really take what it is given?"""

from __future__ import annotations

import contextlib
import os
import secrets
from pathlib import Path

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, look, passed
from dutylog.cli.checks.scene import Scene
from dutylog.clock import Clock
from dutylog.config.settings import Settings
from dutylog.ledger.backup import BACKUP_COUNT
from dutylog.ledger.ledger import LEDGER_NAME
from dutylog.publish.outbox import LIMIT_BYTES as OUTBOX_BYTES
from dutylog.recording.retention import read_room
from dutylog.recording.segment_files import RESERVE_BYTES, RESERVE_SHARE

SUBJECT = "disk"
LOG_BYTES_PER_HOUR = 1_500_000
"""Of each damper with a sensor of its own. Source: shared/RECORDING.md, 5.3 to 5.9 MB an hour for four."""
OTHER_BYTES_PER_HOUR = 100_000
"""Ledger: 46 MB for four dampers over 1000 hours (shared/LEDGER.md), doubled."""
LEAST_HOURS = 4.0
"""Room for less than a long day's drive is a fault (judgement)."""
SLOW_MS = 500.0
"""A good card takes a small block in 5 to 50 ms, a worn one stalls for 1 to 2 s (common practice, no published
source)."""
FSYNCS = 3
BLOCK_BYTES = 4096
FEW_FILES = 500
SYS_BLOCK = Path("/sys/dev/block")
_NO_ROOM = "free some space: other files first, then lower log.keep_gb"


def check_disk(scene: Scene) -> list[Finding]:
    """Return room, mount, the time a durable write takes, and wear where the device tells it."""
    folder = _nearest_folder(scene.data_dir)
    if folder is None:
        return []
    try:
        mount = os.statvfs(folder)
    except OSError as err:
        return [fail(SUBJECT, f"{folder}: {err.strerror}", "look at the card and its mount (dmesg)")]
    if mount.f_flag & os.ST_RDONLY:
        remedy = "look at dmesg; a card that turned read-only is worn: copy the data folder, then replace the card"
        return [fail(SUBJECT, f"the disk of {folder} is mounted read-only, nothing is stored", remedy)]
    found = [_room(folder, scene.settings)]
    if mount.f_files and mount.f_favail < FEW_FILES:
        found.append(fail(SUBJECT, f"room for {mount.f_favail} more files only", "remove files nobody needs"))
    if folder == scene.data_dir:
        found.append(_fsync(folder, scene.clock))
    return found + read_wear(folder)


def _nearest_folder(folder: Path | None) -> Path | None:
    if folder is None:
        return None
    return next((place for place in (folder, *folder.absolute().parents) if place.is_dir()), None)


def _room(folder: Path, settings: Settings | None) -> Finding:
    room = read_room(folder)
    reserve = min(RESERVE_BYTES, room.total_bytes // RESERVE_SHARE)
    rate = OTHER_BYTES_PER_HOUR + LOG_BYTES_PER_HOUR * _sensor_count(settings)
    free = room.free_bytes - _claims(folder, settings)
    hours = max(0.0, free - reserve) / rate
    seen = f"{_mb(room.free_bytes)} free of {_mb(room.total_bytes)}"
    if room.free_bytes < reserve:
        return fail(SUBJECT, f"{seen}: raw samples are no longer stored, totals are", _NO_ROOM)
    if hours < LEAST_HOURS:
        return fail(SUBJECT, f"{seen}: room for {hours:.1f} h of raw log and what belongs to it", _NO_ROOM)
    if room.free_bytes < room.min_free_bytes:
        text = f"{seen}: below the {_mb(room.min_free_bytes)} to be left free, so the oldest raw log goes early"
        return look(SUBJECT, text, _NO_ROOM)
    keep = (
        ""
        if settings is None or settings.log.keep_bytes > free
        else f", the newest {_mb(settings.log.keep_bytes)} stay"
    )
    return passed(SUBJECT, f"{seen}: room for about {hours:.0f} h more of raw log at {rate / 1e6:.1f} MB/h{keep}")


def _sensor_count(settings: Settings | None) -> int:
    if settings is None:
        return 4
    return sum(damper.travel_from is None for damper in settings.vehicle.dampers)


def _claims(folder: Path, settings: Settings | None) -> int:
    """Return what others will still take of the room: copies of the ledger, and what waits to be published."""
    try:
        ledger_bytes = (folder / LEDGER_NAME).stat().st_size
    except OSError:
        ledger_bytes = 0
    there = len(list(folder.glob("ledger.backup-?.sqlite")))
    claims = ledger_bytes * max(0, BACKUP_COUNT - there)
    if settings is not None and (settings.mqtt is not None or settings.influxdb is not None):
        with contextlib.suppress(OSError):
            claims += OUTBOX_BYTES - min(OUTBOX_BYTES, (folder / "outbox.sqlite").stat().st_size)
    return claims


def _fsync(folder: Path, clock: Clock) -> Finding:
    """Write a small file durably a few times, as the log does each second, and take it away."""
    path = folder / f".check-{secrets.token_hex(8)}"
    times_ms = []
    try:
        # A name nobody can have laid there before us, and never through a link.
        descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_NOFOLLOW | os.O_CLOEXEC, 0o600)
        try:
            for _ in range(FSYNCS):
                before_ns = clock.mono_ns()
                os.write(descriptor, bytes(BLOCK_BYTES))
                os.fsync(descriptor)
                times_ms.append((clock.mono_ns() - before_ns) / 1e6)
        finally:
            os.close(descriptor)
            path.unlink(missing_ok=True)
    except PermissionError:
        text = f"not written to: {folder} isn't ours to write"
        return look(SUBJECT, text, "run the check as the user dutylog runs as")
    except OSError as err:
        return fail(SUBJECT, f"a durable write to {folder} fails ({err.strerror})", "look at dmesg, replace the card")
    seen = f"a durable write of {BLOCK_BYTES // 1024} KiB takes {max(times_ms):.1f} ms (longest of {FSYNCS})"
    if max(times_ms) > SLOW_MS:
        return look(SUBJECT, seen, "nothing is lost by it; try another card, or look what else writes to this one")
    return passed(SUBJECT, seen)


def read_wear(folder: Path, sys_block: Path = SYS_BLOCK) -> list[Finding]:
    """Return how worn the device says it is; nothing where it doesn't say, as SD cards don't.

    Source: JEDEC eMMC 5.0, extended CSD, DEVICE_LIFE_TIME_EST_TYP_A and _B (steps of a tenth, 0x0B: over its
    life) and PRE_EOL_INFO (1 normal, 2 warning, 3 urgent); Linux mmc-dev-attrs,
    life_time and pre_eol_info (from memory).
    """
    try:
        number = folder.stat().st_dev
        device = (sys_block / f"{os.major(number)}:{os.minor(number)}").resolve(strict=True)
        places = (device / "device", device.parent / "device")
        place = next(place for place in places if (place / "life_time").is_file())
        steps = [int(word, 16) for word in (place / "life_time").read_text(encoding="ascii").split()]
        urgency = int((place / "pre_eol_info").read_text(encoding="ascii"), 16)
    except (OSError, ValueError, StopIteration):
        return []
    used = max(steps, default=0)
    if used == 0:
        return []
    seen = f"the device says that about {min(used, 10) * 10} % of its writes are used up"
    if used > 10 or urgency >= 3:
        return [fail(SUBJECT, seen, "copy the data folder and replace it now")]
    if used >= 9 or urgency == 2:
        return [look(SUBJECT, seen, "plan to replace it; keep a copy of the ledger elsewhere")]
    return [passed(SUBJECT, seen)]


def _mb(byte_count: int) -> str:
    return f"{byte_count / 1e9:.1f} GB" if byte_count >= 10**9 else f"{byte_count / 1e6:.0f} MB"

"""Room on the disk: reviews made longest ago go, and what writers that were killed left behind."""

from __future__ import annotations

import contextlib
import shutil
import time
from pathlib import Path

from dutylog.review.store import DATA_NAME, HEIGHTS_NAME, REVIEW_NAME, list_folders

MOST_TRIPS = 50
MOST_BYTES = 500_000_000
"""Kept of all reviews: a trip of ten hours takes 9 MB. Judgement."""
UNDER_WAY_S = 3600.0
"""A file or folder made less long ago may be one that another process is about to fill. Judgement."""


def prune(data_dir: Path, keep: str, most_trips: int = MOST_TRIPS, most_bytes: int = MOST_BYTES) -> list[str]:
    """Remove the files of the reviews made longest ago, their standing heights aside; return their keys.

    A folder in which a review may be under way stays. What a writer that was killed left behind goes everywhere.

    Args:
        keep: key of the one that stays in any case.
    """
    gone, kept_count, kept_bytes, now_s = [], 0, 0, time.time()
    for folder in sorted(list_folders(data_dir), key=_made_at, reverse=True):
        key = folder.name.removeprefix("trip-")
        # Before anything is removed, which makes the folder look young.
        is_under_way = _is_under_way(folder, now_s - UNDER_WAY_S)
        _forget_left_over(folder, now_s - UNDER_WAY_S)
        size = sum(_size_of(file) for file in _files(folder))
        is_kept = key == keep or (kept_count < most_trips and kept_bytes + size <= most_bytes)
        if is_kept or is_under_way:
            kept_count, kept_bytes = kept_count + 1, kept_bytes + size
        elif _empty_folder(folder):
            gone.append(key)
    return gone


def _made_at(folder: Path) -> float:
    """Return when a review was made; a folder that only has heights is the oldest."""
    return max((_time_of(folder / name) for name in (DATA_NAME, REVIEW_NAME)), default=0.0)


def _time_of(file: Path) -> float:
    try:
        return file.stat().st_mtime
    except OSError:
        return 0.0


def _size_of(file: Path) -> int:
    try:
        return file.stat().st_size
    except OSError:
        return 0


def _files(folder: Path) -> list[Path]:
    try:
        return list(folder.iterdir())
    except OSError:
        return []


def _is_temporary(file: Path) -> bool:
    return file.name.startswith(".")


def _forget_left_over(folder: Path, before_s: float) -> None:
    """Remove temporary files that nobody has written to for long."""
    for file in _files(folder):
        if _is_temporary(file) and _time_of(file) < before_s:
            with contextlib.suppress(OSError):
                file.unlink(missing_ok=True)


def _is_under_way(folder: Path, since_s: float) -> bool:
    """Tell whether somebody may be writing a review there: files come one by one, review.json last."""
    if any(_is_temporary(file) and _time_of(file) >= since_s for file in _files(folder)):
        return True
    return not (folder / REVIEW_NAME).exists() and _time_of(folder) >= since_s


def _empty_folder(folder: Path) -> bool:
    """Remove all but the standing heights; tell whether there was something to remove."""
    found = False
    with contextlib.suppress(OSError):
        for file in folder.iterdir():
            if file.name == HEIGHTS_NAME or _is_temporary(file):
                continue
            found = True
            if file.is_dir() and not file.is_symlink():
                shutil.rmtree(file, ignore_errors=True)
            else:
                file.unlink(missing_ok=True)
        if not any(folder.iterdir()):
            folder.rmdir()
    return found

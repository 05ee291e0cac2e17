"""Reviews of trips on disk: DATA/reviews/trip-KEY/, made anew whenever something about them isn't as it should be."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import IO, Any

from dutylog.errors import DutylogError, InputError, LedgerError
from dutylog.ledger.trip_book import parse_key
from dutylog.review.heights_book import HEIGHTS_NAME
from dutylog.review.packing import pack, unpack
from dutylog.review.review import Review
from dutylog.review.to_dict import review_from_dict
from dutylog.review.trip_data import TripData

REVIEWS = "reviews"
DATA_NAME, REVIEW_NAME, PLOTS_NAME = "trip.npz", "review.json", "plots.json.gz"
FOLDER_MODE, FILE_MODE = 0o750, 0o640
MOST_TRIPS = 50
MOST_BYTES = 500_000_000
"""Kept of all reviews: a trip of ten hours takes 9 MB. Judgement."""
REVIEW_LIMIT_BYTES = 20_000_000
"""A longer review.json isn't ours."""
_UNREADABLE = (
    OSError,
    ValueError,
    LookupError,
    TypeError,
    AttributeError,
    RuntimeError,
    EOFError,
    OverflowError,
    struct.error,
    zipfile.BadZipFile,
    zlib.error,
)
"""What zipfile, json and numpy raise over octets that aren't theirs."""


@dataclass(frozen=True, slots=True)
class Stamp:
    """What a review was made from; another one means that it is made anew.

    schema: of the files. spans: of the trip. shares: the ledger's sums, by unit and position. recounted: row of the
    newest entry `recounted`, 0 for none.
    """

    schema: int
    engine: str
    spans: tuple[tuple[int, ...], ...]
    is_open: bool
    shares: tuple[tuple[Any, ...], ...]
    recounted: int

    def to_dict(self) -> dict[str, Any]:
        """Return the stamp as JSON gives it back."""
        content: dict[str, Any] = json.loads(json.dumps(asdict(self)))
        return content


def folder_of(data_dir: Path, key: str) -> Path:
    """Return the folder of a trip's review; it need not be there.

    Raises:
        LedgerError: no key of a trip.
    """
    parse_key(key)
    return data_dir / REVIEWS / f"trip-{key}"


def load(data_dir: Path, key: str, stamp: Stamp | None = None) -> TripData | None:
    """Return a trip's data; None where there is none, it is damaged, or made from something else than `stamp`."""
    path = folder_of(data_dir, key) / DATA_NAME
    try:
        with path.open("rb") as file:
            data, kept = unpack(file)
    except (DutylogError, *_UNREADABLE):
        return None
    if data.key != key or (stamp is not None and kept != stamp.to_dict()):
        return None
    return data


def save(data_dir: Path, data: TripData, stamp: Stamp) -> None:
    """Keep a trip's data.

    Raises:
        LedgerError: the folder can't be written.
    """
    write_file(data_dir, data.key, DATA_NAME, lambda file: pack(file, data, stamp.to_dict()))


def write_file(data_dir: Path, key: str, name: str, write: Callable[[IO[bytes]], None]) -> None:
    """Put a file of a trip's review in its place, whole or not at all.

    Raises:
        LedgerError: the folder can't be written, with the place and why.
    """
    folder = folder_of(data_dir, key)
    try:
        for one in (folder.parent, folder):
            if not one.is_dir():
                one.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(prefix=f".{name}.", dir=folder)
    except OSError as err:
        raise LedgerError(f"{folder}: can't be written: {err.strerror}; check room and rights of the folder") from err
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), FILE_MODE)
            write(file)
        os.replace(temporary, folder / name)
    except OSError as err:
        raise LedgerError(f"{folder / name}: can't be written: {err.strerror}; make room on the disk") from err
    finally:
        with contextlib.suppress(OSError):
            Path(temporary).unlink(missing_ok=True)


def read_review_text(data_dir: Path, key: str) -> str | None:
    """Return review.json of a trip as it is, None where there is none or it can't be ours."""
    path = folder_of(data_dir, key) / REVIEW_NAME
    try:
        with path.open("rb") as file:
            octets = file.read(REVIEW_LIMIT_BYTES + 1)
        text = octets.decode()
        content = json.loads(text)
    except (OSError, ValueError, RecursionError):
        return None
    is_ours = len(octets) <= REVIEW_LIMIT_BYTES and isinstance(content, Mapping) and content.get("schema") == 1
    return text if is_ours else None


def read_review(data_dir: Path, key: str) -> Review | None:
    """Return the review that was kept of a trip, None where there is none or it is damaged."""
    text = read_review_text(data_dir, key)
    if text is None:
        return None
    try:
        return review_from_dict(json.loads(text))
    except (InputError, *_UNREADABLE):
        return None


def prune(data_dir: Path, keep: str, most_trips: int = MOST_TRIPS, most_bytes: int = MOST_BYTES) -> list[str]:
    """Remove the files of the reviews made longest ago, their standing heights aside; return their keys.

    keep: key of the one that stays in any case.
    """
    gone, kept_count, kept_bytes = [], 0, 0
    for folder in sorted(_folders(data_dir / REVIEWS), key=_made_at, reverse=True):
        key = folder.name.removeprefix("trip-")
        size = sum(_size_of(file) for file in folder.iterdir())
        is_kept = key == keep or (kept_count < most_trips and kept_bytes + size <= most_bytes)
        if is_kept:
            kept_count, kept_bytes = kept_count + 1, kept_bytes + size
        elif _empty_folder(folder):
            gone.append(key)
    return gone


def forget_files(data_dir: Path, key: str, names: Callable[[str], bool]) -> None:
    """Remove the files of a trip's review whose names are chosen."""
    with contextlib.suppress(OSError):
        for file in folder_of(data_dir, key).iterdir():
            if names(file.name):
                file.unlink(missing_ok=True)


def _folders(reviews: Path) -> list[Path]:
    try:
        return [one for one in reviews.iterdir() if one.name.startswith("trip-") and one.is_dir()]
    except OSError:
        return []


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


def _empty_folder(folder: Path) -> bool:
    """Remove all but the standing heights; tell whether there was something to remove."""
    found = False
    with contextlib.suppress(OSError):
        for file in folder.iterdir():
            if file.name == HEIGHTS_NAME:
                continue
            found = True
            if file.is_dir() and not file.is_symlink():
                shutil.rmtree(file, ignore_errors=True)
            else:
                file.unlink(missing_ok=True)
        if not any(folder.iterdir()):
            folder.rmdir()
    return found

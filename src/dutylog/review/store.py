"""Reviews of trips on disk: DATA/reviews/trip-KEY/, made anew whenever something about them isn't as it should be."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import struct
import tempfile
import zipfile
import zlib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

from dutylog.errors import DutylogError, InputError, LedgerError
from dutylog.ledger.database import sync_folder
from dutylog.ledger.trip_book import TripBook, parse_key
from dutylog.review.stamps import Stamp, make_stamp

if TYPE_CHECKING:
    # What is read and written here needs numpy; who only asks whether a review is there doesn't.
    from dutylog.ledger.ledger import Ledger
    from dutylog.review.review import Review
    from dutylog.review.trip_data import TripData

REVIEWS = "reviews"
DATA_NAME, REVIEW_NAME, PLOTS_NAME, HEIGHTS_NAME = "trip.npz", "review.json", "plots.json.gz", "heights.json"
FOLDER_MODE, FILE_MODE = 0o750, 0o640
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


def folder_of(data_dir: Path, key: str) -> Path:
    """Return the folder of a trip's review; it need not be there.

    Raises:
        LedgerError: no key of a trip.
    """
    parse_key(key)
    return data_dir / REVIEWS / f"trip-{key}"


def load(data_dir: Path, key: str, stamp: Stamp | None = None) -> TripData | None:
    """Return a trip's data; None where there is none, it is damaged, or made from something else than `stamp`."""
    found = load_stamped(data_dir, key)
    return None if found is None or (stamp is not None and found[1] != stamp.to_dict()) else found[0]


def load_current(data_dir: Path, ledger: Ledger, key: str) -> TripData | None:
    """Return a trip's data where it is that of the trip as the ledger has it now.

    None where there is none, or what there is was made of another cut: before a trip was split, merged, repaired or
    counted anew, or while it went on. Of a trip that was merged into another it is that one's data.

    Raises:
        LedgerError: no such trip.
    """
    trip = TripBook(ledger).trip(key)
    found = load_stamped(data_dir, trip.key)
    return found[0] if found is not None and make_stamp(ledger, trip).has_cut_of(found[1]) else None


def load_stamped(data_dir: Path, key: str) -> tuple[TripData, dict[str, Any]] | None:
    """Return a trip's data and the stamp it was kept with, None where there is none or it is damaged."""
    from dutylog.review.packing import unpack

    path = folder_of(data_dir, key) / DATA_NAME
    try:
        with path.open("rb") as file:
            data, kept = unpack(file)
    except (DutylogError, *_UNREADABLE):
        return None
    return (data, kept) if data.key == key else None


def has_data(data_dir: Path, key: str) -> bool:
    """Tell whether there is a file of a trip's data, whatever is in it."""
    return (folder_of(data_dir, key) / DATA_NAME).is_file()


def save(data_dir: Path, data: TripData, stamp: Stamp) -> None:
    """Keep a trip's data.

    Raises:
        LedgerError: the folder can't be written.
    """
    from dutylog.review.packing import pack

    write_file(data_dir, data.key, DATA_NAME, lambda file: pack(file, data, stamp.to_dict()))


def write_file(data_dir: Path, key: str, name: str, write: Callable[[IO[bytes]], None]) -> None:
    """Put a file of a trip's review in its place, whole or not at all, and for good: on the disk when this returns.

    Raises:
        LedgerError: the folder can't be written, with the place and why.
    """
    path = folder_of(data_dir, key) / name
    try:
        try:
            _put_file(path, write)
        except FileNotFoundError:
            # Another process made room just then, and took the folder away.
            _put_file(path, write)
    except OSError as err:
        raise LedgerError(f"{path}: can't be written: {err.strerror}; {_remedy(err)}") from err


def write_octets(data_dir: Path, key: str, name: str, octets: bytes) -> None:
    """Put a file in its place unless it is as it should be already.

    Raises:
        LedgerError: the folder can't be written, with the place and why.
    """

    def write(file: IO[bytes]) -> None:
        file.write(octets)

    if not _holds(folder_of(data_dir, key) / name, octets):
        write_file(data_dir, key, name, write)


def _holds(path: Path, octets: bytes) -> bool:
    try:
        return path.stat().st_size == len(octets) and path.read_bytes() == octets
    except OSError:
        return False


def _put_file(path: Path, write: Callable[[IO[bytes]], None]) -> None:
    folder = path.parent
    for one in (folder.parent, folder):
        if not one.is_dir():
            one.mkdir(mode=FOLDER_MODE, parents=True, exist_ok=True)
            sync_folder(one.parent)
    handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=folder)
    try:
        with os.fdopen(handle, "wb") as file:
            os.fchmod(file.fileno(), FILE_MODE)
            write(file)
            file.flush()
            os.fsync(file.fileno())
        os.replace(temporary, path)
        sync_folder(folder)
    finally:
        with contextlib.suppress(OSError):
            Path(temporary).unlink(missing_ok=True)


def _remedy(err: OSError) -> str:
    is_full = err.errno in (errno.ENOSPC, errno.EDQUOT)
    return "make room on the disk" if is_full else "check that the folder is there and may be written"


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
    from dutylog.review.to_dict import review_from_dict

    text = read_review_text(data_dir, key)
    if text is None:
        return None
    try:
        return review_from_dict(json.loads(text))
    except (InputError, *_UNREADABLE):
        return None


def forget_files(data_dir: Path, key: str, names: Callable[[str], bool]) -> None:
    """Remove the files of a trip's review whose names are chosen."""
    with contextlib.suppress(OSError):
        for file in folder_of(data_dir, key).iterdir():
            if names(file.name):
                file.unlink(missing_ok=True)


def list_folders(data_dir: Path) -> list[Path]:
    """Return the folders of all reviews."""
    try:
        return [one for one in (data_dir / REVIEWS).iterdir() if one.name.startswith("trip-") and one.is_dir()]
    except OSError:
        return []

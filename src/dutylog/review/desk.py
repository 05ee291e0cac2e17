"""Makes the review of a trip and keeps all of its files; what is kept and still true isn't worked out again."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from dutylog import ENGINE
from dutylog.engine.heap import keep_freed_memory
from dutylog.errors import LedgerError
from dutylog.ledger.corrections import RECOUNTED
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.trip_book import BookTrip, TripBook
from dutylog.review import store
from dutylog.review.heights_book import HEIGHTS_NAME, TripHeights, write_heights
from dutylog.review.make import make_review
from dutylog.review.plots import encode, make_details, make_plots
from dutylog.review.review import Review
from dutylog.review.to_dict import review_to_dict
from dutylog.review.told import read_told
from dutylog.review.trip_data import TripData

SCHEMA = 1
"""Of review.json."""
ANALYSIS = 1
"""Raised when the analysis finds other things in the same log: then trips are read anew."""
_LAST_SHARE = 0.98
"""What is done when the log has been read."""
_DETAIL = "detail-"


def review_trip(
    data_dir: Path,
    ledger: Ledger,
    key: str,
    *,
    grace_s: float,
    again: bool = False,
    progress: Callable[[float], None] = lambda _: None,
) -> str:
    """Return review.json of a trip, made anew from what people and the ledger say now.

    Args:
        key: of a trip; of one that was merged into another, that one's review is made. grace_s: see `analyse`.
        again: read the raw log again in any case. progress: told the share done, 0..1.
    Raises:
        LedgerError: no such trip, or the folder can't be written. RecordingError: the log can't be read.
    """
    trip = TripBook(ledger).trip(key)
    stamp = make_stamp(ledger, trip)
    data = None if again else store.load(data_dir, trip.key, stamp)
    is_new = data is None
    if data is None:
        from dutylog.review.analysis import analyse

        keep_freed_memory()
        data = analyse(
            data_dir, ledger, trip, grace_s=grace_s, progress=lambda share: progress(round(share * _LAST_SHARE, 3))
        )
        store.save(data_dir, data, stamp)
    review = make_review(data, trip, read_told(ledger, data_dir, trip, data))
    content = {"schema": SCHEMA, "engine": ENGINE, "stamp": stamp.to_dict(), **review_to_dict(review)}
    text = json.dumps(content, allow_nan=False, separators=(",", ":"))
    _keep(data_dir, data, review, text, is_new=is_new)
    progress(1.0)
    return text


def make_stamp(ledger: Ledger, trip: BookTrip) -> store.Stamp:
    """Return what a review of a trip is made from, beside what people tell."""
    recounted = ledger.last_entry(RECOUNTED)
    return store.Stamp(
        ANALYSIS,
        ENGINE,
        tuple((one.epoch, one.start_tile, one.start_ns, one.length_ns) for one in trip.spans),
        trip.is_open,
        tuple((one.unit_id, one.position, *one.totals.as_row()) for one in trip.dampers),
        0 if recounted is None else recounted.row,
    )


def _keep(data_dir: Path, data: TripData, review: Review, text: str, *, is_new: bool) -> None:
    """Write all files that changed; review.json last, so that whoever finds it finds the others."""
    key = data.key
    if is_new or text != store.read_review_text(data_dir, key):
        _write(data_dir, key, store.PLOTS_NAME, make_plots(data, review))
    if is_new:
        made = []
        for name, rows in make_details(data):
            made.append(f"{name}.json.gz")
            _write(data_dir, key, made[-1], rows)
        store.forget_files(data_dir, key, lambda name: name.startswith(_DETAIL) and name not in made)
        store.prune(data_dir, key)
    if review.heights or (store.folder_of(data_dir, key) / HEIGHTS_NAME).exists():
        try:
            write_heights(data_dir, TripHeights(key, data.start_utc_s, review.heights))
        except OSError as err:
            raise LedgerError(f"{store.folder_of(data_dir, key)}: can't be written: {err.strerror}") from err
    octets = text.encode()
    store.write_file(data_dir, key, store.REVIEW_NAME, lambda file: _put(file.write, octets))


def _write(data_dir: Path, key: str, name: str, content: dict[str, Any]) -> None:
    octets = encode(content)
    store.write_file(data_dir, key, name, lambda file: _put(file.write, octets))


def _put(write: Callable[[bytes], int], octets: bytes) -> None:
    write(octets)

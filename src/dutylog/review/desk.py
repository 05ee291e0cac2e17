"""Makes the review of a trip and keeps all of its files; what is kept and still true isn't worked out again."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from dutylog import ENGINE
from dutylog.engine.heap import keep_freed_memory
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.trip_book import BookTrip, TripBook
from dutylog.review import store
from dutylog.review.fresh import sum_up
from dutylog.review.stamps import Stamp, make_spans, make_stamp

if TYPE_CHECKING:
    # Not at run time: a review that is kept is given back before any of it is loaded.
    from dutylog.review.review import Review
    from dutylog.review.trip_data import TripData

SCHEMA = 1
"""Of review.json."""
_LAST_SHARE = 0.98
"""What is done when the log has been read."""
_DETAIL = "detail-"
_TOLD = "told"
"""Of the stamp in review.json: sum over what the ledger and other reviews told (review/fresh.py)."""

Progress = Callable[[float], None]


def review_trip(
    data_dir: Path,
    ledger: Ledger,
    key: str,
    *,
    grace_s: float,
    again: bool = False,
    progress: Progress = lambda _: None,
) -> str:
    """Return review.json of a trip, as it would be made from what people and the ledger say now.

    Args:
        key: of a trip; of one that was merged into another, that one's review is made. grace_s: see `analyse`.
        again: read the raw log again in any case. progress: told the share done, 0..1.
    Raises:
        LedgerError: no such trip, or the folder can't be written. RecordingError: the log can't be read.
    """
    trip = TripBook(ledger).trip(key)
    stamp = make_stamp(ledger, trip)
    kept = store.read_review_text(data_dir, trip.key)
    if not again and kept is not None:
        told_from = {**stamp.to_dict(), _TOLD: sum_up(data_dir, ledger, trip)}
        if store.has_data(data_dir, trip.key) and json.loads(kept).get("stamp") == told_from:
            progress(1.0)
            return kept
    data = None if again else store.load(data_dir, trip.key, stamp)
    is_new = data is None
    if data is None:
        data = _read_log(data_dir, ledger, trip, stamp, grace_s, progress)
    text = _tell(data_dir, ledger, trip, stamp, data, kept, is_new=is_new)
    progress(1.0)
    return text


def _read_log(
    data_dir: Path, ledger: Ledger, trip: BookTrip, stamp: Stamp, grace_s: float, progress: Progress
) -> TripData:
    """Return what the raw log has of a trip, or where that is less, what it had when it was read before; keep it."""
    from dutylog.review.analysis import analyse
    from dutylog.review.assembly import keep_rows

    keep_freed_memory()
    data = analyse(
        data_dir, ledger, trip, grace_s=grace_s, progress=lambda share: progress(round(share * _LAST_SHARE, 3))
    )
    if not data.is_raw_whole:
        # The raw log may have been pruned: then what was read of it is the only copy.
        old = store.load_stamped(data_dir, trip.key)
        if old is not None and stamp.has_spans_of(old[1]):
            data = keep_rows(old[0], data) or data
    store.save(data_dir, data, stamp)
    return data


def _tell(
    data_dir: Path,
    ledger: Ledger,
    trip: BookTrip,
    stamp: Stamp,
    data: TripData,
    kept: str | None,
    *,
    is_new: bool,
) -> str:
    """Make the review, keep its files and return review.json. kept: what that held so far."""
    from dutylog.review.make import make_review
    from dutylog.review.roads_said import as_said
    from dutylog.review.to_dict import review_to_dict
    from dutylog.review.told import read_told

    # First, so that what changes from now on shows when somebody asks again.
    told_from = {**stamp.to_dict(), _TOLD: sum_up(data_dir, ledger, trip)}
    told = read_told(ledger, data_dir, trip, data)
    data = as_said(data, told.notes.roads)
    review = make_review(data, trip, told)
    content = {"schema": SCHEMA, "engine": ENGINE, "stamp": told_from, **review_to_dict(review)}
    text = json.dumps(content, allow_nan=False, separators=(",", ":"))
    _keep(data_dir, trip, data, review, is_new=is_new, is_other=kept is None or _is_other(kept, content))
    # Last, so that whoever finds it finds the others.
    store.write_octets(data_dir, trip.key, store.REVIEW_NAME, text.encode())
    return text


def _is_other(kept: str, content: dict[str, Any]) -> bool:
    """Tell whether a review says something else than the one that was kept."""
    return {**json.loads(kept), "stamp": None} != {**content, "stamp": None}


def _keep(data_dir: Path, trip: BookTrip, data: TripData, review: Review, *, is_new: bool, is_other: bool) -> None:
    """Write the files beside review.json that changed."""
    from dutylog.review.plots import encode, make_details, make_plots
    from dutylog.review.room import prune

    key = trip.key
    if is_new or is_other:
        store.write_octets(data_dir, key, store.PLOTS_NAME, encode(make_plots(data, review)))
    if is_new:
        made = []
        for name, rows in make_details(data):
            made.append(f"{name}.json.gz")
            store.write_octets(data_dir, key, made[-1], encode(rows))
        store.forget_files(data_dir, key, lambda name: name.startswith(_DETAIL) and name not in made)
        prune(data_dir, key)
    _keep_heights(data_dir, trip, data, review)


def _keep_heights(data_dir: Path, trip: BookTrip, data: TripData, review: Review) -> None:
    """Write the standing heights, unless those that are kept were found where the raw log still had more."""
    from dutylog.review.heights_book import TripHeights, read_trip_heights, write_heights

    spans, kept = make_spans(trip), read_trip_heights(data_dir, trip.key)
    if not review.heights and (kept is None or not len(data.t_s)):
        return
    has_more = kept is not None and kept.spans == spans and len(kept.heights) > len(review.heights)
    if has_more and not data.is_raw_whole:
        return
    write_heights(data_dir, TripHeights(trip.key, data.start_utc_s, review.heights, spans))

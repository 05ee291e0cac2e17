"""Whether a kept review is still what would be told now: a sum over all that it was told from.

It reads little and works out nothing. It covers more than a trip's review needs, so it may call a review old when a
fresh one would be the same. Only what changes a figure a little goes in steps: see STEP_NS and _QUERIES.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

from dutylog import ENGINE, __version__
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.trip_book import BookTrip
from dutylog.review import store
from dutylog.review.stamps import ANALYSIS
from dutylog.units import NS_PER_S

REVIEW = 1
"""Raised when the same data gives another review."""
SETTLED_NS = 7 * 3600 * NS_PER_S
"""So long after its end the pause behind a trip still lengthens what it cost: wear ends with 6 h of it."""
STEP_NS = 600 * NS_PER_S
"""Until then a review may be so old: cooling makes wear in days, not in minutes. Judgement."""
_DAY_NS = 86_400 * NS_PER_S
_QUERIES = (
    "SELECT max(row) FROM entry",
    "SELECT unit_key, revision, moving_us / 3600000000 FROM hot ORDER BY unit_key",
    "SELECT max(alert), count(*), total(trip_start_tile) FROM alert",
    "SELECT * FROM unit ORDER BY unit_key",
    "SELECT * FROM install ORDER BY install_key",
    "SELECT * FROM epoch ORDER BY epoch",
    "SELECT value FROM meta WHERE key = 'vehicle'",
)
"""Entries are only ever added; a recount, a repair or a service adds one. What is driven after a trip changes what is
told of it only where measurements lacked and were filled in by the usual: so it counts in steps of an hour (judgement),
and a review stays while the vehicle stands with all switched on."""


def sum_up(data_dir: Path, ledger: Ledger, trip: BookTrip) -> str:
    """Return one text for all that a trip's review is made of beside its stamp; another where any of it changed.

    Raises:
        LedgerError, LedgerCorrupt: the ledger can't be read.
    """
    now_ns = ledger.stamp().utc_ns
    is_settled = not trip.is_open and (trip.end_utc_ns is None or now_ns - trip.end_utc_ns >= SETTLED_NS)
    times = [now_ns // _DAY_NS, None if is_settled else now_ns // STEP_NS]
    with ledger.reading():
        rows = [ledger.database.rows(query) for query in _QUERIES]
    told = [__version__, ENGINE, ANALYSIS, REVIEW, times, repr(trip), rows, _list_files(data_dir, trip.key)]
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def _list_files(data_dir: Path, key: str) -> list[list[Any]]:
    """Return size and time of what other reviews lend to this one, and the size of its own data."""
    names = [(one.name, name) for one in store.list_folders(data_dir) for name in (store.DATA_NAME, store.HEIGHTS_NAME)]
    own = store.folder_of(data_dir, key).name
    found = []
    for folder, name in sorted(names):
        if (folder, name) == (own, store.HEIGHTS_NAME):
            continue
        try:
            status = (data_dir / store.REVIEWS / folder / name).stat()
        except OSError:
            continue
        # Of its own data the stamp says all; a file of another size is damaged.
        found.append([folder, name, status.st_size, 0 if folder == own else status.st_mtime_ns])
    return found

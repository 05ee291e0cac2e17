"""Standing heights of trips on disk: a small file beside each trip's review that is kept for ever."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from dutylog.review.review import StandingHeight
from dutylog.review.store import HEIGHTS_NAME, REVIEWS, folder_of, write_octets

SCHEMA = 1
SIZE_LIMIT = 1_000_000
"""Bytes; 20 stops of 8 dampers take 40 kB. A longer file is somebody else's."""
Spans = tuple[tuple[int, ...], ...]
_NUMBERS = ("start_s", "seconds", "travel_m", "sd_m", "to_bump_m", "to_droop_m")
_MAYBE_NUMBERS = ("utc_s", "body_c")


@dataclass(frozen=True, slots=True)
class TripHeights:
    """Standing heights of one trip.

    key: of the trip. start_utc_s: its begin, None where nobody knew the time. spans: where the trip lay when they were
    found, see `make_spans`.
    """

    key: str
    start_utc_s: float | None
    heights: tuple[StandingHeight, ...]
    spans: Spans = ()


def write_heights(data_dir: Path, found: TripHeights) -> None:
    """Put a trip's heights into DATA/reviews/trip-KEY/heights.json, whole or not at all.

    Raises:
        LedgerError: no key of a trip, or the folder can't be written.
    """
    content = {
        "schema": SCHEMA,
        "key": found.key,
        "start_utc_s": found.start_utc_s,
        "spans": found.spans,
        "heights": [asdict(one) for one in found.heights],
    }
    text = json.dumps(content, separators=(",", ":"), allow_nan=False).encode()
    write_octets(data_dir, found.key, HEIGHTS_NAME, text)


def read_heights(
    data_dir: Path, load_notes: Mapping[str, str] | None = None, known: Mapping[str, Spans] | None = None
) -> tuple[TripHeights, ...]:
    """Return the heights of all trips there are, oldest first; damaged and foreign files are left out.

    Args:
        load_notes: by key, as people tell them now, instead of those of the day a file was written.
        known: where trips lie now, by key; what was made of another cut of a trip is left out, and so are trips that
            aren't there any more. None: all.
    """
    found = []
    wanted = None if known is None else {f"trip-{key}": spans for key, spans in known.items()}
    for path in (data_dir / REVIEWS).glob(f"trip-*/{HEIGHTS_NAME}"):
        one = _read_file(path) if wanted is None or path.parent.name in wanted else None
        if one is None or (wanted is not None and one.spans != wanted[path.parent.name]):
            continue
        if load_notes is not None:
            note = load_notes.get(one.key, load_notes.get(one.key.split(".")[0]))
            one = replace(one, heights=tuple(_with_note(height, note) for height in one.heights))
        found.append(one)
    return tuple(sorted(found, key=_order))


def read_trip_heights(data_dir: Path, key: str) -> TripHeights | None:
    """Return the heights of one trip, None where there are none or they can't be ours.

    Raises:
        LedgerError: no key of a trip.
    """
    return _read_file(folder_of(data_dir, key) / HEIGHTS_NAME)


def _with_note(height: StandingHeight, note: str | None) -> StandingHeight:
    return height if height.load_note == note else replace(height, load_note=note)


def _order(one: TripHeights) -> tuple[list[int], float]:
    """Return what to sort by: numbers grow with time, also where no clock was set."""
    return [int(part) for part in one.key.split(".")], one.start_utc_s or 0.0


def _read_file(path: Path) -> TripHeights | None:
    try:
        with path.open("rb") as file:
            raw = file.read(SIZE_LIMIT + 1)
        content: Any = json.loads(raw) if len(raw) <= SIZE_LIMIT else {}
        if content["schema"] != SCHEMA or path.parent.name != f"trip-{content['key']}":
            return None
        start = content["start_utc_s"]
        heights = tuple(_read_height(one) for one in content["heights"])
        spans = tuple(tuple(int(one) for one in span) for span in content["spans"])
        found = TripHeights(content["key"], None if start is None else _finite(start), heights, spans)
        _order(found)
    except (OSError, ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
        return None
    return found


def _read_height(content: Mapping[str, Any]) -> StandingHeight:
    """Return one height; KeyError, TypeError or ValueError for anything else."""
    values: dict[str, Any] = {name: _finite(content[name]) for name in _NUMBERS}
    values |= {name: None if content[name] is None else _finite(content[name]) for name in _MAYBE_NUMBERS}
    position, note = content["position"], content["load_note"]
    if not isinstance(position, str) or not (note is None or isinstance(note, str)):
        raise TypeError("position, load_note")
    return StandingHeight(position=position, load_note=note, **values)


def _finite(value: Any) -> float:
    if type(value) not in (int, float) or not math.isfinite(value):
        raise ValueError(f"{value!r:.40} is no number")
    return float(value)


__all__ = ["HEIGHTS_NAME", "Spans", "TripHeights", "read_heights", "read_trip_heights", "write_heights"]

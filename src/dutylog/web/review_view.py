"""What the page of a trip shows of its review: review.json and the files beside it, read without numpy."""

from __future__ import annotations

import gzip
import hashlib
import re
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dutylog import ENGINE
from dutylog.units import M_PER_MILE
from dutylog.web.review_shape import LEVELS, MOST_REVIEW_BYTES, ReviewBroken, parse_review
from dutylog.web.view import TripDamperRow, TripDetail

KEY = re.compile(r"[1-9][0-9]{0,8}(?:\.[1-9][0-9]{0,3})?", re.ASCII)
"""Of a trip: '7', or '7.2' for a part of one that was split (ledger/trip_book.py)."""
MOST_HITS = 30
"""Rows of the table of hits; the hardest come first. Source: judgement."""
STREET_FROM_RATIO = 0.005
"""Of the most used part's budget; what less is worth in street isn't said, as in the report. Judgement."""
MOST_FILE_BYTES = 4_000_000
MOST_PLAIN_BYTES = 30_000_000
"""Of a file unpacked, for the rare client that takes no gzip."""
ROAD_KINDS = ("street", "graded", "washboard", "rough", "jumps", "parked")
HIT_WORDS = {
    "bump_stop": "bump stop reached",
    "bottomed": "bottomed",
    "strap": "limit strap reached",
    "topped_out": "topped out",
}


@dataclass(frozen=True, slots=True)
class EnergyBar:
    """One damper's heat as a bar. whole, and its parts: lengths [%] of the longest bar of the trip."""

    row: TripDamperRow
    whole: float
    inward: float
    outward: float


@dataclass(frozen=True, slots=True)
class ReviewView:
    """A review as the templates read it. content: of the shape REVIEW. made: changes whenever it says something else.

    is_current: made by the engine that counts now.
    """

    content: Mapping[str, Any]
    made: str
    is_current: bool

    @property
    def dampers(self) -> list[dict[str, Any]]:
        """Return dampers, with the street their trip was worth in metres; None where too little was used to tell."""
        return [{**row, "street_m": _street_m(row)} for row in self.content["dampers"]]

    @property
    def hits(self) -> list[dict[str, Any]]:
        """Return the hardest hits with the road each was on."""
        segments = self.content["segments"]
        return [{**one, "road": _road_at(segments, one["t_s"])} for one in self.content["hits"][:MOST_HITS]]

    @property
    def hits_count(self) -> int | None:
        """Return how many contacts there were; None where part of the log is gone."""
        counts = [sum(row["contacts_count"].values()) for row in self.content["dampers"]]
        return sum(counts) if self.content["is_raw_whole"] else None

    @property
    def sentences(self) -> list[dict[str, Any]]:
        """Return the verdict, the most urgent first, else in its own order; that it was no drive comes before all."""
        return sorted(
            self.content["verdict"], key=lambda one: (one["rule"] != "not_driven", LEVELS.index(one["level"]))
        )

    @property
    def stops(self) -> list[list[dict[str, Any]]]:
        """Return standing heights, one list for each stop."""
        found: dict[float, list[dict[str, Any]]] = {}
        for one in self.content["heights"]:
            found.setdefault(one["start_s"], []).append(one)
        return list(found.values())


def folder_of(data_dir: Path, key: str) -> Path:
    """Return where the files of a trip's review lie; key: of the form KEY."""
    return data_dir / "reviews" / f"trip-{key}"


def trip_key(detail: TripDetail) -> str:
    """Return the key of a trip: '7', or '7.2' for a part of one."""
    return detail.trip.key or str(detail.trip.number)


def make_energy_bars(rows: Sequence[TripDamperRow]) -> list[EnergyBar]:
    """Return bars to one scale."""
    largest_j = max((row.energy_j for row in rows), default=0.0)
    per = 100.0 / largest_j if largest_j > 0 else 0.0
    return [
        EnergyBar(
            row, *(round(each * per, 1) for each in (row.energy_j, row.compression_energy_j, row.rebound_energy_j))
        )
        for row in rows
    ]


def read_made(data_dir: Path, key: str) -> str:
    """Return what changes whenever a review says something else, '' where there is none."""
    try:
        return _tag(_read_review(data_dir, key))
    except OSError:
        return ""


def read_review(data_dir: Path, key: str) -> ReviewView | None:
    """Return a trip's review, None where there is none or it can't be read: both are made anew."""
    try:
        raw = _read_review(data_dir, key)
        content = parse_review(raw)
        return ReviewView(content, _tag(raw), content["engine"] == ENGINE)
    except (OSError, ReviewBroken):
        return None


def _read_review(data_dir: Path, key: str) -> bytes:
    with (folder_of(data_dir, key) / "review.json").open("rb") as file:
        return file.read(MOST_REVIEW_BYTES + 1)


def _tag(raw: bytes) -> str:
    # Of what it says, not of when: the command writes the file anew also where nothing changed.
    return hashlib.blake2b(raw, digest_size=12).hexdigest()


def read_packed(data_dir: Path, key: str, name: str) -> tuple[bytes, str] | None:
    """Return a file of compressed JSON as it lies there, and its tag; None where there is no sound one."""
    path = folder_of(data_dir, key) / f"{name}.json.gz"
    try:
        with path.open("rb") as file:
            raw = file.read(MOST_FILE_BYTES + 1)
        told = path.stat()
    except OSError:
        return None
    if len(raw) > MOST_FILE_BYTES or not raw.startswith(b"\x1f\x8b"):
        return None
    return raw, f'"{told.st_mtime_ns:x}-{len(raw):x}"'


def unpack(raw: bytes) -> bytes | None:
    """Return what was compressed, None where it is damaged or too much."""
    opened = zlib.decompressobj(wbits=16 + zlib.MAX_WBITS)
    try:
        plain = opened.decompress(raw, MOST_PLAIN_BYTES)
    except (zlib.error, gzip.BadGzipFile):
        return None
    return plain if opened.eof else None


def _street_m(row: dict[str, Any]) -> float | None:
    if row["street_miles"] is None or not row["used"] or row["used"][0]["ratio"] < STREET_FROM_RATIO:
        return None
    return float(row["street_miles"]) * M_PER_MILE


def _road_at(segments: list[dict[str, Any]], t_s: float) -> str | None:
    for one in segments:
        if one["start_s"] <= t_s < one["end_s"]:
            kind: str = one["kind"]
            return kind
    return None

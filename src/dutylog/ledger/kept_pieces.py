"""What pieces of trips that don't count hold, kept in memory: with many of them most of a reading would go there.

A piece's sums change by a recount, which raises revisions, while its last row isn't stored yet, and where clocks of
epochs become better known; then it is read anew.
"""

from __future__ import annotations

from collections.abc import Iterable

from dutylog.errors import LedgerError
from dutylog.ledger.database import Database
from dutylog.ledger.trip_pieces import Piece, PieceSums, TripPieces
from dutylog.ledger.trips import read_trip

KEPT_LIMIT = 1000
"""Pieces kept in a process, about 3 KB each. Source: judgement."""
AT_ONCE = 500
"""Numbers in one question; SQLite takes 999 values in its oldest settings. Source: sqlite.org/limits.html."""
_STAMP = "count(*), total(energy_compression_uj + energy_rebound_uj), total(shaft_travel_um), total(measured_us)"

FileId = tuple[object, ...]
_kept: dict[tuple[FileId, Piece], tuple[object, PieceSums]] = {}


def read_pieces(database: Database, pieces: Iterable[Piece]) -> dict[Piece, PieceSums]:
    """Return what pieces hold; of a trip that the ledger lacks, as one put back from a copy may, nothing."""
    wanted, file = list(dict.fromkeys(pieces)), file_of(database)
    if not wanted:
        return {}
    numbers = sorted({piece.number for piece in wanted})
    common, stamps = _read_common(database), _read_stamps(database, numbers)
    found: dict[Piece, PieceSums] = {}
    trips: dict[int, TripPieces] = {}
    for piece in wanted:
        stamp = common, stamps.get(piece.number)
        known = _kept.get((file, piece))
        if known is not None and known[0] == stamp:
            found[piece] = known[1]
            continue
        if piece.number not in trips:
            try:
                trips[piece.number] = TripPieces(database, read_trip(database, piece.number))
            except LedgerError:
                if piece.number in stamps:
                    raise
                continue
        found[piece] = trips[piece.number].sums(piece)
        if trips[piece.number].is_settled:
            _keep((file, piece), (stamp, found[piece]))
    return found


def file_of(database: Database) -> FileId:
    """Return what tells this file from one that came to its place later."""
    try:
        status = database.path.stat()
    except OSError:
        return (str(database.path),)
    return str(database.path.absolute()), status.st_dev, status.st_ino


def read_revisions(database: Database) -> tuple[tuple[int, int], ...]:
    """Return each unit's key and revision of what was counted."""
    return tuple((int(key), int(revision)) for key, revision in database.rows("SELECT unit_key, revision FROM hot"))


def _read_common(database: Database) -> object:
    """Return what changes where rows were counted again or clocks of epochs became better known."""
    clocks = database.row("SELECT count(*), total(utc_trusted), total((utc_ns - mono_ns) / 1000000) FROM epoch")
    return read_revisions(database), clocks


def _read_stamps(database: Database, numbers: list[int]) -> dict[int, object]:
    found: dict[int, object] = {}
    for start in range(0, len(numbers), AT_ONCE):
        some = numbers[start : start + AT_ONCE]
        marks = ", ".join("?" * len(some))
        rows = database.rows(f"SELECT trip, end_ns, is_open FROM trip WHERE trip IN ({marks})", some)
        found |= {int(number): (end_ns, is_open) for number, end_ns, is_open in rows}
        rows = database.rows(f"SELECT trip, {_STAMP} FROM trip_damper WHERE trip IN ({marks}) GROUP BY trip", some)
        found |= {int(row[0]): (found.get(int(row[0])), row[1:]) for row in rows}
    return found


def _keep(key: tuple[FileId, Piece], value: tuple[object, PieceSums]) -> None:
    while len(_kept) >= KEPT_LIMIT and key not in _kept:
        _kept.pop(next(iter(_kept)), None)
    _kept[key] = value

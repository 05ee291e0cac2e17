"""Where a trip lies in the raw log: its stretches on the clock of each epoch it went through.

A trip goes on over epochs of one boot, and over a reboot where wall time carried it (engine/trips.py). Its row is then
told on the clock it ended on, perhaps that of a boot after it, so the begin of each stretch comes from minute rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from dutylog.engine.minutes import TILES
from dutylog.engine.output import TripRow
from dutylog.engine.trips import OVERLAP_NS
from dutylog.ledger.database import Database
from dutylog.ledger.rows import Epoch
from dutylog.ledger.trips import read_epoch
from dutylog.units import NS_PER_S

RECORDING = "recording"
"""Kind of a source whose times are its own; its end is the end of a trip."""
SLACK_NS = 2 * NS_PER_S
"""A begin that clocks of two boots tell may lie so far from its minute row: a tile, and how far clocks may part."""
EPOCHS_LIMIT = 200
"""Epochs looked at behind the begin of a trip: more in one trip is no drive but a broken line. Source: judgement."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """An unbroken part of a trip. start_tile: its first tile. start_ns, end_ns: on its epoch's own clock.

    after_ns: its begin since the trip's, pauses included.
    """

    epoch: int
    start_tile: int
    start_ns: int
    end_ns: int
    after_ns: int = 0


@dataclass(frozen=True, slots=True)
class _Extent:
    """What the minute rows of an epoch cover on its clock; minute: the first of them."""

    minute: int
    start_ns: int
    end_ns: int


def find_stretches(database: Database, row: TripRow) -> tuple[Stretch, ...]:
    """Return the stretches of a trip in order; only the first where its epoch has no minute rows yet."""
    whole = (Stretch(row.epoch, row.start_tile, row.start_ns, row.end_ns),)
    first, later = read_epoch(database, row.epoch), _read_later(database, row)
    if first is None or first.source_kind == RECORDING or not later:
        return whole
    epochs, units = [first, *later], _read_units(database, row)
    told_on = _find_clock(database, row, epochs, units)
    found: list[Stretch] = []
    last_end_ns, reached_ns = row.end_ns, row.start_ns
    for epoch in epochs:
        by_ns = 0 if epoch.boot_id == told_on.boot_id else _offset_ns(told_on) - _offset_ns(epoch)
        if by_ns and not (told_on.utc_trusted and epoch.utc_trusted):
            continue
        start_ns, end_ns = row.start_ns + by_ns, row.end_ns + by_ns
        extent = _read_extent(database, epoch.epoch, units)
        if epoch is first:
            until_ns = _end_in(extent, end_ns)
            # Rows that lie before its begin tell nothing: the clocks can't be told apart.
            found.append(Stretch(row.epoch, row.start_tile, start_ns, until_ns if until_ns > start_ns else end_ns))
        elif extent is not None and end_ns > extent.start_ns >= reached_ns + by_ns - OVERLAP_NS:
            place = epoch.epoch, extent.minute * TILES, extent.start_ns
            found.append(Stretch(*place, _end_in(extent, end_ns), extent.start_ns - start_ns))
        else:
            continue
        last_end_ns, reached_ns = end_ns, found[-1].end_ns - by_ns
        if found[-1].end_ns == end_ns:
            break
    if 0 < last_end_ns - found[-1].end_ns <= TILES * NS_PER_S:
        # The minute under way isn't stored yet.
        found[-1] = replace(found[-1], end_ns=last_end_ns)
    return tuple(found)


def _end_in(extent: _Extent | None, end_ns: int) -> int:
    return end_ns if extent is None else min(end_ns, extent.end_ns)


def _find_clock(database: Database, row: TripRow, epochs: Sequence[Epoch], units: Sequence[int]) -> Epoch:
    """Return the epoch on whose clock a trip's row is told: the first one's, also where that can't be known."""
    first = epochs[0]
    boots = {epoch.boot_id: epoch for epoch in epochs if epoch.boot_id != first.boot_id and epoch.utc_trusted}
    begun = _read_minute(database, row.epoch, row.start_tile // TILES, units)
    if begun is None or not first.utc_trusted or _lies_in(row.start_ns, begun):
        return first
    for epoch in boots.values():
        if _lies_in(row.start_ns + _offset_ns(epoch) - _offset_ns(first), begun):
            return epoch
    return first


def _lies_in(start_ns: int, minute: tuple[int, int]) -> bool:
    return minute[0] - SLACK_NS <= start_ns <= minute[1] + SLACK_NS


def _offset_ns(epoch: Epoch) -> int:
    return epoch.utc_ns - epoch.mono_ns


def _read_later(database: Database, row: TripRow) -> list[Epoch]:
    """Return the epochs that a trip may have gone on in: up to that of the next trip."""
    found = database.row("SELECT min(epoch) FROM trip WHERE (epoch, start_tile) > (?, ?)", (row.epoch, row.start_tile))
    last = row.epoch + EPOCHS_LIMIT if found is None or found[0] is None else int(found[0])
    numbers = database.rows(
        "SELECT epoch FROM epoch WHERE epoch > ? AND epoch <= ? ORDER BY epoch LIMIT ?",
        (row.epoch, last, EPOCHS_LIMIT),
    )
    known: list[Epoch] = []
    for (number,) in numbers:
        epoch = read_epoch(database, int(number))
        if epoch is None or epoch.source_kind == RECORDING:
            break
        known.append(epoch)
    return known


def _read_units(database: Database, row: TripRow) -> list[int]:
    """Return the keys of the units whose minute rows tell of a trip."""
    names = [damper.unit_id for damper in row.dampers]
    rows = database.rows("SELECT unit_key, unit_id FROM unit ORDER BY unit_key")
    return [int(key) for key, unit_id in rows if unit_id in names or not names]


def _read_extent(database: Database, epoch: int, units: Sequence[int]) -> _Extent | None:
    found: list[tuple[int, int, int]] = []
    for key in units:
        sql = "SELECT minute, start_ns, start_ns + duration_us * 1000 FROM minute WHERE unit_key = ? AND epoch = ? "
        first = database.row(sql + "ORDER BY minute LIMIT 1", (key, epoch))
        last = database.row(sql + "ORDER BY minute DESC LIMIT 1", (key, epoch))
        if first is not None and last is not None:
            found.append((int(first[0]), int(first[1]), int(last[2])))
    if not found:
        return None
    minutes, starts, ends = zip(*found, strict=True)
    return _Extent(min(minutes), min(starts), max(ends))


def _read_minute(database: Database, epoch: int, minute: int, units: Sequence[int]) -> tuple[int, int] | None:
    """Return begin and end of a minute row, by the first unit that has it."""
    for key in units:
        row = database.row(
            "SELECT start_ns, start_ns + duration_us * 1000 FROM minute "
            "WHERE unit_key = ? AND epoch = ? AND minute = ?",
            (key, epoch, minute),
        )
        if row is not None:
            return int(row[0]), int(row[1])
    return None

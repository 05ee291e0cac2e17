"""What can still be had of a damaged ledger when no backup is good and the raw log doesn't reach back to its begin."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dutylog import ENGINE
from dutylog.domain.vehicle import Vehicle
from dutylog.duty.totals import Totals
from dutylog.errors import InputError, LedgerCorrupt, LedgerForeign
from dutylog.ledger.backup import SIDE_SUFFIXES, copy_file, discard
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit, Stamp, Unit


@dataclass(frozen=True, slots=True)
class Salvage:
    """What a part-damaged ledger gave. text: what that was, for people. counted_to: frame its totals cover."""

    text: str
    counted_to: int


@dataclass(frozen=True, slots=True)
class _Rest:
    vehicle: Vehicle | None
    units: list[Unit]
    installed: dict[str, Unit]
    totals: dict[str, Totals]
    counted_to: int


def salvage(damaged: Path, part: Path, stamp: Callable[[], Stamp]) -> Salvage | None:
    """Make a ledger at `part` of what is sealed in a damaged one, whose file isn't touched; None when nothing is."""
    copy_damaged(damaged, part)
    try:
        with Ledger.open(part, stamp=stamp) as ledger:
            if ledger.find_damage(whole=True) is None:
                ledger.forget_state()
                return Salvage("all but what the engine stored of itself", ledger.cursor().hot_sequence)
            rest = _read_rest(ledger) if ledger.is_sealed() else None
    except (LedgerCorrupt, LedgerForeign, InputError):
        rest = None
    discard(part)
    if rest is None:
        return None
    with Ledger.open(part, stamp=stamp) as ledger:
        _write_rest(ledger, rest)
    return Salvage("dampers and their totals; minutes, trips and entries are in the damaged file only", rest.counted_to)


def copy_damaged(damaged: Path, part: Path) -> None:
    """Copy a damaged ledger to a fresh temporary name, with what its journal holds."""
    copy_file(damaged, part)
    for suffix in SIDE_SUFFIXES[:1]:
        side = damaged.with_name(damaged.name + suffix)
        if side.exists():
            shutil.copyfile(side, part.with_name(part.name + suffix))


def _read_rest(ledger: Ledger) -> _Rest:
    return _Rest(
        ledger.vehicle(), ledger.units(), ledger.installed(), ledger.all_counted(), ledger.cursor().hot_sequence
    )


def _write_rest(ledger: Ledger, rest: _Rest) -> None:
    if rest.vehicle is not None:
        ledger.put_vehicle(rest.vehicle)
    for unit in rest.units:
        ledger.add_unit(unit.serial, unit.profile, unit.note, unit.unit_id)
    for position, unit in rest.installed.items():
        ledger.install(unit.unit_id, position, sequence=rest.counted_to)
    ledger.commit(Commit(sequence=rest.counted_to, engine=ENGINE, hot=rest.totals))

"""Does the ledger open, is it as it was written, and how old are its copies?"""

from __future__ import annotations

import json
from pathlib import Path

from dutylog.acquire.driver import Finding
from dutylog.cli.checks.findings import fail, failed_by, look, passed
from dutylog.cli.checks.scene import Scene
from dutylog.duty.totals import Totals
from dutylog.errors import DutylogError, LedgerCorrupt, LedgerForeign
from dutylog.ledger.backup import find_backups
from dutylog.ledger.ledger import LEDGER_NAME, RECOVERED, Ledger
from dutylog.recording.segments import LOG_FOLDER

SUBJECT = "ledger"
BACKUP = "backup"
QUERY_LIMIT_S = 10.0
LATE_BACKUP_S = 2 * 3600.0
"""A copy is made after every hour of running and at each stop; twice that without one is odd. Judgement."""


def check_ledger(scene: Scene) -> list[Finding]:
    """Return whether small tables, seal and chain are sound, whose ledger it is, and what its copies lack."""
    folder = scene.data_dir
    if folder is None or not folder.is_dir():
        return []
    path = folder / LEDGER_NAME
    if not path.exists():
        return [_missing(path)]
    try:
        with Ledger.open(path, read_only=True, query_limit_s=QUERY_LIMIT_S) as ledger:
            return _look_inside(ledger, scene)
    except LedgerForeign as err:
        return [failed_by(SUBJECT, err, "name another data folder")]
    except LedgerCorrupt as err:
        return [_damaged(path, str(err.__cause__ or err))]
    except DutylogError as err:
        return [failed_by(SUBJECT, err, "check the rights of the data folder")]


def _missing(path: Path) -> Finding:
    if find_backups(path) or any((path.parent / LOG_FOLDER).glob("*.dlg")):
        remedy = "`dutylog run` makes it again from the newest backup and the raw log; look why it went"
        return fail(SUBJECT, f"{path} is gone, though backups or raw log of it are there", remedy)
    return look(SUBJECT, f"{path} isn't there yet", "nothing: `dutylog run` makes it")


def _damaged(path: Path, what: str) -> Finding:
    copies = len(find_backups(path))
    remedy = f"start dutylog anew: it puts the ledger right from its {copies} backups and the raw log"
    return fail(SUBJECT, f"{path} is damaged: {what}", remedy)


def _look_inside(ledger: Ledger, scene: Scene) -> list[Finding]:
    damage = ledger.find_damage(whole=False)
    if damage is not None:
        return [_damaged(ledger.path, damage)]
    vehicle, settings = ledger.vehicle(), scene.settings
    if vehicle is not None and settings is not None and vehicle.vehicle_id != settings.vehicle.vehicle_id:
        text = f"{ledger.path} belongs to vehicle {vehicle.vehicle_id}, not {settings.vehicle.vehicle_id}"
        return [fail(SUBJECT, text, "name another data folder, or correct vehicle.id")]
    entries = ledger.entries(1)
    size_mb = ledger.path.stat().st_size / 1e6
    counted = f"{entries[0].row if entries else 0} entries chained, {len(ledger.units())} dampers, {size_mb:.2f} MB"
    found = [passed(SUBJECT, f"sound: seal and chain agree, {counted}")]
    return [*found, *_recovered(ledger), _backups(ledger)]


def _recovered(ledger: Ledger) -> list[Finding]:
    entry = ledger.last_entry(RECOVERED)
    if entry is None:
        return []
    told = json.loads(entry.data)
    text = f"was put right once (entry {entry.row}: {told.get('reason')}; from {told.get('backup') or 'the raw log'})"
    lost = told.get("lost_sequences")
    if lost or ledger.is_recovering():
        what = f"duty of frames {lost[0]} to {lost[1]} is lost" if lost else "the raw log has still to be followed"
        return [look(SUBJECT, f"{text}; {what}", "start dutylog if it doesn't run; then look at card and supply")]
    return [passed(SUBJECT, f"{text}, no duty was lost")]


def _backups(ledger: Ledger) -> Finding:
    copies = find_backups(ledger.path)
    totals = ledger.all_counted()
    if not copies:
        lacking_s = _behind_s(totals, {})
        if lacking_s < LATE_BACKUP_S:
            return passed(BACKUP, f"none yet, the ledger holds {lacking_s / 60:.0f} min of running")
        return look(BACKUP, f"none, though the ledger holds {lacking_s / 3600:.1f} h of running", _REMEDY)
    try:
        with Ledger.open(copies[0], read_only=True, query_limit_s=QUERY_LIMIT_S) as copy:
            is_sound, behind_s = copy.is_sealed(), _behind_s(totals, copy.all_counted())
    except DutylogError as err:
        return look(BACKUP, f"{copies[0].name} can't be read ({err})", _REMEDY)
    seen = f"{len(copies)} kept, the newest lacks {behind_s / 60:.0f} min of running"
    if not is_sound:
        return look(BACKUP, f"{copies[0].name} isn't as it was written", _REMEDY)
    if behind_s >= LATE_BACKUP_S:
        return look(BACKUP, seen, _REMEDY)
    return passed(BACKUP, seen)


_REMEDY = "look at room and rights of the folder; copy it elsewhere with `dutylog ledger backup FILE`"


def _behind_s(now: dict[str, Totals], then: dict[str, Totals]) -> float:
    """Return the running time that a copy lacks, of the damper that ran longest since [s]."""
    none = Totals()
    gained_us = (
        value.measured_us + value.unmeasured_us - old.measured_us - old.unmeasured_us
        for unit, value in now.items()
        for old in (then.get(unit, none),)
    )
    return max(0, *gained_us, 0) / 1e6

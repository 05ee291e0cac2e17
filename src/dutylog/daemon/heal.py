"""The ledger as core opens it: sound, or put right from a backup and the raw log before anything else.

Nothing is ever deleted: what is damaged is renamed. The file that takes its place is made ready under a
temporary name, with the entry that tells where it came from, and gets its own name in one step; so a
kill at any moment leaves either no ledger, which the next start finds and goes on from, or a finished one.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dutylog.daemon.salvage import salvage
from dutylog.daemon.told_revisions import choose_revision, read_told
from dutylog.errors import LedgerCorrupt, LedgerForeign, one_line
from dutylog.ledger import backup
from dutylog.ledger.check import SMALL_BYTES
from dutylog.ledger.corrections import find_corrections, find_pending, read_calibrated, read_recounts
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Stamp
from dutylog.recording.bounds import LogBounds, read_log_bounds

SUSPECT_NAME = "ledger.suspect"
"""Laid by a core that met damage while it ran: the next start looks at every page."""
MISSING = "it was gone"
EMPTY = "it was empty"
FOREIGN = "another program's database stood in its place"


@dataclass(frozen=True, slots=True)
class Folder:
    """A data folder under its lock, and what a recovery needs to know. say: takes lines for people."""

    data_dir: Path
    log: Path
    stamp: Callable[[], Stamp]
    say: Callable[[str], None]

    @property
    def ledger(self) -> Path:
        """Return the ledger's name."""
        return self.data_dir / LEDGER_NAME

    @property
    def part(self) -> Path:
        """Return the name a ledger has while it is made ready."""
        return self.data_dir / f"{LEDGER_NAME}.part"

    @property
    def suspect(self) -> Path:
        """Return the mark of a ledger to be looked at closely."""
        return self.data_dir / SUSPECT_NAME


def open_ledger(folder: Folder) -> Ledger:
    """Return the ledger for writing, put right where it was damaged or is gone.

    Raises:
        LedgerError: written by a newer version, another program's in a folder that isn't surely ours,
            no rights, no room; the text says what to do.
    """
    reason = _find_reason(folder)
    if reason is not None:
        _put_right(folder, reason)
    folder.suspect.unlink(missing_ok=True)
    return Ledger.open(folder.ledger, stamp=folder.stamp)


def mark_suspect(data_dir: Path) -> None:
    """Have the next start look at every page of the ledger. For a core that met damage while it ran."""
    (data_dir / SUSPECT_NAME).touch()


def find_damage(ledger: Ledger, *, whole: bool) -> str | None:
    """Return what is wrong with an open ledger, what the engine stored in it included, or None."""
    found = ledger.find_damage(whole=whole)
    return found if found is not None else _find_bad_state(ledger)


def _find_bad_state(ledger: Ledger) -> str | None:
    """Unpack what the engine stored: zlib's own sum (Adler-32, RFC 1950) tells whether it is whole."""
    blobs = [("the engine's checkpoint", ledger.cursor().checkpoint)]
    blobs += [(f"the state of damper {unit.label}", ledger.cold_state(unit.unit_id)) for unit in ledger.units()]
    for what, blob in blobs:
        try:
            zlib.decompress(blob or zlib.compress(b""))
        except zlib.error as err:
            return f"{what} can't be read: {err}"
    return None


def _find_reason(folder: Folder) -> str | None:
    """Return why the ledger has to be put right, None where it is sound or nothing was there before."""
    path = folder.ledger
    is_ours = bool(backup.find_backups(path)) or read_log_bounds(folder.log) is not None
    if not path.exists():
        return MISSING if is_ours or backup.has_orphans(path) else None
    if path.stat().st_size == 0:
        return EMPTY if is_ours else None
    try:
        with Ledger.open(path, stamp=folder.stamp) as ledger:
            is_small = path.stat().st_size <= SMALL_BYTES
            return find_damage(ledger, whole=is_small or folder.suspect.exists())
    except LedgerForeign:
        # Where our log or backups lie no other program keeps its file, so it is a mix-up to put right.
        # Anywhere else the likelier mistake is a wrong folder, and renaming would break that program.
        if not is_ours:
            raise
        return FOREIGN
    except LedgerCorrupt as err:
        return str(err.__cause__ or err)


def _put_right(folder: Folder, reason: str) -> None:
    aside = None
    if folder.ledger.exists() or backup.has_orphans(folder.ledger):
        moved = Ledger.quarantine(folder.ledger)
        aside = moved if moved.exists() else None
    bounds = read_log_bounds(folder.log)
    told = read_told(aside, folder.part, folder.stamp)
    tale = _take_backup(folder, aside, reason, bounds) or _take_rest(folder, aside, reason, bounds)
    with Ledger.open(folder.part, stamp=folder.stamp) as ledger:
        revision = choose_revision(folder.data_dir, told, ledger)
        ledger.begin_recovery({**tale.to_dict(), "revision": revision}, revision)
        pending = find_pending(find_corrections(read_calibrated(ledger)), read_recounts(ledger))
    backup.put_in_place(folder.part, folder.ledger)
    folder.say(tale.to_text())
    if pending:
        names = ", ".join(sorted({one.made.position for one in pending}))
        folder.say(
            f"the calibration of {names} that corrects the past isn't in these totals: "
            "stop the daemon when there is time and type `dutylog ledger recount`"
        )


def _take_backup(folder: Folder, aside: Path | None, reason: str, bounds: LogBounds | None) -> _Tale | None:
    """Copy the newest good backup to the temporary name; None where there is no good one."""
    for name in backup.find_backups(folder.ledger):
        try:
            backup.copy_file(name, folder.part)
            with Ledger.open(folder.part, stamp=folder.stamp) as ledger:
                damage = find_damage(ledger, whole=True)
                if damage is not None:
                    folder.say(
                        f"backup {name.name} isn't sound either ({one_line(damage)}); it stays, the next is tried"
                    )
                    continue
                return _Tale(reason, aside, name.name, ledger.cursor().hot_sequence, bounds)
        except (LedgerCorrupt, LedgerForeign) as err:
            folder.say(f"backup {name.name} isn't sound either ({one_line(err.__cause__ or err)}); it stays")
    return None


def _take_rest(folder: Folder, aside: Path | None, reason: str, bounds: LogBounds | None) -> _Tale:
    """Take what is left in the damaged file, but only what the log can't prove anew; else begin with nothing."""
    if aside is not None and (bounds is None or bounds.first_sequence > 1):
        found = salvage(aside, folder.part, folder.stamp)
        if found is not None:
            return _Tale(reason, aside, f"{aside.name}: {found.text}", found.counted_to, bounds)
    backup.discard(folder.part)
    return _Tale(reason, aside, None, 0, bounds)


@dataclass(frozen=True, slots=True)
class _Tale:
    """What was recovered and what is lost. source: where the new one is from. counted_to: frame its totals cover."""

    reason: str
    aside: Path | None
    source: str | None
    counted_to: int
    bounds: LogBounds | None

    @property
    def lost(self) -> tuple[int, int] | None:
        """Return the first and last frame that neither backup nor log has, as far as is known."""
        first = self.counted_to + 1 if self.bounds is None else self.bounds.first_sequence
        return (self.counted_to + 1, first - 1) if first > self.counted_to + 1 else None

    def to_dict(self) -> dict[str, object]:
        """Return the entry's data (shared/LEDGER.md)."""
        return {
            "reason": one_line(self.reason),
            "damaged_file": None if self.aside is None else self.aside.name,
            "source": self.source,
            "counted_to": self.counted_to,
            "log_first_sequence": None if self.bounds is None else self.bounds.first_sequence,
            "log_last_sequence": None if self.bounds is None else self.bounds.last_sequence,
            "lost_sequences": None if self.lost is None else list(self.lost),
        }

    def to_text(self) -> str:
        """Return one line for people."""
        what = f"the ledger was put right ({one_line(self.reason)})"
        kept = "" if self.aside is None else f", the damaged one is kept as {self.aside.name}"
        source = "begun anew" if self.source is None else f"taken from {self.source}"
        if self.lost is not None:
            first, last = self.lost
            rest = f"the raw log begins at frame {last + 1}: duty of frames {first} to {last} is lost"
        elif self.bounds is None:
            rest = "there is no raw log: duty since then is lost"
        else:
            rest = f"all duty after frame {self.counted_to} is counted again from the raw log"
        since = "" if self.source is None else " since then"
        manual = (
            f"what people told{since} stands in no frame of the log and may be missing: repairs and names of trips, "
            "services, readings, notes, dampers on the shelf, and where dampers were moved without a running daemon"
        )
        return f"{what}{kept}: {source}; {rest}; {manual}"

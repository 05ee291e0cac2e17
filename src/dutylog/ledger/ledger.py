"""The ledger of one vehicle: dampers, where they sat, what they have done, and the chain of entries."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from pathlib import Path
from types import TracebackType
from typing import Any

from dutylog.domain.vehicle import Vehicle
from dutylog.duty.totals import Totals
from dutylog.engine.output import TripRow
from dutylog.errors import InputError, LedgerCorrupt, LedgerError
from dutylog.ledger import alerts, backup, chain, check, counters, installs, trip_book, trips, unit_profiles, use_rows
from dutylog.ledger.database import QUERY_LIMIT_S, Database, decoding
from dutylog.ledger.rows import (
    Commit,
    Cursor,
    Entry,
    EntryDraft,
    Epoch,
    Install,
    KeptHeat,
    Minute,
    Stamp,
    StoredAlert,
    Trip,
    Unit,
    UnitDuty,
    system_stamp,
)
from dutylog.ledger.schema import ensure_schema, refuse_foreign
from dutylog.ledger.seal import is_sealed, write_seal
from dutylog.ledger.trip_discounts import Discounts
from dutylog.ledger.use_rows import UseRow

LEDGER_NAME = "ledger.sqlite"
_VEHICLE_KEY = "vehicle"
_SERIALS_KEY = "config_serials"
_RECOVERY_KEY = "recovery"
_PUT_META = "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value"
RECOVERED = "recovered"
"""Kind of the entry that tells how a damaged or missing ledger was put right."""
PRUNED = "raw_pruned"
"""Kind of the entry that tells which trips lost raw samples to the limits of the log."""
_END_NS = 2**63 - 1


class Ledger:
    """One open ledger file; made by `Ledger.open`, not shared between threads."""

    def __init__(self, database: Database, stamp: Callable[[], Stamp]) -> None:
        self._database = database
        self._stamp = stamp

    @classmethod
    def open(
        cls,
        path: Path,
        read_only: bool = False,
        stamp: Callable[[], Stamp] = system_stamp,
        query_limit_s: float = QUERY_LIMIT_S,
    ) -> Ledger:
        """Open a ledger, making or upgrading it when not `read_only`.

        Args:
            path: the file, its folder must exist.
            read_only: for pages and commands; each question then has a time limit of `query_limit_s` [s].
            stamp: gives the time that is written beside every change.
        Raises:
            LedgerError: missing, of a newer version, or not a ledger; the text says what to do.
            LedgerCorrupt: damaged; `Ledger.quarantine` moves it aside.
        """
        if not read_only:
            refuse_foreign(Path(path))
        database = Database.open(Path(path), read_only, query_limit_s)
        try:
            ensure_schema(database)
            database.before_commit = write_seal
        except BaseException:
            database.close()
            raise
        return cls(database, stamp)

    @staticmethod
    def quarantine(path: Path) -> Path:
        """Move a damaged ledger and its side files aside and return the new name of the file."""
        return backup.move_aside(Path(path))

    @property
    def path(self) -> Path:
        """Return the file this ledger is in."""
        return self._database.path

    def close(self) -> None:
        """Close the file; safe to call twice."""
        self._database.close()

    def __enter__(self) -> Ledger:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def database(self) -> Database:
        """Return the file itself, for modules of this package alone."""
        return self._database

    def stamp(self) -> Stamp:
        """Return the present time by every clock, as it is written beside changes."""
        return self._stamp()

    # vehicle

    def put_vehicle(self, vehicle: Vehicle) -> None:
        """Store the configuration in force, so that commands know positions, wheels and profiles.

        Raises:
            LedgerError: the ledger belongs to a vehicle of another vehicle_id.
        """
        known = self._stored_vehicle()
        if known is not None and known.vehicle_id != vehicle.vehicle_id:
            raise LedgerError(
                f"ledger {self.path} belongs to vehicle {known.vehicle_id}, not {vehicle.vehicle_id}; "
                "name another data folder or correct vehicle_id"
            )
        if known != vehicle:
            self._put_meta(_VEHICLE_KEY, vehicle.to_dict())

    def vehicle(self) -> Vehicle | None:
        """Return the configuration stored last, or None before the first.

        Profiles that came with service records are among its profiles, also where the vehicle file lacks them.
        """
        known = self._stored_vehicle()
        added = unit_profiles.read_added(self._database)
        return None if known is None else unit_profiles.with_added(known, added)

    def _stored_vehicle(self) -> Vehicle | None:
        row = self._database.row("SELECT value FROM meta WHERE key = ?", (_VEHICLE_KEY,))
        with decoding(self.path, "the stored configuration"):
            return None if row is None else Vehicle.from_dict(json.loads(row[0]))

    def config_serials(self) -> dict[str, str | None]:
        """Return the serial the configuration named at each position at the last start, empty before the first."""
        row = self._database.row("SELECT value FROM meta WHERE key = ?", (_SERIALS_KEY,))
        with decoding(self.path, "the list of serials"):
            return {} if row is None else dict(json.loads(row[0]))

    def put_config_serials(self, serials: Mapping[str, str | None]) -> None:
        """Store the serials the configuration names, to see at the next start whether a person changed them."""
        if serials != self.config_serials():
            self._put_meta(_SERIALS_KEY, serials)

    # dampers

    def add_unit(self, serial: str | None, profile: str, note: str | None = None, unit_id: str | None = None) -> Unit:
        """Add a damper; without a serial it gets a tag of ours (`D1`, ...).

        Args:
            serial: what is stamped on it, at most 64 printable characters, or None.
            profile: name of its profile. note: free text, at most 500 characters.
            unit_id: UUID from elsewhere, None for a new one.
        Raises:
            LedgerError: the serial is taken. InputError: a text or the UUID is unfit.
        """
        return installs.add_unit(
            self._database, self._stamp(), serial=serial, profile=profile, note=note, unit_id=unit_id
        )

    def unit(self, unit_id: str) -> Unit | None:
        """Return a damper by its UUID."""
        return installs.read_unit(self._database, "unit_id", unit_id)

    def unit_by_serial(self, serial: str) -> Unit | None:
        """Return a damper by its serial."""
        return installs.read_unit(self._database, "serial", serial)

    def find_unit(self, label: str) -> Unit:
        """Return the damper a person means by serial, tag or UUID; LedgerError names the nearest known one."""
        return installs.find_unit(self._database, label)

    def units(self) -> list[Unit]:
        """Return all dampers in the order they were added."""
        return installs.read_units(self._database)

    def install(self, unit_id: str, position: str, wheel: str | None = None, sequence: int | None = None) -> Install:
        """Write that a damper sits at a position from now on.

        Args:
            unit_id: an added damper. position: one of the stored vehicle's. wheel: None for the vehicle's own.
            sequence: of the raw log, from which on it counts; None for the cursor's hot_sequence.
        Raises:
            LedgerError: no vehicle stored, unknown position, profile not the vehicle's, damper or position taken.
            InputError: no such unit.
        """
        unit = self._known(unit_id)
        place = installs.choose_place(self.vehicle(), unit, position, wheel, self._from(sequence))
        return installs.install(self._database, self._stamp(), unit, place)

    def remove(self, unit_id: str, sequence: int | None = None) -> Install:
        """Write that a damper left its position; returns the stay that ended. LedgerError when it sat nowhere."""
        return installs.remove(self._database, self._stamp(), self._known(unit_id), self._from(sequence))

    def installed(self, vehicle_id: str | None = None) -> dict[str, Unit]:
        """Return the damper at each position; None means the stored vehicle."""
        if vehicle_id is None:
            vehicle = self.vehicle()
            vehicle_id = "" if vehicle is None else vehicle.vehicle_id
        return installs.read_in_force(self._database, vehicle_id)

    def installs_of(self, unit_id: str) -> list[Install]:
        """Return every stay of a damper, oldest first."""
        return installs.read_installs(self._database, unit_id)

    # counters

    def cursor(self) -> Cursor:
        """Return how far into the raw log each group reaches, with the engine's checkpoint."""
        return counters.read_cursor(self._database)

    def commit(self, change: Commit) -> None:
        """Write what the engine made of the log up to `change.sequence`: whole and durable on return, or not at all.

        The same commit again changes nothing. A minute or trip of the same key is overwritten.
        Raises:
            InputError: the sequence goes back, a total would fall within its revision, a unit is unknown,
                or only one of cold and checkpoint is given.
            LedgerFull: no room on the disk; nothing was written and a later commit may succeed.
        """
        counters.commit(self._database, self._stamp(), change)

    def totals(self, unit_id: str) -> Totals:
        """Return a damper's life totals, without trips that weren't driven; InputError when there is no such unit."""
        with self.reading():
            return Discounts(self._database).apply(unit_id, self.counted(unit_id))

    def all_totals(self) -> dict[str, Totals]:
        """Return the life totals of every damper, without trips that weren't driven, all of one moment."""
        with self.reading():
            discounts = Discounts(self._database)
            return {unit_id: discounts.apply(unit_id, counted) for unit_id, counted in self.all_counted().items()}

    def counted(self, unit_id: str) -> Totals:
        """Return all that was counted of a damper, driven or not: what the engine goes on from, and running time."""
        totals = counters.read_totals(self._database, unit_id)
        if totals is None:
            raise InputError(f"unit {unit_id} is not in the ledger")
        return totals

    def all_counted(self) -> dict[str, Totals]:
        """Return all that was counted of every damper, driven or not, all of one moment."""
        return counters.read_all_totals(self._database)

    def not_driven(self) -> dict[str, Totals]:
        """Return what was counted in trips that weren't driven, of each damper that was on one."""
        with self.reading():
            return Discounts(self._database).sums()

    def unit_duties(self) -> list[UnitDuty]:
        """Return every damper with its totals, place and (revision, sequence), as `totals`, all of one moment."""
        with self.reading():
            return counters.read_unit_duties(self._database, Discounts(self._database))

    def reading(self) -> AbstractContextManager[None]:
        """Let every question asked in the body see one moment, whatever is committed meanwhile."""
        return self._database.snapshot()

    def cold_state(self, unit_id: str) -> bytes | None:
        """Return the state of a damper's accumulators at the last cold commit, None before its first."""
        return counters.read_cold_state(self._database, unit_id)

    def kept_heat(self, unit_id: str, position: str) -> KeptHeat | None:
        """Return what was kept of the heat of a damper in a place (shared/HEAT.md), None where nothing was."""
        return counters.read_heat(self._database, unit_id, position)

    # epochs, trips, minutes

    def put_epoch(self, epoch: Epoch) -> None:
        """Write the clocks of an epoch; again with better ones refines wall time of all that isn't latched."""
        trips.write_epoch(self._database, epoch)

    def epoch(self, number: int) -> Epoch | None:
        """Return the clocks of an epoch."""
        return trips.read_epoch(self._database, number)

    def last_epoch(self) -> int:
        """Return the highest number of an epoch, 0 before the first; a number is never used twice."""
        row = self._database.row("SELECT coalesce(max(epoch), 0) FROM epoch")
        return 0 if row is None else int(row[0])

    def trips(self, limit: int = 50, before: int | None = None) -> list[Trip]:
        """Return trips, newest first; `before`: only smaller numbers."""
        return trips.read_trips(self._database, limit, before)

    def trip(self, number: int) -> Trip:
        """Return one trip; LedgerError names the numbers there are."""
        return trips.read_trip(self._database, number)

    def trips_between(self, first: tuple[int, int], end: tuple[int, int]) -> list[int]:
        """Return the numbers of ended trips with any part between two places, each an epoch and an instant [ns]."""
        return trips.read_trips_between(self._database, first, end)

    def rename_trip(self, key: str | int, name: str | None) -> str:
        """Give a trip or a part of one a name, None takes it away; LedgerError when there is none. Returns its key."""
        return trip_book.rename_trip(self, key, name)

    def minutes(self, unit_id: str, epoch: int, first_ns: int = 0, last_ns: int = _END_NS) -> list[Minute]:
        """Return a damper's 60-second rows that overlap a span of the epoch's monotonic time [ns]."""
        return trips.read_minutes(self._database, unit_id, epoch, first_ns, last_ns)

    def trip_minutes(self, unit_id: str, key: str | int) -> list[Minute]:
        """Return a damper's 60-second rows that overlap a trip or a part of one, in order; see TripBook.trip."""
        return trip_book.TripBook(self).minutes(unit_id, key)

    def use_rows(self, unit_id: str) -> list[UseRow]:
        """Return all 60-second rows of a damper as plain figures, in the order of the log."""
        return use_rows.read_use_rows(self._database, unit_id)

    def running_us_before(self, unit_id: str, utc_ns: int) -> int | None:
        """Return a damper's running time [us] in rows that began before a wall time; None with no row after it."""
        return use_rows.read_running_us(self._database, unit_id, utc_ns)

    # alerts

    def open_alerts(self) -> list[StoredAlert]:
        """Return what people were told and isn't over, the oldest first."""
        return alerts.read_open(self._database)

    def alerts(self, limit: int = 50, before: int | None = None) -> list[StoredAlert]:
        """Return alerts, newest first; `before`: only smaller numbers."""
        return alerts.read_newest(self._database, limit, before)

    def alerts_after(self, number: int, limit: int) -> list[StoredAlert]:
        """Return at most `limit` alerts with larger numbers, the oldest first."""
        return alerts.read_after(self._database, number, limit)

    def alerts_of(self, ids: Sequence[str]) -> list[StoredAlert]:
        """Return the alerts of these ids, as far as they are there."""
        return alerts.read_ids(self._database, ids)

    def trip_alerts(self, row: TripRow) -> list[StoredAlert]:
        """Return the alerts raised in a trip, the oldest first."""
        return alerts.read_of_trip(self._database, row.epoch, row.start_tile)

    def acknowledge_alert(self, text: str, by: str) -> StoredAlert:
        """Note that a person has seen an alert, by its id or the begin of it; the first name stays.

        Raises:
            LedgerError: no such alert, or more than one. InputError: a name that isn't one.
        """
        return alerts.acknowledge_alert(self._database, self._stamp(), text, by)

    # entries

    def append_entry(
        self, kind: str, unit_id: str | None, data: Mapping[str, Any], sequence: int | None = None
    ) -> Entry:
        """Add one link to the chain; InputError when data is no plain JSON or the unit is unknown."""
        with self._database.write() as connection:
            draft = EntryDraft(kind, unit_id, data)
            return chain.append_entry(self._database, connection, self._stamp(), draft, sequence)

    def entries(self, limit: int = 100, before: int | None = None) -> list[Entry]:
        """Return entries, newest first; `before`: only smaller row numbers."""
        rows = self._database.rows(
            f"SELECT {chain.COLUMNS} FROM entry WHERE row < ? ORDER BY row DESC LIMIT ?",
            (_END_NS if before is None else before, limit),
        )
        return [chain.read_entry(row) for row in rows]

    def record_raw_loss(self, log_end_sequence: int) -> Entry | None:
        """Write that the raw log ends before what the counters cover; None when it doesn't or that is known."""
        cursor = self.cursor()
        if log_end_sequence >= cursor.hot_sequence:
            return None
        data = {
            "log_end_sequence": log_end_sequence,
            "hot_sequence": cursor.hot_sequence,
            "cold_sequence": cursor.cold_sequence,
        }
        last = self._database.row("SELECT data FROM entry WHERE kind = 'raw_loss' ORDER BY row DESC LIMIT 1")
        if last is not None and last[0] == chain.encode_canonical(data):
            return None
        return self.append_entry("raw_loss", None, data, cursor.hot_sequence)

    def verify_chain(self) -> int | None:
        """Return the number of the first entry that is not as it was written, or None when all are."""
        return chain.verify_chain(self._database)

    def check_file(self) -> list[str]:
        """Return what the checks of pages, indices, references and the seal find wrong; empty when sound."""
        try:
            found = check.find_bad_pages(self._database, whole=True)
            return found if found or is_sealed(self._database) else ["the small tables are not as they were sealed"]
        except LedgerCorrupt as err:
            return [str(err)]

    def find_damage(self, *, whole: bool) -> str | None:
        """Return what is wrong with pages, seal or chain in words; `whole` False leaves minutes and trips out."""
        return check.find_damage(self._database, whole=whole)

    def is_sealed(self) -> bool:
        """Tell whether dampers, installs, totals and cursor are as they were written."""
        return is_sealed(self._database)

    # keeping

    def backup(self, target: Path, progress: Callable[[int, int], None] | None = None) -> None:
        """Copy the ledger, also while it is written to, into one plain checked file.

        Args:
            target: must not exist yet. progress: called with pages left and pages in all.
        Raises:
            LedgerError: the target exists or can't be written. LedgerCorrupt: the copy is not sound.
        """
        backup.write_backup(self._database, Path(target), progress)

    def rotate_backup(self, limit_s: float | None = None) -> Path:
        """Keep a checked copy beside the ledger as the newest of three; returns its name.

        Raises:
            LedgerCorrupt: the copy isn't sound. LedgerError: it can't be written, or not within limit_s [s].
        """
        return backup.rotate_backup(self._database, limit_s)

    def begin_recovery(self, data: Mapping[str, Any], least_revision: int | None = None) -> None:
        """Write the entry that tells how this ledger came about, and that the raw log has yet to be followed.

        least_revision: what every damper's revision becomes at least with the first commit, which has its totals
        counted again; None leaves them.
        """
        with self._database.write() as connection:
            if least_revision is not None:
                connection.execute(_PUT_META, (counters.LEAST_REVISION_KEY, str(least_revision)))
            draft = EntryDraft(RECOVERED, None, data)
            chain.append_entry(self._database, connection, self._stamp(), draft, None)
            connection.execute(_PUT_META, (_RECOVERY_KEY, chain.encode_canonical(data)))

    def highest_revision(self, *, with_repairs: bool = True) -> int:
        """Return the highest revision any damper was told with, 0 without dampers; without repairs that of counting."""
        with self.reading():
            discounts = Discounts(self._database) if with_repairs else None
            rows = self._database.rows("SELECT unit_id, revision FROM hot JOIN unit USING (unit_key)")
            told = (counted if discounts is None else discounts.revision(unit, counted) for unit, counted in rows)
            return max((int(one) for one in told), default=0)

    def is_recovering(self) -> bool:
        """Tell whether the raw log knows better than this ledger which damper sits where."""
        return self._database.row("SELECT 1 FROM meta WHERE key = ?", (_RECOVERY_KEY,)) is not None

    def end_recovery(self) -> None:
        """Note that the raw log was followed to its end."""
        with self._database.write() as connection:
            connection.execute("DELETE FROM meta WHERE key = ?", (_RECOVERY_KEY,))

    def entries_of(self, kind: str) -> list[Entry]:
        """Return all entries of a kind, oldest first."""
        rows = self._database.rows(f"SELECT {chain.COLUMNS} FROM entry WHERE kind = ? ORDER BY row", (kind,))
        return [chain.read_entry(row) for row in rows]

    def last_entry(self, kind: str) -> Entry | None:
        """Return the newest entry of a kind."""
        row = self._database.row(f"SELECT {chain.COLUMNS} FROM entry WHERE kind = ? ORDER BY row DESC LIMIT 1", (kind,))
        return None if row is None else chain.read_entry(row)

    def forget_state(self) -> None:
        """Drop what the engine stored of itself, where it can't be read; totals stay."""
        with self._database.write() as connection:
            connection.execute("DELETE FROM checkpoint")
            connection.execute("DELETE FROM cold")
            connection.execute("UPDATE cursor SET cold_sequence = 0")

    def _put_meta(self, key: str, value: Mapping[str, Any]) -> None:
        with self._database.write() as connection:
            connection.execute(_PUT_META, (key, chain.encode_canonical(value)))

    def _known(self, unit_id: str) -> Unit:
        unit = self.unit(unit_id)
        if unit is None:
            raise InputError(f"unit {unit_id} is not in the ledger")
        return unit

    def _from(self, sequence: int | None) -> int:
        return self.cursor().hot_sequence if sequence is None else sequence

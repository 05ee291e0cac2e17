"""What crosses the ledger's border: plain rows in, plain rows out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from dutylog.clock import SystemClock, read_boot_id
from dutylog.duty.totals import Totals
from dutylog.engine.output import MinuteRow, TripRow


@dataclass(frozen=True, slots=True)
class Stamp:
    """When something was written, by every clock there is.

    utc_trusted: False while nobody has told the machine the time (a board without a clock battery).
    """

    utc_ns: int
    utc_trusted: bool
    mono_ns: int
    boot_id: str


def system_stamp() -> Stamp:
    """Return the machine's present time; wall time counts as not trusted, since nothing here vouches for it."""
    clock = SystemClock()
    return Stamp(clock.utc_ns(), False, clock.mono_ns(), read_boot_id())


@dataclass(frozen=True, slots=True)
class Unit:
    """One damper as a thing: `unit_id` is its key for ever, the serial only what is stamped on it.

    tag: our own short name for a damper without a serial, else None.
    """

    unit_id: str
    serial: str | None
    tag: str | None
    profile: str
    added_utc_ns: int
    note: str | None

    @property
    def label(self) -> str:
        """Return what people call it: the serial, or our tag where there is none."""
        return self.serial or self.tag or self.unit_id


@dataclass(frozen=True, slots=True)
class UnitDuty:
    """A damper's life totals with the (revision, sequence) that orders them; position: None on the shelf.

    has_counted: whether anything was ever counted of it, also where none of that was driven.
    """

    unit_id: str
    serial: str | None
    label: str
    position: str | None
    revision: int
    sequence: int
    totals: Totals
    has_counted: bool = True


@dataclass(frozen=True, slots=True)
class Install:
    """A damper's stay at one position; to_* are None while it is still there. Sequences are the raw log's."""

    unit_id: str
    vehicle_id: str
    position: str
    wheel: str
    from_sequence: int
    from_utc_ns: int
    from_utc_trusted: bool
    to_sequence: int | None
    to_utc_ns: int | None
    to_utc_trusted: bool | None


@dataclass(frozen=True, slots=True)
class Cursor:
    """How far into the raw log each group of counters reaches, and the engine's state at `cold_sequence`."""

    hot_sequence: int
    cold_sequence: int
    engine: str
    checkpoint: bytes | None
    boot_id: str
    updated_utc_ns: int


@dataclass(frozen=True, slots=True)
class EntryDraft:
    """An entry before it is chained. unit_id: None for what concerns the whole vehicle."""

    kind: str
    unit_id: str | None
    data: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Entry:
    """One link of the chain; `data` is the canonical JSON text that was hashed."""

    row: int
    revision: int
    sequence: int | None
    utc_ns: int
    utc_trusted: bool
    mono_ns: int
    boot_id: str
    kind: str
    unit_id: str | None
    data: str
    prev_hash: bytes
    hash: bytes


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """That a person has seen an alert: the name given, and when."""

    by: str
    stamp: Stamp


@dataclass(frozen=True, slots=True)
class AlertRow:
    """Something people had to be told. position: None for the vehicle; subject: the fault, None where kind says it all.

    raised, cleared: epoch and its monotonic time [ns]; cleared is None while it lasts. trip: (epoch, start_tile) of
    the trip that was open when it was raised, None without one. text, remedy: as they were when it was raised.
    """

    alert_id: str
    kind: str
    position: str | None
    subject: str | None
    level: str
    text: str
    remedy: str
    raised: tuple[int, int]
    trip: tuple[int, int] | None
    cleared: tuple[int, int] | None = None
    acknowledged: Acknowledged | None = None


@dataclass(frozen=True, slots=True)
class StoredAlert:
    """An alert as the ledger has it. number: rises, never used again. raised_at, cleared_at: by every clock.

    Both are None where the clocks of their epoch are unknown, cleared_at also while it lasts.
    """

    number: int
    row: AlertRow
    raised_at: Stamp | None
    cleared_at: Stamp | None


@dataclass(frozen=True, slots=True)
class Commit:
    """All that the engine made of the raw log up to `sequence`, written whole or not at all.

    hot: life totals by unit_id, for as many units as changed. cold, checkpoint: state of the
    accumulators by unit_id and of the engine, both given or both None (then only the hot group moves).
    heat: what is known of the heat of units in places, by (unit_id, position), for as many as are to be kept.
    """

    sequence: int
    engine: str
    hot: Mapping[str, Totals]
    cold: Mapping[str, bytes] | None = None
    checkpoint: bytes | None = None
    heat: Mapping[tuple[str, str], bytes] = field(default_factory=dict)
    minutes: tuple[MinuteRow, ...] = ()
    trips: tuple[TripRow, ...] = ()
    entries: tuple[EntryDraft, ...] = field(default=())
    alerts: tuple[AlertRow, ...] = ()


@dataclass(frozen=True, slots=True)
class KeptHeat:
    """What was kept of the heat of a damper in a place. resets: what somebody has asked to forget since."""

    state: bytes
    resets: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Epoch:
    """One run of a source and the pair of clocks that turns its monotonic time into wall time."""

    epoch: int
    source_kind: str
    source_text: str
    boot_id: str
    mono_ns: int
    utc_ns: int
    utc_trusted: bool

    def utc_at_ns(self, mono_ns: int) -> int:
        """Return wall time [ns] at a monotonic instant of this epoch."""
        return self.utc_ns + (mono_ns - self.mono_ns)


@dataclass(frozen=True, slots=True)
class Trip:
    """A trip as people see it: a small number that never changes, perhaps a name, wall time where known."""

    number: int
    name: str | None
    row: TripRow
    start_utc_ns: int | None
    end_utc_ns: int | None
    utc_trusted: bool


@dataclass(frozen=True, slots=True)
class Minute:
    """A stored 60-second row with wall time where known."""

    row: MinuteRow
    utc_ns: int | None
